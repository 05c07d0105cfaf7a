//! Family B: `CH<n>`, `SELect`, `HORizontal`, `ACQuire`, `TRIGger`, `DATa`, `WFMPre`, `CURVe`; replies carry
//! headers from power-on, and errors are events behind `*ESR?` (instrument makers' manuals, not named).

use super::family_a::{channel_index, points_range, times};
use super::family_b_data::{Data, DataSettings};
use super::panel::{LEVEL, PROBE, Panel, TIME_SCALE};
use super::{DIVISION_V, OFFSET_V};
use crate::ieee488::call::Numbered;
use crate::ieee488::parse::{Node, Param};
use crate::ieee488::table::{reply_header, short_form};
use crate::ieee488::{Call, Code, Fault, Range, Reply, Table, real};
use crate::scope::{Coupling, Progress, Scope, Specs, TriggerFrom};
use crate::source::Slope;
use crate::world::World;
use std::sync::LazyLock;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Command {
    Scale,
    Position,
    Offset,
    Coupling,
    Probe,
    Select,
    TimeScale,
    TimePosition,
    Points,
    State,
    StopAfter,
    Mode,
    TriggerType,
    TriggerMode,
    EdgeSource,
    EdgeSlope,
    Level,
    VideoSource,
    VideoLines,
    VideoSync,
    VideoLine,
    VideoPolarity,
    TriggerState,
    Force,
    Header,
    Verbose,
    Busy,
    Data(Data),
}

static TABLE: LazyLock<Table<Command>> = LazyLock::new(|| {
    let own = [
        ("CH<n>:SCAle", Command::Scale),
        ("CH<n>:POSition", Command::Position),
        ("CH<n>:OFFSet", Command::Offset),
        ("CH<n>:COUPling", Command::Coupling),
        ("CH<n>:PRObe", Command::Probe),
        ("SELect:CH<n>", Command::Select),
        ("HORizontal[:MAIn]:SCAle", Command::TimeScale),
        ("HORizontal[:MAIn]:POSition", Command::TimePosition),
        ("HORizontal:RECOrdlength", Command::Points),
        ("ACQuire:STATE", Command::State),
        ("ACQuire:STOPAfter", Command::StopAfter),
        ("ACQuire:MODe", Command::Mode),
        ("TRIGger[:MAIn]:TYPe", Command::TriggerType),
        ("TRIGger[:MAIn]:MODe", Command::TriggerMode),
        ("TRIGger[:MAIn]:EDGE:SOUrce", Command::EdgeSource),
        ("TRIGger[:MAIn]:EDGE:SLOpe", Command::EdgeSlope),
        ("TRIGger[:MAIn]:LEVel", Command::Level),
        ("TRIGger[:MAIn]:VIDeo:SOUrce", Command::VideoSource),
        ("TRIGger[:MAIn]:VIDeo:LINES", Command::VideoLines),
        ("TRIGger[:MAIn]:VIDeo:SYNC", Command::VideoSync),
        ("TRIGger[:MAIn]:VIDeo:LINE", Command::VideoLine),
        ("TRIGger[:MAIn]:VIDeo:POLarity", Command::VideoPolarity),
        ("TRIGger:STATE", Command::TriggerState),
        ("TRIGger", Command::Force),
        ("HEADer", Command::Header),
        ("VERBose", Command::Verbose),
        ("BUSY", Command::Busy),
    ];
    Table::new(own.into_iter().chain(Data::ROWS.map(|(printed, data)| (printed, Command::Data(data)))))
});

const COUPLINGS: [&str; 3] = ["AC", "DC", "GND"];
const STOPS: [&str; 2] = ["RUNSTop", "SEQuence"];
const MODES: [&str; 2] = ["SAMple", "PEAKdetect"];
const TYPES: [&str; 2] = ["EDGE", "VIDeo"];
const SWEEPS: [&str; 2] = ["AUTO", "NORMal"];
const SLOPES: [&str; 2] = ["RISe", "FALL"];
const SYNCS: [&str; 4] = ["FIELD1", "FIELD2", "FIELD", "LINE"];
const POLARITIES: [&str; 2] = ["NEGative", "POSitive"];
/// Divisions by which a trace may be moved.
const POSITION: Range = Range { least: -1000.0, greatest: 1000.0, default: 0.0 };

/// Settings and words of a family B scope.
#[derive(Debug)]
pub(crate) struct FamilyB {
    pub(super) panel: Panel,
    pub(super) data: DataSettings,
    single: bool,
    pub(super) headers: bool,
    verbose: bool,
    /// The field or the line, whichever was chosen last.
    sync: usize,
    line: u32,
}

