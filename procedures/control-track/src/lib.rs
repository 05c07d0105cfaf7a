//! The procedure control-track.
