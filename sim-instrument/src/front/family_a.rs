//! Family A: `:CHANnel<n>`, `:TIMebase`, `:TRIGger`, `:WAVeform` (instrument makers' manuals, not named).

use super::family_a_wave::Scaling;
use super::family_a_words::{Command, TABLE};
use super::{DIVISION_V, DIVISIONS, OFFSET_V, POINTS_LEAST, STEPS_A_DIVISION};
use crate::ieee488::call::{Numbered, word_reply};
use crate::ieee488::parse::{Node, Param};
use crate::ieee488::{Call, Code, Fault, Range, Reply, real};
use crate::scope::{ChannelSetup, Coupling, Progress, STEPS, Scope, Setup, Specs, TriggerFrom, TriggerOn};
use crate::source::Slope;
use crate::world::World;

const COUPLINGS: [&str; 3] = ["AC", "DC", "GND"];
const SLOPES: [&str; 2] = ["POSitive", "NEGative"];
const TYPES: [&str; 2] = ["NORMal", "PEAK"];
const MODES: [&str; 2] = ["EDGE", "TV"];
const SWEEPS: [&str; 2] = ["AUTO", "NORMal"];
const FIELDS: [&str; 4] = ["FIELd1", "FIELd2", "AFIelds", "LINE"];
const POLARITIES: [&str; 2] = ["NEGative", "POSitive"];
const PROBE: Range = Range { least: 0.01, greatest: 10_000.0, default: 1.0 };
const TIME_SCALE: Range = Range { least: 5e-9, greatest: 50.0, default: 1e-3 };
const LEVEL: Range = Range { least: -1e5, greatest: 1e5, default: 0.0 };

#[derive(Debug, Clone, Copy)]
struct Channel {
    on: bool,
    /// At the connector; the words multiply by the probe's factor.
    division_v: f64,
    centre_v: f64,
    coupling: usize,
    probe: f64,
}

/// Settings and words of a family A scope.
#[derive(Debug)]
pub(crate) struct FamilyA {
    pub(crate) scaling: Scaling,
    channels: Vec<Channel>,
    time_scale_s: f64,
    time_position_s: f64,
    peak: bool,
    points: u32,
    mode: usize,
    sweep: usize,
    edge_source: TriggerFrom,
    edge_slope: usize,
    edge_level_v: f64,
    video_source: usize,
    video_lines: u32,
    video_mode: usize,
    video_line: u32,
    video_polarity: usize,
    pub(super) wave: super::family_a_wave::WaveSettings,
}

impl FamilyA {
    pub(crate) fn new(scaling: Scaling, specs: &Specs) -> Self {
        let channel = Channel { on: false, division_v: DIVISION_V.default, centre_v: 0.0, coupling: 1, probe: 1.0 };
        let mut channels = vec![channel; specs.channels];
        if let Some(first) = channels.first_mut() {
            first.on = true;
        }
        Self {
            scaling,
            channels,
            time_scale_s: TIME_SCALE.default,
            time_position_s: 0.0,
            peak: false,
            points: specs.points_default,
            mode: 0,
            sweep: 0,
            edge_source: TriggerFrom::Channel(0),
            edge_slope: 0,
            edge_level_v: 0.0,
            video_source: 0,
            video_lines: 525,
            video_mode: 2,
            video_line: 1,
            video_polarity: 0,
            wave: super::family_a_wave::WaveSettings::default(),
        }
    }

    pub(super) fn probe(&self, channel: usize) -> f64 {
        self.channels.get(channel).map_or(1.0, |channel| channel.probe)
    }

    /// Values that the next record will have, and the time from one to the next.
    fn timing(&self, specs: &Specs) -> (u32, f64) {
        let span_s = DIVISIONS * self.time_scale_s;
        // A hair more, so that a rate that fits exactly is not lost to rounding.
        let most = (specs.rate_greatest_hz * span_s * (1.0 + 1e-9)).floor().max(2.0);
        let mut points = self.points.min(most.min(f64::from(u32::MAX)) as u32);
        if self.peak {
            points -= points % 2;
        }
        (points, span_s / f64::from(points))
    }

    fn rate(&self, specs: &Specs) -> String {
        real(f64::from(self.timing(specs).0) / DIVISIONS / self.time_scale_s)
    }

