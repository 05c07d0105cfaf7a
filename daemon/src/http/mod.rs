//! The daemon over HTTP, under `/v1`, and the command line's client of it.
//!
//! Loopback unless asked otherwise, and a token even there: any program of any user on this computer,
//! and any page in a browser, can reach a loopback port. The token file keeps out other users; checking
//! `Host` and `Origin` keeps out pages, also those whose name was made to point here.
//!
//! | path under `/v1` | | what |
//! |---|---|---|
//! | `/benches` | GET | the benches and where each stands; of one that did not answer at the start, why |
//! | `/benches/{bench}/runs` | POST | starts a run: `{"run": id}` |
//! | `/benches/{bench}/events?after=N&life=L&wait_s=S` | GET | numbered events after N; waits for one |
//! | `/benches/{bench}/prompts` | GET | open prompts |
//! | `/benches/{bench}/prompts/{prompt}/answer` | POST | answers one; the first answer wins |
//! | `/benches/{bench}/readings` | GET | the latest live readings |
//! | `/benches/{bench}/live` | POST, DELETE | begins a live session, ends it |
//! | `/benches/{bench}/live?after=N&wait_s=S` | GET | the latest frame after N, and no other; waits for one |
//! | `/benches/{bench}/live/say` | POST | `{"word": ...}`: one of the reading's choices |
//! | `/benches/{bench}/live/key` | POST | `{"mode": ...}`: a person's key for the transport, never `record` |
//! | `/benches/{bench}/stop` | POST | stops the transport at once |
//! | `/runs?machine=...` | GET | runs by the index, newest first |
//! | `/runs/{run}` | GET | one run with its verdict |
//! | `/runs/{run}/cancel` | POST | cancels a run |
//! | `/procedures` | GET | what can be run, and what each may do |
//! | `/jobs` | GET, POST | machines in for service |
//! | `/jobs/{job}` | GET | one job |
//! | `/jobs/{job}/events` | POST | adds to a job, e.g. that a scrap tape ran |
//!
//! An error is `{"error": what went wrong, "hint": what to do}` with a fitting status.
//!
//! What is bounded, and what happens when it is full: see [`limits`].

mod api;
mod client;
mod error;
mod guard;
mod listener;
mod routes;
mod server;
mod token;

#[cfg(test)]
mod tests;

pub use api::{Answered, Api, ApiFuture, BenchEvents, Cursor, EventPage, Started, WireEvent, wire};
pub use client::{Client, ClientError};
pub use error::{ApiError, ApiErrorKind, ErrorBody};
pub use server::{Bound, HttpError, ServeOptions, Server};
pub use token::{Token, TokenError};

/// What is bounded.
pub mod limits {
    use core::time::Duration;

    /// Bytes of a request's body. A longer one is refused (413).
    pub const BODY_BYTES: usize = 64 << 10;
    /// Connections. More wait to be accepted until one closes.
    pub const CONNECTIONS: usize = 64;
    /// Requests being answered. One more is refused (503); the client may ask again.
    pub const REQUESTS: usize = 48;
    /// Of those, requests that wait for an event. One more is answered at once with what there is, so
    /// that waiting pages never keep a stop from being heard.
    pub const WAITING: usize = 32;
    /// Longest wait for an event; a longer one asked for is cut to this.
    pub const WAIT: Duration = Duration::from_secs(30);
    /// A connection on which nothing moved for so long is closed. Longer than a wait.
    pub const IDLE: Duration = Duration::from_secs(60);
    /// Events in one answer; the client asks on for the rest.
    pub const EVENTS: usize = 1_000;
    /// How long running requests may take when the daemon ends; then they are cut off.
    pub const GRACE: Duration = Duration::from_secs(5);
}