impl FamilyB {
    pub(crate) fn new(specs: &Specs) -> Self {
        Self {
            panel: Panel::new(specs),
            data: DataSettings::new(),
            single: false,
            headers: true,
            verbose: true,
            sync: 2,
            line: 1,
        }
    }

    /// A reply with its header, where headers are on. Common commands have none.
    pub(super) fn with_header(&self, printed: &str, suffixes: &[u32], text: String) -> String {
        if !self.headers || printed.starts_with('*') {
            return text;
        }
        format!("{} {text}", reply_header(printed, suffixes, self.verbose))
    }

    /// A word as it is replied: long while replies are verbose.
    pub(super) fn word(&self, printed: &str) -> String {
        if self.verbose { printed.to_ascii_uppercase() } else { short_form(printed) }
    }

    pub(crate) fn execute(
        &mut self,
        scope: &mut Scope,
        nodes: &[Node],
        query: bool,
        params: &[Param],
        world: &mut World<'_>,
    ) -> Result<Reply, Fault> {
        let (command, printed, suffixes) = TABLE.find_printed(nodes)?;
        let call = Call { suffixes, params };
        if let Command::Data(data) = *command {
            return self.data(data, printed, scope, query, &call, world);
        }
        if query {
            call.takes(0, 0)?;
            let text = self.get(*command, scope, &call, world)?;
            return Ok(Reply::Text(self.with_header(printed, &call.suffixes, text)));
        }
        call.takes(1, 1)?;
        self.set(*command, scope, &call, world)?;
        Ok(Reply::None)
    }

    fn set(
        &mut self,
        command: Command,
        scope: &mut Scope,
        call: &Call<'_>,
        world: &mut World<'_>,
    ) -> Result<(), Fault> {
        let count = self.panel.channels.len();
        match command {
            Command::Scale
            | Command::Position
            | Command::Offset
            | Command::Coupling
            | Command::Probe
            | Command::Select => {
                let index = call.index(0, count)?;
                let Some(channel) = self.panel.channels.get_mut(index) else { return Ok(()) };
                let factor = channel.probe;
                match command {
                    Command::Select => channel.on = call.flag(0)?,
                    Command::Coupling => {
                        channel.coupling =
                            [Coupling::Ac, Coupling::Dc, Coupling::Ground][call.choice(0, &COUPLINGS)?.min(2)];
                    }
                    Command::Probe => channel.probe = call.number(0, "", PROBE)?,
                    Command::Scale => channel.division_v = call.number(0, "V", times(DIVISION_V, factor))? / factor,
                    Command::Position => channel.position = call.number(0, "", POSITION)?,
                    _ => channel.offset_v = call.number(0, "V", times(OFFSET_V, factor))? / factor,
                }
            }
            Command::TimeScale => self.panel.time_scale_s = call.number(0, "S", TIME_SCALE)?,
            Command::TimePosition => {
                self.panel.time_position_s = call.number(0, "S", self.panel.position_range())?;
            }
            Command::Points => self.panel.points = call.whole(0, points_range(&scope.specs))?,
            Command::State => {
                let on = match call.params {
                    [Param::Word(word)] if word == "RUN" => true,
                    [Param::Word(word)] if word == "STOP" => false,
                    _ => call.flag(0)?,
                };
                match (on, self.single) {
                    (true, true) => scope.arm(self.panel.setup(&scope.specs), world),
                    (true, false) => scope.run(self.panel.setup(&scope.specs), world),
                    (false, _) => scope.stop(world),
                }
            }
            Command::StopAfter => self.single = call.choice(0, &STOPS)? == 1,
            Command::Mode => self.panel.peak = call.choice(0, &MODES)? == 1,
            Command::TriggerType => self.panel.video = call.choice(0, &TYPES)? == 1,
            Command::TriggerMode => self.panel.auto = call.choice(0, &SWEEPS)? == 0,
            Command::EdgeSource => {
                self.panel.from = match call.numbered(0, "CH", &["EXT", "LINE"])? {
                    Numbered::Other(0) if !scope.specs.external => return Err(Code::HardwareMissing.about("EXT")),
                    Numbered::Other(0) => TriggerFrom::External,
                    Numbered::Other(_) => TriggerFrom::Line,
                    Numbered::Number(number) => TriggerFrom::Channel(channel_index(number, count)?),
                };
            }
            Command::EdgeSlope => {
                self.panel.slope = if call.choice(0, &SLOPES)? == 0 { Slope::Rising } else { Slope::Falling };
            }
            Command::Level => self.panel.level_v = call.number(0, "V", LEVEL)?,
            Command::VideoSource => match call.numbered(0, "CH", &[])? {
                Numbered::Number(number) => self.panel.video_from = channel_index(number, count)?,
                Numbered::Other(_) => return Err(Code::IllegalParameterValue.into()),
            },
            Command::VideoLines => match call.whole(0, Range { least: 525.0, greatest: 625.0, default: 525.0 })? {
                lines @ (525 | 625) => self.panel.lines = lines,
                other => return Err(Code::IllegalParameterValue.about(format!("{other}, not 525|625"))),
            },
            Command::VideoSync => {
                self.sync = call.choice(0, &SYNCS)?;
                self.panel.field = [Some(1), Some(2), None, None][self.sync.min(3)];
                self.panel.line = (self.sync == 3).then_some(self.line);
            }
            Command::VideoLine => {
                self.line = call.whole(0, self.panel.line_range())?;
                self.panel.line = (self.sync == 3).then_some(self.line);
            }
            Command::VideoPolarity => self.panel.positive_sync = call.choice(0, &POLARITIES)? == 1,
            Command::Force => {
                call.choice(0, &["FORCe"])?;
                if !scope.force(world) {
                    return Err(Code::TriggerIgnored.about("nothing waits for a trigger"));
                }
            }
            Command::Header => self.headers = call.flag(0)?,
            Command::Verbose => self.verbose = call.flag(0)?,
            Command::TriggerState | Command::Busy | Command::Data(_) => {
                return Err(Code::UndefinedHeader.about("it can only be read"));
            }
        }
        Ok(())
    }