    fn setup(&self, specs: &Specs, auto: bool) -> Setup {
        let (points, step_s) = self.timing(specs);
        let span_s = DIVISIONS * self.time_scale_s;
        let level_v = |from| match from {
            TriggerFrom::Channel(channel) => self.edge_level_v / self.probe(channel),
            _ => self.edge_level_v,
        };
        let (from, on) = if self.mode == 0 {
            let slope = if self.edge_slope == 0 { Slope::Rising } else { Slope::Falling };
            (self.edge_source, TriggerOn::Edge { slope, level_v: level_v(self.edge_source) })
        } else {
            let on = match self.video_mode {
                _ if self.video_polarity == 1 => TriggerOn::Never,
                0 => TriggerOn::Video { field: Some(1), line: None },
                1 => TriggerOn::Video { field: Some(2), line: None },
                2 => TriggerOn::Video { field: None, line: None },
                _ => TriggerOn::Video { field: None, line: Some(self.video_line) },
            };
            (TriggerFrom::Channel(self.video_source), on)
        };
        let channel = |channel: &Channel| ChannelSetup {
            on: channel.on,
            coupling: [Coupling::Ac, Coupling::Dc, Coupling::Ground][channel.coupling.min(2)],
            full_scale_v: channel.division_v * STEPS / STEPS_A_DIVISION,
            centre_v: channel.centre_v,
        };
        Setup {
            channels: self.channels.iter().map(channel).collect(),
            points,
            dt_s: if self.peak { 2.0 * step_s } else { step_s },
            before_s: (0.5 * span_s - self.time_position_s).min(span_s),
            peak: self.peak,
            from,
            on,
            auto,
        }
    }

