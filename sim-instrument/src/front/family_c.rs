//! Family C: words with the channel before them (`C<n>:VDIV`), `TDIV`, `TRSE`, `TRMD`, `WF?` with a binary
//! descriptor; replies carry headers and units from power-on, and errors are registers a class (instrument
//! makers' manuals, not named).

use super::family_a::{channel_index, points_range, times};
use super::family_c_data::DataSettings;
use super::family_c_words::{Command, TABLE};
use super::panel::{LEVEL, PROBE, Panel, TIME_SCALE};
use super::{DIVISION_V, OFFSET_V};
use crate::ieee488::call::Numbered;
use crate::ieee488::parse::{Node, Param};
use crate::ieee488::table::reply_header;
use crate::ieee488::{Call, Code, Fault, Range, Reply, real};
use crate::scope::{Coupling, Progress, Scope, Specs, TriggerFrom};
use crate::source::Slope;
use crate::world::World;

const SWITCH: [&str; 2] = ["OFF", "ON"];
const COUPLINGS: [&str; 3] = ["A1M", "D1M", "GND"];
const SLOPES: [&str; 2] = ["POS", "NEG"];
const MODES: [&str; 4] = ["AUTO", "NORM", "SINGLE", "STOP"];
const WAYS: [&str; 2] = ["SAMPLING", "PEAK_DETECT"];
const HEADERS: [&str; 3] = ["OFF", "SHORT", "LONG"];
/// Bits of the internal state register: a new record is whole; the trigger is armed.
const ACQUIRED: u16 = 1;
const READY: u16 = 1 << 13;

/// How replies begin.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Headers {
    Off,
    Short,
    Long,
}

/// Settings and words of a family C scope.
#[derive(Debug)]
pub(crate) struct FamilyC {
    pub(super) panel: Panel,
    pub(super) data: DataSettings,
    pub(super) headers: Headers,
    mode: usize,
    /// Trigger levels and slopes of the channels, and of the trigger-only input behind them.
    levels_v: Vec<f64>,
    slopes: Vec<Slope>,
    /// Acquisitions that the internal state register told of.
    told: u64,
    armed: bool,
}

impl FamilyC {
    pub(crate) fn new(specs: &Specs) -> Self {
        Self {
            panel: Panel::new(specs),
            data: DataSettings::new(),
            headers: Headers::Short,
            mode: 3,
            levels_v: vec![0.0; specs.channels + 1],
            slopes: vec![Slope::Rising; specs.channels + 1],
            told: 0,
            armed: false,
        }
    }

    /// A reply with its header, where headers are on; also of common commands.
    pub(super) fn with_header(&self, short: &str, long: &str, suffixes: &[u32], text: &str) -> String {
        let header = match self.headers {
            Headers::Off => return text.to_owned(),
            Headers::Short => reply_header(short, suffixes, true),
            Headers::Long => reply_header(long, suffixes, true),
        };
        format!("{} {text}", header.trim_start_matches(':'))
    }

    /// As [`Self::with_header`], of a header that is spelt one way.
    pub(crate) fn common(&self, printed: &str, text: String) -> String {
        if self.headers == Headers::Off { text } else { format!("{printed} {text}") }
    }

    /// A number with its unit, where headers are on.
    fn number(&self, value: f64, unit: &str) -> String {
        match self.headers {
            Headers::Off => real(value),
            Headers::Short => format!("{}{unit}", real(value)),
            Headers::Long => format!("{} {unit}", real(value)),
        }
    }

