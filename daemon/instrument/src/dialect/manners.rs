//! Manners that leave the standard: how errors are told, what blocks look like, how late the state is.

use super::fields::Fields;
use crate::scpi::{BlockShape, ErrorForm, OperationComplete, Profile};
use core::time::Duration;

/// Most bytes of text before a block that a file may allow.
const MOST_TEXT: u32 = 4096;

/// Reads the keys of `[manners]` beyond the usual ones.
pub(super) fn more(fields: &mut Fields<'_>, profile: Profile) -> Profile {
    let errors = match fields.one_of("errors", &["error-queue", "events", "registers"], Some("error-queue")) {
        Some(1) => ErrorForm::Events,
        Some(2) => ErrorForm::Registers,
        _ => ErrorForm::Queue,
    };
    let operation_complete = match fields.one_of("operation-complete", &["waits", "at-once", "absent"], Some("waits")) {
        Some(1) => OperationComplete::AtOnce,
        Some(2) => OperationComplete::Absent,
        _ => OperationComplete::Waits,
    };
    let digits = fields.integer("block-digits", 0, 18, Some(0));
    let block = BlockShape {
        text_before: fields.integer("block-text-before", 0, MOST_TEXT, Some(0)) as usize,
        count_of_packet: fields.one_of("block-count", &["data", "packet"], Some("data")) == Some(1),
        count_excess: fields.number("block-count-excess", -16.0, 16.0, Some(0.0)) as i32,
        digits: u8::try_from(digits).ok().filter(|digits| *digits > 0),
        wrapped: fields.boolean("block-wrapped", Some(false)),
    };
    let state_lag = Duration::from_secs_f64(fields.number("state-lag-s", 0.0, 60.0, Some(0.0)));
    let short_readings = fields.boolean("short-readings", Some(false));
    let blocks_joined = fields.boolean("blocks-joined", Some(false));
    Profile { blocks_joined, short_readings, errors, operation_complete, block, state_lag, ..profile }
}