    fn source_word(from: TriggerFrom) -> String {
        match from {
            TriggerFrom::Channel(channel) => format!("CHAN{}", channel + 1),
            TriggerFrom::Line => "LINE".to_owned(),
            TriggerFrom::External | TriggerFrom::Immediate => "EXT".to_owned(),
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
        let (command, suffixes) = TABLE.find(nodes)?;
        let call = Call { suffixes, params };
        match *command {
            Command::Wave(wave) => return self.wave(wave, scope, query, &call, world),
            Command::Single | Command::Run | Command::Stop | Command::Force if query => {
                return Err(Code::UndefinedHeader.about("it cannot be read"));
            }
            Command::Single => {
                call.takes(0, 0)?;
                scope.arm(self.setup(&scope.specs, self.sweep == 0), world);
                return Ok(Reply::None);
            }
            Command::Run => {
                call.takes(0, 0)?;
                scope.run(self.setup(&scope.specs, self.sweep == 0), world);
                return Ok(Reply::None);
            }
            Command::Stop => {
                call.takes(0, 0)?;
                scope.stop(world);
                return Ok(Reply::None);
            }
            Command::Force => {
                call.takes(0, 0)?;
                if !scope.force(world) {
                    return Err(Code::TriggerIgnored.into());
                }
                return Ok(Reply::None);
            }
            Command::TriggerStatus | Command::Rate if !query => {
                return Err(Code::UndefinedHeader.about("it can only be read"));
            }
            _ => {}
        }
        if query {
            let unit = if scope.units { unit_of(*command) } else { "" };
            return Ok(Reply::Text(format!("{}{unit}", self.get(*command, scope, &call, world)?)));
        }
        call.takes(1, 1)?;
        self.set(*command, scope, &call)?;
        Ok(Reply::None)
    }

    fn set(&mut self, command: Command, scope: &Scope, call: &Call<'_>) -> Result<(), Fault> {
        let specs = &scope.specs;
        let count = self.channels.len();
        match command {
            Command::Display | Command::Scale | Command::Offset | Command::Coupling | Command::Probe => {
                let index = call.index(0, count)?;
                let Some(channel) = self.channels.get_mut(index) else { return Ok(()) };
                match command {
                    Command::Display => channel.on = call.flag(0)?,
                    Command::Coupling => channel.coupling = call.choice(0, &COUPLINGS)?,
                    Command::Probe => channel.probe = call.number(0, "", PROBE)?,
                    Command::Scale => {
                        channel.division_v = call.number(0, "V", times(DIVISION_V, channel.probe))? / channel.probe;
                    }
                    _ => channel.centre_v = call.number(0, "V", times(OFFSET_V, channel.probe))? / channel.probe,
                }
            }
            Command::TimeScale => self.time_scale_s = call.number(0, "S", TIME_SCALE)?,
            Command::TimePosition => self.time_position_s = call.number(0, "S", self.position_range())?,
            Command::AcquireType => self.peak = call.choice(0, &TYPES)? == 1,
            Command::Points => self.points = call.whole(0, points_range(specs))?,
            Command::TriggerMode => self.mode = call.choice(0, &MODES)?,
            Command::Sweep => self.sweep = call.choice(0, &SWEEPS)?,
            Command::EdgeSource => {
                self.edge_source = match call.numbered(0, "CHANnel", &["EXTernal", "LINE"])? {
                    Numbered::Other(0) if !specs.external => return Err(Code::HardwareMissing.about("EXTernal")),
                    Numbered::Other(0) => TriggerFrom::External,
                    Numbered::Other(_) => TriggerFrom::Line,
                    Numbered::Number(number) => TriggerFrom::Channel(channel_index(number, count)?),
                };
            }
            Command::EdgeSlope => self.edge_slope = call.choice(0, &SLOPES)?,
            Command::EdgeLevel => self.edge_level_v = call.number(0, "V", LEVEL)?,
            Command::VideoSource => match call.numbered(0, "CHANnel", &[])? {
                Numbered::Number(number) => self.video_source = channel_index(number, count)?,
                Numbered::Other(_) => return Err(Code::IllegalParameterValue.into()),
            },
            Command::VideoLines => match call.whole(0, Range { least: 525.0, greatest: 625.0, default: 525.0 })? {
                lines @ (525 | 625) => self.video_lines = lines,
                other => return Err(Code::IllegalParameterValue.about(format!("{other}, not 525|625"))),
            },
            Command::VideoMode => self.video_mode = call.choice(0, &FIELDS)?,
            Command::VideoLine => self.video_line = call.whole(0, self.line_range())?,
            Command::VideoPolarity => self.video_polarity = call.choice(0, &POLARITIES)?,
            Command::Rate
            | Command::Single
            | Command::Run
            | Command::Stop
            | Command::Force
            | Command::TriggerStatus
            | Command::Wave(_) => return Err(Code::UndefinedHeader.into()),
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
        let numeric = |value: f64, range: Range| call.asked(value, range).map(real);
        let word = |place: usize, words: &[&str]| -> Result<String, Fault> {
            call.takes(0, 0)?;
            Ok(words.get(place).map_or_else(String::new, |word| word_reply(word)))
        };
        match command {
            Command::Display | Command::Scale | Command::Offset | Command::Coupling | Command::Probe => {
                let index = call.index(0, self.channels.len())?;
                let Some(channel) = self.channels.get(index) else { return Err(Code::HeaderSuffixOutOfRange.into()) };
                match command {
                    Command::Display => word(usize::from(channel.on), &["0", "1"]),
                    Command::Coupling => word(channel.coupling, &COUPLINGS),
                    Command::Probe => numeric(channel.probe, PROBE),
                    Command::Scale => numeric(channel.division_v * channel.probe, times(DIVISION_V, channel.probe)),
                    _ => numeric(channel.centre_v * channel.probe, times(OFFSET_V, channel.probe)),
                }
            }
            Command::TimeScale => numeric(self.time_scale_s, TIME_SCALE),
            Command::TimePosition => numeric(self.time_position_s, self.position_range()),
            Command::AcquireType => word(usize::from(self.peak), &TYPES),
            Command::Points => Ok(call.asked(f64::from(self.points), points_range(&scope.specs))?.to_string()),
            Command::Rate => word(0, &[]).map(|_| self.rate(&scope.specs)),
            Command::TriggerMode => word(self.mode, &MODES),
            Command::Sweep => word(self.sweep, &SWEEPS),
            Command::EdgeSource => word(0, &[]).map(|_| Self::source_word(self.edge_source)),
            Command::EdgeSlope => word(self.edge_slope, &SLOPES),
            Command::EdgeLevel => numeric(self.edge_level_v, LEVEL),
            Command::VideoSource => word(0, &[]).map(|_| format!("CHAN{}", self.video_source + 1)),
            Command::VideoLines => word(0, &[]).map(|_| self.video_lines.to_string()),
            Command::VideoMode => word(self.video_mode, &FIELDS),
            Command::VideoLine => Ok(call.asked(f64::from(self.video_line), self.line_range())?.to_string()),
            Command::VideoPolarity => word(self.video_polarity, &POLARITIES),
            Command::TriggerStatus => {
                let state = match scope.told(world) {
                    Progress::Idle => "STOP",
                    Progress::Armed => "WAIT",
                    Progress::Triggered => "TD",
                    Progress::Running if self.sweep == 0 => "AUTO",
                    Progress::Running => "RUN",
                };
                word(0, &[state])
            }
            Command::Single | Command::Run | Command::Stop | Command::Force | Command::Wave(_) => {
                Err(Code::UndefinedHeader.into())
            }
        }
    }

    /// No more than the whole screen may lie before the trigger.
    fn position_range(&self) -> Range {
        Range { least: -0.5 * DIVISIONS * self.time_scale_s, greatest: 1000.0, default: 0.0 }
    }

    fn line_range(&self) -> Range {
        Range { least: 1.0, greatest: f64::from(self.video_lines), default: 1.0 }
    }
}

/// What a number is told in, by sets that do.
const fn unit_of(command: Command) -> &'static str {
    match command {
        Command::Scale | Command::Offset | Command::EdgeLevel => "V",
        Command::TimeScale | Command::TimePosition => "S",
        Command::Rate => "SA/S",
        _ => "",
    }
}

pub(super) fn times(range: Range, factor: f64) -> Range {
    Range { least: range.least * factor, greatest: range.greatest * factor, default: range.default * factor }
}

pub(super) fn points_range(specs: &Specs) -> Range {
    Range { least: POINTS_LEAST, greatest: f64::from(specs.points_greatest), default: f64::from(specs.points_default) }
}

pub(super) fn channel_index(number: u32, count: usize) -> Result<usize, Fault> {
    match (number as usize).checked_sub(1) {
        Some(index) if index < count => Ok(index),
        _ => Err(Code::IllegalParameterValue.about(format!("channel {number}, there are {count}"))),
    }
}