    fn get(
        &self,
        command: Command,
        scope: &mut Scope,
        call: &Call<'_>,
        world: &mut World<'_>,
    ) -> Result<String, Fault> {
        let panel = &self.panel;
        let flag = |on: bool| u8::from(on).to_string();
        Ok(match command {
            Command::Scale
            | Command::Position
            | Command::Offset
            | Command::Coupling
            | Command::Probe
            | Command::Select => {
                let index = call.index(0, panel.channels.len())?;
                let Some(channel) = panel.channels.get(index) else { return Err(Code::HeaderSuffixOutOfRange.into()) };
                match command {
                    Command::Select => flag(channel.on),
                    Command::Coupling => self.word(match channel.coupling {
                        Coupling::Ac => COUPLINGS[0],
                        Coupling::Dc => COUPLINGS[1],
                        Coupling::Ground => COUPLINGS[2],
                    }),
                    Command::Probe => real(channel.probe),
                    Command::Scale => real(channel.division_v * channel.probe),
                    Command::Position => real(channel.position),
                    _ => real(channel.offset_v * channel.probe),
                }
            }
            Command::TimeScale => real(panel.time_scale_s),
            Command::TimePosition => real(panel.time_position_s),
            Command::Points => panel.points.to_string(),
            Command::State => flag(scope.told(world) != Progress::Idle),
            Command::StopAfter => self.word(STOPS[usize::from(self.single)]),
            Command::Mode => self.word(MODES[usize::from(panel.peak)]),
            Command::TriggerType => self.word(TYPES[usize::from(panel.video)]),
            Command::TriggerMode => self.word(SWEEPS[usize::from(!panel.auto)]),
            Command::EdgeSource => match panel.from {
                TriggerFrom::Channel(channel) => format!("CH{}", channel + 1),
                TriggerFrom::Line => "LINE".to_owned(),
                TriggerFrom::External | TriggerFrom::Immediate => "EXT".to_owned(),
            },
            Command::EdgeSlope => self.word(SLOPES[usize::from(panel.slope == Slope::Falling)]),
            Command::Level => real(panel.level_v),
            Command::VideoSource => format!("CH{}", panel.video_from + 1),
            Command::VideoLines => panel.lines.to_string(),
            Command::VideoSync => self.word(SYNCS[self.sync.min(3)]),
            Command::VideoLine => self.line.to_string(),
            Command::VideoPolarity => self.word(POLARITIES[usize::from(panel.positive_sync)]),
            Command::TriggerState => match scope.told(world) {
                Progress::Idle => "SAVE",
                Progress::Armed => "READY",
                Progress::Triggered => "TRIGGER",
                Progress::Running if panel.auto => "AUTO",
                Progress::Running => "READY",
            }
            .to_owned(),
            Command::Header => flag(self.headers),
            Command::Verbose => flag(self.verbose),
            Command::Busy => flag(!matches!(scope.told(world), Progress::Idle | Progress::Running)),
            Command::Force => return Err(Code::UndefinedHeader.about("it cannot be read")),
            Command::Data(_) => return Err(Code::UndefinedHeader.into()),
        })
    }
}
