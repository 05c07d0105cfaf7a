//! What is behind the message exchange: a device that executes commands, and what it answers.

use super::block::Digits;
use super::events::ErrorsBy;
use super::fault::Fault;
use super::parse::{Node, Param};
use crate::world::World;

/// What a query answers.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Reply {
    /// The command was no query.
    None,
    Text(String),
    /// Sent as a definite-length block, its count in eight digits.
    Block(Vec<u8>),
    /// A text of any length, which is streamed.
    Long(String),
    /// A block with something before it, and its own number of digits.
    Headed {
        before: String,
        data: Vec<u8>,
        digits: Digits,
    },
}

/// What is behind the message exchange.
pub(crate) trait Device {
    /// Answer of `*IDN?`.
    fn identity(&self) -> String;
    /// Executes a device-specific command.
    fn execute(&mut self, nodes: &[Node], query: bool, params: &[Param], world: &mut World<'_>)
    -> Result<Reply, Fault>;
    /// Since when no overlapped operation runs, in seconds; `None` while one does.
    fn idle_since(&mut self, world: &mut World<'_>) -> Option<f64>;
    /// Settings to their defaults, operations aborted.
    fn reset(&mut self, world: &mut World<'_>);
    /// How it tells its errors.
    fn errors_by(&self) -> ErrorsBy {
        ErrorsBy::Queue
    }
    /// A reply with the header that this device puts before it now; none, where it puts none.
    fn headed(&self, _printed: &str, text: String) -> String {
        text
    }
    /// OPERation conditions that were passed since last asked, the present one last.
    fn conditions(&mut self, world: &mut World<'_>) -> Vec<u16>;
}
