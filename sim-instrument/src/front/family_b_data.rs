//! Family B's words for data: source, coding, width, part of the record, scaling, samples.

use super::family_a::channel_index;
use super::family_b::FamilyB;
use crate::ieee488::block::Digits;
use crate::ieee488::call::Numbered;
use crate::ieee488::table::reply_header;
use crate::ieee488::{Call, Code, Fault, Range, Reply, real};
use crate::scope::{Record, STEPS, STEPS_A_DIVISION, Scope, ZERO_CODE};
use crate::world::World;

/// A word for data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Data {
    Source,
    Encoding,
    Width,
    Start,
    Stop,
    /// All of the scaling.
    Preamble,
    /// One field of it.
    Field(usize),
    Curve,
}

/// Fields of the scaling, as printed and in the order in which they are sent.
const FIELDS: [&str; 16] = [
    "BYT_Nr", "BIT_Nr", "ENCdg", "BN_Fmt", "BYT_Or", "NR_Pt", "WFId", "PT_Fmt", "XINcr", "PT_Off", "XZEro", "XUNit",
    "YMUlt", "YZEro", "YOFf", "YUNit",
];

impl Data {
    pub(super) const ROWS: [(&'static str, Self); 23] = [
        ("DATa:SOUrce", Self::Source),
        ("DATa:ENCdg", Self::Encoding),
        ("DATa:WIDth", Self::Width),
        ("DATa:STARt", Self::Start),
        ("DATa:STOP", Self::Stop),
        ("CURVe", Self::Curve),
        ("WFMPre", Self::Preamble),
        ("WFMPre:BYT_Nr", Self::Field(0)),
        ("WFMPre:BIT_Nr", Self::Field(1)),
        ("WFMPre:ENCdg", Self::Field(2)),
        ("WFMPre:BN_Fmt", Self::Field(3)),
        ("WFMPre:BYT_Or", Self::Field(4)),
        ("WFMPre:NR_Pt", Self::Field(5)),
        ("WFMPre:WFId", Self::Field(6)),
        ("WFMPre:PT_Fmt", Self::Field(7)),
        ("WFMPre:XINcr", Self::Field(8)),
        ("WFMPre:PT_Off", Self::Field(9)),
        ("WFMPre:XZEro", Self::Field(10)),
        ("WFMPre:XUNit", Self::Field(11)),
        ("WFMPre:YMUlt", Self::Field(12)),
        ("WFMPre:YZEro", Self::Field(13)),
        ("WFMPre:YOFf", Self::Field(14)),
        ("WFMPre:YUNit", Self::Field(15)),
    ];
}

/// Codings: signed and unsigned with the most significant byte first, the same with it last, and text.
const ENCODINGS: [&str; 5] = ["RIBinary", "RPBinary", "SRIbinary", "SRPbinary", "ASCIi"];
const PLACE: Range = Range { least: 1.0, greatest: 4e9, default: 1.0 };
const WIDTH: Range = Range { least: 1.0, greatest: 2.0, default: 1.0 };

/// Settings of the words for data.
#[derive(Debug)]
pub(super) struct DataSettings {
    source: usize,
    encoding: usize,
    width: u32,
    first: u32,
    last: u32,
}

impl DataSettings {
    pub(super) const fn new() -> Self {
        Self { source: 0, encoding: 0, width: 1, first: 1, last: 2500 }
    }

    const fn signed(&self) -> bool {
        matches!(self.encoding, 0 | 2 | 4)
    }

    const fn text(&self) -> bool {
        self.encoding == 4
    }

