//! The procedure still-against-play.
