//! The standard's own tree (SCPI-99 volumes 2 and 3: INPut, SENSe, TRIGger, INITiate, FORMat, TRACe).

use super::{DIVISION_V, OFFSET_V, STEPS_A_DIVISION};
use crate::ieee488::call::{Numbered, word_reply};
use crate::ieee488::parse::{Node, Param};
use crate::ieee488::{Call, Code, Fault, Range, Reply, Table, real};
use crate::scope::{ChannelSetup, Coupling, Progress, Record, STEPS, Scope, Setup, Specs, TriggerFrom, TriggerOn};
use crate::source::Slope;
use crate::world::World;
use std::sync::LazyLock;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Command {
    InputState,
    InputCoupling,
    RangePeak,
    RangeOffset,
    Points,
    Time,
    Interval,
    Reference,
    Offset,
    AverageType,
    AverageState,
    AverageCount,
    Source,
    Level,
    SlopeOf,
    Type,
    FieldSelect,
    FieldNumber,
    LineNumber,
    LinesPerFrame,
    Polarity,
    Initiate,
    Abort,
    Format,
    Order,
    Trace,
}

static TABLE: LazyLock<Table<Command>> = LazyLock::new(|| {
    Table::new([
        ("INPut<n>[:STATe]", Command::InputState),
        ("INPut<n>:COUPling", Command::InputCoupling),
        ("[SENSe:]VOLTage<n>[:DC]:RANGe:PTPeak", Command::RangePeak),
        ("[SENSe:]VOLTage<n>[:DC]:RANGe:OFFSet", Command::RangeOffset),
        ("[SENSe:]SWEep:POINts", Command::Points),
        ("[SENSe:]SWEep:TIME", Command::Time),
        ("[SENSe:]SWEep:TINTerval", Command::Interval),
        ("[SENSe:]SWEep:OREFerence:LOCation", Command::Reference),
        ("[SENSe:]SWEep:OFFSet:TIME", Command::Offset),
        ("[SENSe:]AVERage:TYPE", Command::AverageType),
        ("[SENSe:]AVERage[:STATe]", Command::AverageState),
        ("[SENSe:]AVERage:COUNt", Command::AverageCount),
        ("TRIGger[:SEQuence]:SOURce", Command::Source),
        ("TRIGger[:SEQuence]:LEVel", Command::Level),
        ("TRIGger[:SEQuence]:SLOPe", Command::SlopeOf),
        ("TRIGger[:SEQuence]:TYPE", Command::Type),
        ("TRIGger[:SEQuence]:VIDeo:FIELd:SELect", Command::FieldSelect),
        ("TRIGger[:SEQuence]:VIDeo:FIELd[:NUMBer]", Command::FieldNumber),
        ("TRIGger[:SEQuence]:VIDeo:LINE[:NUMBer]", Command::LineNumber),
        ("TRIGger[:SEQuence]:VIDeo:FORMat:LPFRame", Command::LinesPerFrame),
        ("TRIGger[:SEQuence]:VIDeo:SSIGnal[:POLarity]", Command::Polarity),
        ("INITiate[:IMMediate]", Command::Initiate),
        ("ABORt", Command::Abort),
        ("FORMat[:DATA]", Command::Format),
        ("FORMat:BORDer", Command::Order),
        ("TRACe[:DATA]", Command::Trace),
        ("DATA[:DATA]", Command::Trace),
    ])
});

const COUPLINGS: [&str; 3] = ["AC", "DC", "GROund"];
const SLOPES: [&str; 2] = ["POSitive", "NEGative"];
const TYPES: [&str; 2] = ["EDGE", "VIDeo"];
const AVERAGES: [&str; 1] = ["ENVelope"];
const SELECTS: [&str; 2] = ["ALL", "NUMBer"];
const POLARITIES: [&str; 2] = ["NEGative", "POSitive"];
const ORDERS: [&str; 2] = ["NORMal", "SWAPped"];
const LEVEL: Range = Range { least: -500.0, greatest: 500.0, default: 0.0 };
const TIME: Range = Range { least: 1e-8, greatest: 500.0, default: 10e-3 };
const FULL_SCALE_V: Range = Range {
    least: DIVISION_V.least * STEPS / STEPS_A_DIVISION,
    greatest: DIVISION_V.greatest * STEPS / STEPS_A_DIVISION,
    default: DIVISION_V.default * STEPS / STEPS_A_DIVISION,
};
const PLACE: Range = Range { least: 1.0, greatest: 4e9, default: 1.0 };

