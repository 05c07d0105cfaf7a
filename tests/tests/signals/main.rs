//! Sound, supply, dropouts, FM sound and pilots: each procedure against the fault it exists for, against a look-alike,
//! and, over random draws, its intervals against the exact truth.

#![allow(unreachable_pub, reason = "what one module has is used by the others")]

mod audio_head;
mod dropouts;
mod formats;
mod hifi;
mod pilots;
mod presence;
mod probes;
mod sound;
mod supply;
mod support;
