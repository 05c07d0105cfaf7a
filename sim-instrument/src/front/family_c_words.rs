//! The words of family C, short and long, and what each is.

use super::family_c_data::Data;
use crate::ieee488::Table;
use std::sync::LazyLock;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Command {
    Scale,
    Offset,
    Coupling,
    Probe,
    Trace,
    Level,
    SlopeOf,
    ExternalLevel,
    ExternalSlope,
    TimeScale,
    Delay,
    Points,
    Rate,
    Select,
    Mode,
    Arm,
    Stop,
    Force,
    State,
    Internal,
    Way,
    Header,
    Data(Data),
}

/// Each word in its short and its long spelling; nothing in between is one.
pub(super) static TABLE: LazyLock<Table<(Command, &'static str, &'static str)>> = LazyLock::new(|| {
    let rows = [
        ("C<n>:VDIV", "C<n>:VOLT_DIV", Command::Scale),
        ("C<n>:OFST", "C<n>:OFFSET", Command::Offset),
        ("C<n>:CPL", "C<n>:COUPLING", Command::Coupling),
        ("C<n>:ATTN", "C<n>:ATTENUATION", Command::Probe),
        ("C<n>:TRA", "C<n>:TRACE", Command::Trace),
        ("C<n>:TRLV", "C<n>:TRIG_LEVEL", Command::Level),
        ("C<n>:TRSL", "C<n>:TRIG_SLOPE", Command::SlopeOf),
        ("EX:TRLV", "EX:TRIG_LEVEL", Command::ExternalLevel),
        ("EX:TRSL", "EX:TRIG_SLOPE", Command::ExternalSlope),
        ("TDIV", "TIME_DIV", Command::TimeScale),
        ("TRDL", "TRIG_DELAY", Command::Delay),
        ("MSIZ", "MEMORY_SIZE", Command::Points),
        ("SARA", "SAMPLE_RATE", Command::Rate),
        ("TRSE", "TRIG_SELECT", Command::Select),
        ("TRMD", "TRIG_MODE", Command::Mode),
        ("ARM", "ARM_ACQ", Command::Arm),
        ("STOP", "STOP", Command::Stop),
        ("FRTR", "FORCE_TRIG", Command::Force),
        ("SAST", "SAMPLE_STATE", Command::State),
        ("INR", "INR", Command::Internal),
        ("ACQW", "ACQUIRE_WAY", Command::Way),
        ("CHDR", "COMM_HEADER", Command::Header),
        ("CFMT", "COMM_FORMAT", Command::Data(Data::Format)),
        ("CORD", "COMM_ORDER", Command::Data(Data::Order)),
        ("WFSU", "WAVE_SETUP", Command::Data(Data::Part)),
        ("C<n>:WF", "C<n>:WAVE", Command::Data(Data::Wave)),
    ];
    Table::new(
        rows.into_iter().flat_map(|(short, long, what)| [(short, (what, short, long)), (long, (what, short, long))]),
    )
});