#[derive(Debug, Clone, Copy)]
struct Input {
    on: bool,
    coupling: usize,
    full_scale_v: f64,
    centre_v: f64,
}

/// Settings and words of a scope that follows the standard's tree.
#[derive(Debug)]
pub(crate) struct Scpi99 {
    inputs: Vec<Input>,
    points: u32,
    time_s: f64,
    reference: f64,
    offset_s: f64,
    average: bool,
    source: TriggerFrom,
    level_v: f64,
    slope: usize,
    video: bool,
    select: usize,
    field: u32,
    /// A line was asked for after the field was.
    line: Option<u32>,
    lines: u32,
    polarity: usize,
    bits: u32,
    order: usize,
}

impl Scpi99 {
    pub(crate) fn new(specs: &Specs) -> Self {
        let input = Input { on: false, coupling: 1, full_scale_v: FULL_SCALE_V.default, centre_v: 0.0 };
        let mut inputs = vec![input; specs.channels];
        if let Some(first) = inputs.first_mut() {
            first.on = true;
        }
        Self {
            inputs,
            points: specs.points_default,
            time_s: TIME.default,
            reference: 0.0,
            offset_s: 0.0,
            average: false,
            source: TriggerFrom::Immediate,
            level_v: 0.0,
            slope: 0,
            video: false,
            select: 0,
            field: 1,
            line: None,
            lines: 525,
            polarity: 0,
            bits: 8,
            order: 0,
        }
    }

    /// Time from point to point: the sweep's, or the least that the converter can do.
    fn interval_s(&self, specs: &Specs) -> f64 {
        (self.time_s / f64::from(self.points - 1)).max(1.0 / specs.rate_greatest_hz)
    }

    fn setup(&self, specs: &Specs) -> Setup {
        let interval_s = self.interval_s(specs);
        // The points of an envelope are its values, two to a pair.
        let values = if self.average { 2 } else { 1 };
        let slope = if self.slope == 0 { Slope::Rising } else { Slope::Falling };
        let on = match (self.video, self.polarity) {
            (false, _) => TriggerOn::Edge { slope, level_v: self.level_v },
            (true, 1) => TriggerOn::Never,
            (true, _) => {
                let field = (self.select == 1 && self.line.is_none()).then_some(self.field as u8);
                TriggerOn::Video { field, line: self.line }
            }
        };
        let channel = |input: &Input| ChannelSetup {
            on: input.on,
            coupling: [Coupling::Ac, Coupling::Dc, Coupling::Ground][input.coupling.min(2)],
            full_scale_v: input.full_scale_v,
            centre_v: input.centre_v,
        };
        let span_s = interval_s * f64::from(self.points - 1);
        let points = self.points / values * values;
        Setup {
            channels: self.inputs.iter().map(channel).collect(),
            points,
            dt_s: interval_s * f64::from(values),
            before_s: (self.reference * span_s - self.offset_s).min(span_s),
            peak: self.average,
            from: self.source,
            on,
            auto: false,
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
            Command::Trace if query => return self.trace(scope, &call, world).map(Reply::Block),
            Command::Initiate | Command::Abort | Command::Trace => {
                let only = if *command == Command::Trace { "it can only be read" } else { "it cannot be read" };
                if query || *command == Command::Trace {
                    return Err(Code::UndefinedHeader.about(only));
                }
                call.takes(0, 0)?;
                if *command == Command::Abort {
                    scope.stop(world);
                } else if scope.progress(world) == Progress::Idle {
                    scope.arm(self.setup(&scope.specs), world);
                } else {
                    return Err(Code::InitIgnored.about("an acquisition is under way"));
                }
                return Ok(Reply::None);
            }
            _ => {}
        }
        if query {
            let unit = if scope.units { unit_of(*command) } else { "" };
            return Ok(Reply::Text(format!("{}{unit}", self.get(*command, &scope.specs, &call)?)));
        }
        call.takes(1, if *command == Command::Format { 2 } else { 1 })?;
        self.set(*command, &scope.specs, &call)?;
        Ok(Reply::None)
    }

