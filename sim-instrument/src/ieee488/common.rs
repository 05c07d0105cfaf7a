//! The commands that every instrument has: IEEE 488.2 clause 10 and SCPI-99 volume 1 clause 4.2.1.

use super::call::{Call, Range};
use super::fault::{Code, Fault};
use super::status::{MASK, Status};
use super::table::Table;
use std::sync::LazyLock;

/// A SCPI-required command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Required {
    ErrorNext,
    ErrorCount,
    ErrorAll,
    CodeNext,
    CodeAll,
    Version,
    Preset,
    Register { questionable: bool, part: Part },
}

/// A part of a register set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Part {
    Event,
    Condition,
    Enable,
    Rising,
    Falling,
}

static TABLE: LazyLock<Table<Required>> = LazyLock::new(|| {
    let set = |questionable, part| Required::Register { questionable, part };
    Table::new([
        ("SYSTem:ERRor[:NEXT]", Required::ErrorNext),
        ("SYSTem:ERRor:COUNt", Required::ErrorCount),
        ("SYSTem:ERRor:ALL", Required::ErrorAll),
        ("SYSTem:ERRor:CODE[:NEXT]", Required::CodeNext),
        ("SYSTem:ERRor:CODE:ALL", Required::CodeAll),
        ("SYSTem:VERSion", Required::Version),
        ("STATus:PRESet", Required::Preset),
        ("STATus:OPERation[:EVENt]", set(false, Part::Event)),
        ("STATus:OPERation:CONDition", set(false, Part::Condition)),
        ("STATus:OPERation:ENABle", set(false, Part::Enable)),
        ("STATus:OPERation:PTRansition", set(false, Part::Rising)),
        ("STATus:OPERation:NTRansition", set(false, Part::Falling)),
        ("STATus:QUEStionable[:EVENt]", set(true, Part::Event)),
        ("STATus:QUEStionable:CONDition", set(true, Part::Condition)),
        ("STATus:QUEStionable:ENABle", set(true, Part::Enable)),
        ("STATus:QUEStionable:PTRansition", set(true, Part::Rising)),
        ("STATus:QUEStionable:NTRansition", set(true, Part::Falling)),
    ])
});

/// Finds a required command.
pub(crate) fn find(nodes: &[super::parse::Node]) -> Result<Required, Fault> {
    TABLE.find(nodes).map(|(required, _)| *required)
}

/// SCPI version answered by `SYSTem:VERSion?`.
const VERSION: &str = "1999.0";

const WORD: Range = Range { least: 0.0, greatest: 65_535.0, default: 0.0 };

/// Executes a required command: its reply, if it is a query.
pub(crate) fn execute(
    what: Required,
    query: bool,
    call: &Call<'_>,
    status: &mut Status,
) -> Result<Option<String>, Fault> {
    if query {
        call.takes(0, 0)?;
    }
    match (what, query) {
        (Required::ErrorNext, true) => Ok(Some(status.errors.pop())),
        (Required::ErrorCount, true) => Ok(Some(status.errors.len().to_string())),
        (Required::ErrorAll, true) => {
            let mut all = vec![status.errors.pop()];
            while !status.errors.is_empty() {
                all.push(status.errors.pop());
            }
            Ok(Some(all.join(",")))
        }
        (Required::CodeNext, true) => Ok(Some(next_code(status).to_string())),
        (Required::CodeAll, true) => {
            let mut all = vec![next_code(status)];
            while !status.errors.is_empty() {
                all.push(next_code(status));
            }
            Ok(Some(all.iter().map(i16::to_string).collect::<Vec<_>>().join(",")))
        }
        (Required::Version, true) => Ok(Some(VERSION.to_owned())),
        (Required::Preset, false) => {
            call.takes(0, 0)?;
            status.operation.preset();
            status.questionable.preset();
            Ok(None)
        }
        (Required::Register { questionable, part }, _) => {
            let set = if questionable { &mut status.questionable } else { &mut status.operation };
            let field = match part {
                Part::Event if query => return Ok(Some(core::mem::take(&mut set.event).to_string())),
                Part::Condition if query => return Ok(Some(set.condition.to_string())),
                Part::Event | Part::Condition => return Err(Code::UndefinedHeader.about("it can only be read")),
                Part::Enable => &mut set.enable,
                Part::Rising => &mut set.rising,
                Part::Falling => &mut set.falling,
            };
            if query {
                return Ok(Some(field.to_string()));
            }
            call.takes(1, 1)?;
            *field = (call.whole(0, WORD)? & u32::from(MASK)) as u16;
            Ok(None)
        }
        (Required::Preset, true) => Err(Code::UndefinedHeader.about("it cannot be read")),
        (
            Required::ErrorNext
            | Required::ErrorCount
            | Required::ErrorAll
            | Required::CodeNext
            | Required::CodeAll
            | Required::Version,
            false,
        ) => Err(Code::UndefinedHeader.about("it can only be read")),
    }
}

/// The number of the next entry alone; 0: none.
fn next_code(status: &mut Status) -> i16 {
    status.errors.pop_fault().map_or(0, |fault| fault.code.number())
}
