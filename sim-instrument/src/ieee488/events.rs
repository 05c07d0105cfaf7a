//! How families without `SYSTem:ERRor?` tell their errors: a queue of events that `*ESR?` opens (family B),
//! or a register a class of errors, cleared by reading (family C). Instrument makers' manuals, not named.

use super::fault::{Code, Fault};
use super::parse::Node;
use super::status::Status;
use super::table::Table;
use std::sync::LazyLock;

/// How a device tells its errors.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum ErrorsBy {
    /// `SYSTem:ERRor?` and the rest of the tree that SCPI-99 requires.
    Queue,
    /// `*ESR?` makes the events so far readable by `ALLEv?`, `EVMsg?`, `EVENT?`; `EVQty?` counts them.
    Events,
    /// `CMR?`, `EXR?`, `DDR?`: the last error of each class.
    Registers,
}

/// A question for errors.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Asked {
    All,
    Message,
    Number,
    Count,
    /// Command, execution, device.
    Register(usize),
}

static EVENTS: LazyLock<Table<Asked>> = LazyLock::new(|| {
    Table::new([("ALLEv", Asked::All), ("EVMsg", Asked::Message), ("EVENT", Asked::Number), ("EVQty", Asked::Count)])
});

static REGISTERS: LazyLock<Table<Asked>> = LazyLock::new(|| {
    Table::new([("CMR", Asked::Register(0)), ("EXR", Asked::Register(1)), ("DDR", Asked::Register(2))])
});

/// Finds a question for errors: which, and its printed header.
pub(crate) fn find(by: ErrorsBy, nodes: &[Node]) -> Option<(Asked, &'static str)> {
    let table = match by {
        ErrorsBy::Queue => return None,
        ErrorsBy::Events => &EVENTS,
        ErrorsBy::Registers => &REGISTERS,
    };
    table.find_printed(nodes).ok().map(|(asked, printed, _)| (*asked, printed))
}

/// The number of an event of family B: the standard's without its sign, and 401 for power on.
const fn event_number(code: Code) -> u16 {
    match code {
        Code::PowerOn => 401,
        _ => code.number().unsigned_abs(),
    }
}

fn event(fault: &Fault) -> String {
    let entry = fault.entry();
    let text = entry.split_once(',').map_or("", |(_, text)| text);
    format!("{},{text}", event_number(fault.code))
}

/// The command error register's number (from memory): 1 unknown header, 2 its path or suffix, 3 a number, 4 its
/// unit, 5 an unknown word, 6 a text, 7 anything else.
const fn command_number(code: Code) -> u16 {
    match code {
        Code::UndefinedHeader => 1,
        Code::HeaderSuffixOutOfRange | Code::MnemonicTooLong | Code::HeaderSeparator => 2,
        Code::InvalidCharacterInNumber | Code::ExponentTooLarge | Code::TooManyDigits | Code::DataType => 3,
        Code::InvalidSuffix | Code::SuffixTooLong | Code::SuffixNotAllowed => 4,
        Code::CharacterDataTooLong => 5,
        Code::InvalidString => 6,
        _ => 7,
    }
}

/// The execution error register's number (from memory): 22 the setting does not fit the state, 25 the value,
/// 24 anything else.
const fn execution_number(code: Code) -> u16 {
    match code {
        Code::SettingsConflict | Code::DataStale | Code::InitIgnored | Code::HardwareMissing => 22,
        Code::DataOutOfRange | Code::IllegalParameterValue => 25,
        _ => 24,
    }
}

/// Notes an error in the register of its class.
pub(crate) fn note(registers: &mut [u16; 3], code: Code) {
    match code.number() {
        -199..=-100 => registers[0] = command_number(code),
        -299..=-200 => registers[1] = execution_number(code),
        // A bit a kind of trouble: 13 the input or the queue ran over.
        -399..=-300 => registers[2] |= 1 << 13,
        _ => {}
    }
}

/// Answers a question for errors.
pub(crate) fn answer(asked: Asked, status: &mut Status) -> String {
    let none = |hidden: bool| {
        if hidden { "1,\"No events to report; new events pending *ESR?\"" } else { "0,\"No events to report\"" }
            .to_owned()
    };
    let next = |status: &mut Status| {
        if status.shown == 0 {
            return None;
        }
        status.shown -= 1;
        status.errors.pop_fault()
    };
    match asked {
        Asked::All => {
            let mut all = Vec::new();
            while let Some(fault) = next(status) {
                all.push(event(&fault));
            }
            if all.is_empty() { none(!status.errors.is_empty()) } else { all.join(",") }
        }
        Asked::Message => match next(status) {
            Some(fault) => event(&fault),
            None => none(!status.errors.is_empty()),
        },
        Asked::Number => match next(status) {
            Some(fault) => event_number(fault.code).to_string(),
            None => u8::from(!status.errors.is_empty()).to_string(),
        },
        Asked::Count => status.shown.to_string(),
        Asked::Register(place) => status.registers.get_mut(place).map(core::mem::take).unwrap_or_default().to_string(),
    }
}