    fn set(&mut self, command: Command, specs: &Specs, call: &Call<'_>) -> Result<(), Fault> {
        let count = self.inputs.len();
        match command {
            Command::InputState | Command::InputCoupling | Command::RangePeak | Command::RangeOffset => {
                let index = call.index(0, count)?;
                let Some(input) = self.inputs.get_mut(index) else { return Ok(()) };
                match command {
                    Command::InputState => input.on = call.flag(0)?,
                    Command::InputCoupling => input.coupling = call.choice(0, &COUPLINGS)?,
                    Command::RangePeak => input.full_scale_v = call.number(0, "V", FULL_SCALE_V)?,
                    _ => input.centre_v = call.number(0, "V", OFFSET_V)?,
                }
            }
            Command::Points => self.points = call.whole(0, super::family_a::points_range(specs))?,
            Command::Time => self.time_s = call.number(0, "S", TIME)?,
            Command::Interval => {
                let each = f64::from(self.points - 1);
                let range =
                    Range { least: TIME.least / each, greatest: TIME.greatest / each, default: TIME.default / each };
                self.time_s = call.number(0, "S", range)? * each;
            }
            Command::Reference => {
                self.reference = call.number(0, "", Range { least: 0.0, greatest: 1.0, default: 0.0 })?
            }
            Command::Offset => self.offset_s = call.number(0, "S", OFFSET)?,
            Command::AverageType => {
                call.choice(0, &AVERAGES)?;
            }
            Command::AverageState => self.average = call.flag(0)?,
            Command::AverageCount => {
                call.whole(0, COUNT)?;
            }
            Command::Source => {
                self.source = match call.numbered(0, "INTernal", &["IMMediate", "EXTernal", "LINE"])? {
                    Numbered::Other(0) => TriggerFrom::Immediate,
                    Numbered::Other(1) if !specs.external => return Err(Code::HardwareMissing.about("EXTernal")),
                    Numbered::Other(1) => TriggerFrom::External,
                    Numbered::Other(_) => TriggerFrom::Line,
                    Numbered::Number(number) => TriggerFrom::Channel(super::family_a::channel_index(number, count)?),
                };
            }
            Command::Level => self.level_v = call.number(0, "V", LEVEL)?,
            Command::SlopeOf => self.slope = call.choice(0, &SLOPES)?,
            Command::Type => self.video = call.choice(0, &TYPES)? == 1,
            Command::FieldSelect => {
                self.select = call.choice(0, &SELECTS)?;
                self.line = None;
            }
            Command::FieldNumber => {
                self.field = call.whole(0, FIELD)?;
                self.line = None;
            }
            Command::LineNumber => self.line = Some(call.whole(0, self.line_range())?),
            Command::LinesPerFrame => match call.whole(0, LINES)? {
                lines @ (525 | 625) => self.lines = lines,
                other => return Err(Code::IllegalParameterValue.about(format!("{other}, not 525|625"))),
            },
            Command::Polarity => self.polarity = call.choice(0, &POLARITIES)?,
            Command::Format => {
                call.choice(0, &["INTeger"])?;
                if call.params.len() > 1 {
                    match call.whole(1, BITS)? {
                        bits @ (8 | 16) => self.bits = bits,
                        other => return Err(Code::IllegalParameterValue.about(format!("{other}, not 8|16"))),
                    }
                }
            }
            Command::Order => self.order = call.choice(0, &ORDERS)?,
            Command::Initiate | Command::Abort | Command::Trace => return Err(Code::UndefinedHeader.into()),
        }
        Ok(())
    }

