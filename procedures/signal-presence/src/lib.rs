//! The procedure signal-presence.