    pub(crate) fn execute(
        &mut self,
        scope: &mut Scope,
        nodes: &[Node],
        query: bool,
        params: &[Param],
        world: &mut World<'_>,
    ) -> Result<Reply, Fault> {
        // A channel before one word of a message stands before the later ones too, but not before words that
        // have none.
        let alone = nodes.get(1..).filter(|rest| nodes.first().is_some_and(|n| n.word == "C") && rest.len() == 1);
        let found = match (TABLE.find(nodes), alone) {
            (Err(fault), Some(rest)) if fault.code == Code::UndefinedHeader => TABLE.find(rest).map_err(|_| fault),
            (found, _) => found,
        };
        let (&(command, short, long), suffixes) = found?;
        let call = Call { suffixes, params };
        if let Command::Data(data) = command {
            return self.data((data, short, long), scope, query, &call, world);
        }
        if query {
            call.takes(0, 0)?;
            let text = self.get(command, scope, &call, world)?;
            return Ok(Reply::Text(self.with_header(short, long, &call.suffixes, &text)));
        }
        self.set(command, scope, &call, world)?;
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
            Command::Arm | Command::Stop | Command::Force => {
                call.takes(0, 0)?;
                match command {
                    Command::Arm => self.arm(scope, world),
                    Command::Force if !scope.force(world) => {
                        return Err(Code::TriggerIgnored.about("nothing waits for a trigger"));
                    }
                    Command::Force => {}
                    _ => {
                        self.mode = 3;
                        scope.stop(world);
                    }
                }
                return Ok(());
            }
            Command::Select => return self.select(scope, call),
            _ => call.takes(1, 1)?,
        }
        match command {
            Command::Scale | Command::Offset | Command::Coupling | Command::Probe | Command::Trace => {
                let index = call.index(0, count)?;
                let Some(channel) = self.panel.channels.get_mut(index) else { return Ok(()) };
                let factor = channel.probe;
                match command {
                    Command::Trace => channel.on = call.choice(0, &SWITCH)? == 1,
                    Command::Coupling => {
                        channel.coupling =
                            [Coupling::Ac, Coupling::Dc, Coupling::Ground][call.choice(0, &COUPLINGS)?.min(2)];
                    }
                    Command::Probe => channel.probe = call.number(0, "", PROBE)?,
                    Command::Scale => channel.division_v = call.number(0, "V", times(DIVISION_V, factor))? / factor,
                    // What is added to the signal: the middle of the screen shows it with the other sign.
                    _ => channel.offset_v = -call.number(0, "V", times(OFFSET_V, factor))? / factor,
                }
            }
            Command::Level | Command::SlopeOf | Command::ExternalLevel | Command::ExternalSlope => {
                let external = matches!(command, Command::ExternalLevel | Command::ExternalSlope);
                let place = if external { count } else { call.index(0, count)? };
                if matches!(command, Command::Level | Command::ExternalLevel) {
                    self.levels_v[place] = call.number(0, "V", LEVEL)?;
                } else {
                    self.slopes[place] = if call.choice(0, &SLOPES)? == 0 { Slope::Rising } else { Slope::Falling };
                }
            }
            Command::TimeScale => self.panel.time_scale_s = call.number(0, "S", TIME_SCALE)?,
            Command::Delay => self.panel.time_position_s = call.number(0, "S", self.panel.position_range())?,
            Command::Points => self.panel.points = call.whole(0, points_range(&scope.specs))?,
            Command::Mode => {
                self.mode = call.choice(0, &MODES)?;
                self.panel.auto = self.mode == 0;
                match self.mode {
                    2 => self.arm(scope, world),
                    3 => scope.stop(world),
                    _ => {
                        self.take_trigger();
                        scope.run(self.panel.setup(&scope.specs), world);
                    }
                }
            }
            Command::Way => self.panel.peak = call.choice(0, &WAYS)? == 1,
            Command::Header => {
                self.headers = [Headers::Off, Headers::Short, Headers::Long][call.choice(0, &HEADERS)?.min(2)];
            }
            _ => return Err(Code::UndefinedHeader.about("it can only be read")),
        }
        Ok(())
    }

    /// The level and slope of the chosen source become the trigger's.
    fn take_trigger(&mut self) {
        let place = match self.panel.from {
            TriggerFrom::Channel(channel) => channel,
            _ => self.panel.channels.len(),
        };
        self.panel.level_v = self.levels_v.get(place).copied().unwrap_or_default();
        self.panel.slope = self.slopes.get(place).copied().unwrap_or(Slope::Rising);
    }

    fn arm(&mut self, scope: &mut Scope, world: &mut World<'_>) {
        self.mode = 2;
        self.panel.auto = false;
        self.take_trigger();
        self.armed = true;
        scope.arm(self.panel.setup(&scope.specs), world);
    }

    /// `EDGE,SR,C1`, or `TV,SR,C1,LPIC,525,FLD,1,POL,NEG`, with `FLD,ALL` or `LINE,17` in place of `FLD,1`.
    fn select(&mut self, scope: &Scope, call: &Call<'_>) -> Result<(), Fault> {
        call.takes(1, 99)?;
        let video = call.choice(0, &["EDGE", "TV"])? == 1;
        if call.params.len().is_multiple_of(2) {
            return Err(Code::MissingParameter.about("keys and values in turn"));
        }
        let mut panel = (self.panel.from, self.panel.video_from, self.panel.lines, self.panel.field, self.panel.line);
        for place in (1..call.params.len()).step_by(2) {
            match call.choice(place, &["SR", "LPIC", "FLD", "LINE", "POL"])? {
                0 => match call.numbered(place + 1, "C", &["EX", "LINE"])? {
                    Numbered::Number(number) => {
                        let channel = channel_index(number, self.panel.channels.len())?;
                        if video {
                            panel.1 = channel;
                        } else {
                            panel.0 = TriggerFrom::Channel(channel);
                        }
                    }
                    Numbered::Other(_) if video => return Err(Code::IllegalParameterValue.about("video on a channel")),
                    Numbered::Other(0) if !scope.specs.external => return Err(Code::HardwareMissing.about("EX")),
                    Numbered::Other(0) => panel.0 = TriggerFrom::External,
                    Numbered::Other(_) => panel.0 = TriggerFrom::Line,
                },
                1 => match call.whole(place + 1, Range { least: 525.0, greatest: 625.0, default: 525.0 })? {
                    lines @ (525 | 625) => panel.2 = lines,
                    other => return Err(Code::IllegalParameterValue.about(format!("{other}, not 525|625"))),
                },
                2 => {
                    let all = matches!(call.params.get(place + 1), Some(Param::Word(word)) if word == "ALL");
                    let range = Range { least: 1.0, greatest: 2.0, default: 1.0 };
                    panel.3 = if all { None } else { Some(call.whole(place + 1, range)? as u8) };
                    panel.4 = None;
                }
                3 => panel.4 = Some(call.whole(place + 1, self.panel.line_range())?),
                _ => self.panel.positive_sync = call.choice(place + 1, &["NEG", "POS"])? == 1,
            }
        }
        self.panel.video = video;
        (self.panel.from, self.panel.video_from, self.panel.lines, self.panel.field, self.panel.line) = panel;
        Ok(())
    }

    fn selected(&self) -> String {
        let panel = &self.panel;
        if !panel.video {
            return format!("EDGE,SR,{}", source_word(panel.from));
        }
        let which = match (panel.line, panel.field) {
            (Some(line), _) => format!("LINE,{line}"),
            (None, Some(field)) => format!("FLD,{field}"),
            (None, None) => "FLD,ALL".to_owned(),
        };
        let sync = if panel.positive_sync { "POS" } else { "NEG" };
        format!("TV,SR,C{},LPIC,{},{which},POL,{sync}", panel.video_from + 1, panel.lines)
    }

    fn get(
        &mut self,
        command: Command,
        scope: &mut Scope,
        call: &Call<'_>,
        world: &mut World<'_>,
    ) -> Result<String, Fault> {
        let count = self.panel.channels.len();
        let word = |words: &[&str], place: usize| words.get(place).copied().unwrap_or_default().to_owned();
        Ok(match command {
            Command::Scale | Command::Offset | Command::Coupling | Command::Probe | Command::Trace => {
                let index = call.index(0, count)?;
                let Some(channel) = self.panel.channels.get(index) else {
                    return Err(Code::HeaderSuffixOutOfRange.into());
                };
                match command {
                    Command::Trace => word(&SWITCH, usize::from(channel.on)),
                    Command::Coupling => match channel.coupling {
                        Coupling::Ac => COUPLINGS[0],
                        Coupling::Dc => COUPLINGS[1],
                        Coupling::Ground => COUPLINGS[2],
                    }
                    .to_owned(),
                    Command::Probe => real(channel.probe),
                    Command::Scale => self.number(channel.division_v * channel.probe, "V"),
                    _ => self.number(0.0 - channel.offset_v * channel.probe, "V"),
                }
            }
            Command::Level => self.number(self.levels_v[call.index(0, count)?], "V"),
            Command::ExternalLevel => self.number(self.levels_v[count], "V"),
            Command::SlopeOf => word(&SLOPES, usize::from(self.slopes[call.index(0, count)?] == Slope::Falling)),
            Command::ExternalSlope => word(&SLOPES, usize::from(self.slopes[count] == Slope::Falling)),
            Command::TimeScale => self.number(self.panel.time_scale_s, "S"),
            Command::Delay => self.number(self.panel.time_position_s, "S"),
            Command::Points => self.panel.points.to_string(),
            Command::Rate => {
                let (points, step_s) = self.panel.timing(&scope.specs);
                self.number(if points > 0 { 1.0 / step_s } else { 0.0 }, "SA/S")
            }
            Command::Select => self.selected(),
            // A single shot that is over leaves the scope stopped.
            Command::Mode if self.mode == 2 && scope.told(world) == Progress::Idle => word(&MODES, 3),
            Command::Mode => word(&MODES, self.mode),
            Command::State => match scope.told(world) {
                Progress::Idle => "Stop",
                Progress::Armed => "Ready",
                Progress::Triggered => "Trig'd",
                Progress::Running if self.panel.auto => "Auto",
                Progress::Running => "Ready",
            }
            .to_owned(),
            Command::Internal => {
                scope.told(world);
                let taken = scope.log().last().map_or(0, |acquisition| acquisition.number);
                let mut register = 0;
                if taken > self.told {
                    register |= ACQUIRED;
                }
                if core::mem::take(&mut self.armed) {
                    register |= READY;
                }
                self.told = self.told.max(taken);
                register.to_string()
            }
            Command::Way => word(&WAYS, usize::from(self.panel.peak)),
            Command::Header => word(&HEADERS, self.headers as usize),
            Command::Arm | Command::Stop | Command::Force => {
                return Err(Code::UndefinedHeader.about("it cannot be read"));
            }
            Command::Data(_) => return Err(Code::UndefinedHeader.into()),
        })
    }
}

fn source_word(from: TriggerFrom) -> String {
    match from {
        TriggerFrom::Channel(channel) => format!("C{}", channel + 1),
        TriggerFrom::Line => "LINE".to_owned(),
        TriggerFrom::External | TriggerFrom::Immediate => "EX".to_owned(),
    }
}