    fn get(&self, command: Command, specs: &Specs, call: &Call<'_>) -> Result<String, Fault> {
        let numeric = |value: f64, range: Range| call.asked(value, range).map(real);
        let whole = |value: u32, range: Range| call.asked(f64::from(value), range).map(|value| value.to_string());
        let text = |text: String| call.takes(0, 0).map(|()| text);
        match command {
            Command::InputState | Command::InputCoupling | Command::RangePeak | Command::RangeOffset => {
                let index = call.index(0, self.inputs.len())?;
                let Some(input) = self.inputs.get(index) else { return Err(Code::HeaderSuffixOutOfRange.into()) };
                match command {
                    Command::InputState => text(u8::from(input.on).to_string()),
                    Command::InputCoupling => text(word_reply(COUPLINGS[input.coupling.min(2)])),
                    Command::RangePeak => numeric(input.full_scale_v, FULL_SCALE_V),
                    _ => numeric(input.centre_v, OFFSET_V),
                }
            }
            Command::Points => whole(self.points, super::family_a::points_range(specs)),
            Command::Time => numeric(self.interval_s(specs) * f64::from(self.points - 1), TIME),
            Command::Interval => text(real(self.interval_s(specs))),
            Command::Reference => numeric(self.reference, Range { least: 0.0, greatest: 1.0, default: 0.0 }),
            Command::Offset => numeric(self.offset_s, OFFSET),
            Command::AverageType => text(word_reply(AVERAGES[0])),
            Command::AverageState => text(u8::from(self.average).to_string()),
            Command::AverageCount => whole(1, COUNT),
            Command::Source => text(match self.source {
                TriggerFrom::Immediate => "IMM".to_owned(),
                TriggerFrom::Channel(channel) => format!("INT{}", channel + 1),
                TriggerFrom::External => "EXT".to_owned(),
                TriggerFrom::Line => "LINE".to_owned(),
            }),
            Command::Level => numeric(self.level_v, LEVEL),
            Command::SlopeOf => text(word_reply(SLOPES[self.slope])),
            Command::Type => text(word_reply(TYPES[usize::from(self.video)])),
            Command::FieldSelect => text(word_reply(SELECTS[self.select])),
            Command::FieldNumber => whole(self.field, FIELD),
            Command::LineNumber => whole(self.line.unwrap_or(1), self.line_range()),
            Command::LinesPerFrame => whole(self.lines, LINES),
            Command::Polarity => text(word_reply(POLARITIES[self.polarity])),
            Command::Format => text(format!("INT,{}", self.bits)),
            Command::Order => text(word_reply(ORDERS[self.order])),
            Command::Initiate | Command::Abort | Command::Trace => Err(Code::UndefinedHeader.into()),
        }
    }

    fn line_range(&self) -> Range {
        Range { least: 1.0, greatest: f64::from(self.lines), default: 1.0 }
    }

    /// Signed codes of `CH<n>`, whole or `count` from `first` on (counted from 1).
    fn trace(&self, scope: &mut Scope, call: &Call<'_>, world: &mut World<'_>) -> Result<Vec<u8>, Fault> {
        call.takes(1, 3)?;
        let Numbered::Number(number) = call.numbered(0, "CH", &[])? else {
            return Err(Code::IllegalParameterValue.into());
        };
        let channel = super::family_a::channel_index(number, self.inputs.len())?;
        let first = if call.params.len() > 1 { call.whole(1, PLACE)? as usize - 1 } else { 0 };
        let count = if call.params.len() > 2 { call.whole(2, PLACE)? as usize } else { usize::MAX };
        let count = count.min(scope.most_a_reading);
        let record: &Record = scope.record(world).ok_or_else(|| Code::DataStale.about("no acquisition is complete"))?;
        let trace = record.traces.get(channel).and_then(Option::as_ref);
        let trace = trace.ok_or_else(|| Code::DataStale.about(format!("channel {number} was off")))?;
        let last = first.saturating_add(count).min(trace.codes.len());
        let codes = trace.codes.get(first..last).ok_or_else(|| {
            Code::DataOutOfRange.about(format!("from point {} on, of {}", first + 1, trace.codes.len()))
        })?;
        // Taking 128 off an unsigned byte and reading it as signed is the same bits as adding 128.
        let byte = |code: &u8| code.wrapping_add(128);
        Ok(match (self.bits, self.order) {
            (8, _) => codes.iter().map(byte).collect(),
            (_, 0) => codes.iter().flat_map(|code| [byte(code), 0]).collect(),
            _ => codes.iter().flat_map(|code| [0, byte(code)]).collect(),
        })
    }
}

/// What a number is told in, by sets that do.
const fn unit_of(command: Command) -> &'static str {
    match command {
        Command::RangePeak | Command::RangeOffset | Command::Level => " V",
        Command::Time | Command::Interval | Command::Offset => " s",
        _ => "",
    }
}

const OFFSET: Range = Range { least: -500.0, greatest: 500.0, default: 0.0 };
const COUNT: Range = Range { least: 1.0, greatest: 1.0, default: 1.0 };
const FIELD: Range = Range { least: 1.0, greatest: 2.0, default: 1.0 };
const LINES: Range = Range { least: 525.0, greatest: 625.0, default: 525.0 };
const BITS: Range = Range { least: 8.0, greatest: 16.0, default: 8.0 };