    /// Places of the first and after the last point. A stop before the start is taken for the start, one
    /// beyond the record for its end.
    fn part(&self, points: usize) -> (usize, usize) {
        let (first, last) = (self.first.min(self.last) as usize, self.first.max(self.last) as usize);
        (first.saturating_sub(1).min(points), last.min(points))
    }
}

impl FamilyB {
    pub(super) fn data(
        &mut self,
        data: Data,
        printed: &'static str,
        scope: &mut Scope,
        query: bool,
        call: &Call<'_>,
        world: &mut World<'_>,
    ) -> Result<Reply, Fault> {
        if !query {
            call.takes(1, 1)?;
            match data {
                Data::Source => match call.numbered(0, "CH", &[])? {
                    Numbered::Number(number) => self.data.source = channel_index(number, scope.specs.channels)?,
                    Numbered::Other(_) => return Err(Code::IllegalParameterValue.into()),
                },
                Data::Encoding => self.data.encoding = call.choice(0, &ENCODINGS)?,
                Data::Width => self.data.width = call.whole(0, WIDTH)?,
                Data::Start => self.data.first = call.whole(0, PLACE)?,
                Data::Stop => self.data.last = call.whole(0, PLACE)?,
                _ => return Err(Code::UndefinedHeader.about("it can only be read")),
            }
            return Ok(Reply::None);
        }
        call.takes(0, 0)?;
        let text = match data {
            Data::Source => format!("CH{}", self.data.source + 1),
            Data::Encoding => self.word(ENCODINGS[self.data.encoding.min(4)]),
            Data::Width => self.data.width.to_string(),
            Data::Start => self.data.first.to_string(),
            Data::Stop => self.data.last.to_string(),
            Data::Field(place) => self.fields(record(scope, world)?)?.get(place).cloned().unwrap_or_default(),
            Data::Preamble => {
                let fields = self.fields(record(scope, world)?)?;
                if !self.headers {
                    return Ok(Reply::Text(fields.join(";")));
                }
                let named = FIELDS.iter().zip(fields).map(|(name, value)| format!("{} {value}", self.word(name)));
                let text = format!("{}:{}", reply_header(printed, &[], true), named.collect::<Vec<_>>().join(";"));
                return Ok(Reply::Text(text));
            }
            Data::Curve => {
                let most = scope.most_a_reading;
                let mut codes = self.codes(record(scope, world)?)?;
                codes.truncate(most);
                if self.data.text() {
                    let values: Vec<String> = codes.iter().map(|code| (i32::from(*code) - 128).to_string()).collect();
                    return Ok(Reply::Long(self.with_header(printed, &[], values.join(","))));
                } else {
                    let before = self.with_header(printed, &[], String::new());
                    return Ok(Reply::Headed { before, data: self.bytes(&codes), digits: Digits::AsNeeded });
                }
            }
        };
        Ok(Reply::Text(self.with_header(printed, &[], text)))
    }

    fn fields(&self, record: &Record) -> Result<[String; 16], Fault> {
        let settings = &self.data;
        let trace = record.traces.get(settings.source).and_then(Option::as_ref).ok_or_else(|| off(settings.source))?;
        let probe = self.panel.channels.get(settings.source).map_or(1.0, |channel| channel.probe);
        // Wider samples have the byte in their high half.
        let a_step = if settings.width == 2 { 256.0 } else { 1.0 };
        let y_multiple = trace.setup.full_scale_v * probe / STEPS / a_step;
        // The position moves the zero by steps; what is taken off as an offset stands in `YZEro`.
        let position = self.panel.channels.get(settings.source).map_or(0.0, |channel| channel.position);
        let middle = if settings.signed() { 0.0 } else { ZERO_CODE * a_step };
        let zero_code = middle + position * STEPS_A_DIVISION * a_step;
        let division_v = trace.setup.full_scale_v / STEPS * STEPS_A_DIVISION;
        let zero_v = (trace.setup.centre_v + position * division_v) * probe;
        let (first, last) = settings.part(trace.codes.len());
        let setup = &record.setup;
        let step_s = if setup.peak { 0.5 * setup.dt_s } else { setup.dt_s };
        let encoding = if settings.text() { "ASCIi" } else { "BINary" };
        Ok([
            settings.width.to_string(),
            (8 * settings.width).to_string(),
            self.word(encoding),
            if settings.signed() { "RI" } else { "RP" }.to_owned(),
            if matches!(settings.encoding, 2 | 3) { "LSB" } else { "MSB" }.to_owned(),
            (last - first).to_string(),
            format!("\"Ch{}, {} points; {} mode\"", settings.source + 1, trace.codes.len(), setup.peak_word()),
            if setup.peak { "ENV" } else { "Y" }.to_owned(),
            real(step_s),
            "0".to_owned(),
            real(-setup.before_s),
            "\"s\"".to_owned(),
            real(y_multiple),
            real(zero_v),
            real(zero_code),
            "\"V\"".to_owned(),
        ])
    }

    fn codes(&self, record: &Record) -> Result<Vec<u8>, Fault> {
        let source = self.data.source;
        let trace = record.traces.get(source).and_then(Option::as_ref).ok_or_else(|| off(source))?;
        let (first, last) = self.data.part(trace.codes.len());
        Ok(trace.codes.get(first..last).unwrap_or_default().to_vec())
    }

    fn bytes(&self, codes: &[u8]) -> Vec<u8> {
        // Taking 128 off an unsigned byte and reading it as signed is the same bits as adding 128.
        let byte = |code: &u8| if self.data.signed() { code.wrapping_add(128) } else { *code };
        match (self.data.width, self.data.encoding) {
            (1, _) => codes.iter().map(byte).collect(),
            (_, 2 | 3) => codes.iter().flat_map(|code| [0, byte(code)]).collect(),
            _ => codes.iter().flat_map(|code| [byte(code), 0]).collect(),
        }
    }
}

fn record<'a>(scope: &'a mut Scope, world: &mut World<'_>) -> Result<&'a Record, Fault> {
    scope.record(world).ok_or_else(|| Code::DataStale.about("no acquisition is complete"))
}

fn off(channel: usize) -> Fault {
    Code::DataStale.about(format!("CH{} is not turned on", channel + 1))
}
