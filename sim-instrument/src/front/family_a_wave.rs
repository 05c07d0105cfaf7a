//! Family A's waveform words: source, format, part of memory, scaling, samples; in four scalings.

use super::family_a::{FamilyA, channel_index};
use crate::ieee488::call::{Numbered, word_reply};
use crate::ieee488::{Call, Code, Fault, Range, Reply, real};
use crate::scope::{Record, STEPS, Scope, ZERO_CODE};
use crate::world::World;

/// How codes become volts: the sub-families differ in ways that give wrong volts without any error
/// (instrument makers' manuals, not named).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scaling {
    /// `(raw - yref) * yinc + yorg`, `yorg` in volts.
    A1,
    /// `(raw - yorg - yref) * yinc`, `yorg` in counts.
    A2,
    /// `raw * yinc + yorg`, `raw` signed; the preamble has further fields, and its own codes of format.
    A3,
    /// `yorg + yinc * raw`; also per-channel queries instead of a preamble.
    A4,
}

impl Scaling {
    /// Spellings, in the order of the variants.
    pub const WORDS: [&'static str; 4] = ["A1", "A2", "A3", "A4"];

    /// By its spelling.
    #[must_use]
    pub fn named(word: &str) -> Option<Self> {
        match word {
            "A1" => Some(Self::A1),
            "A2" => Some(Self::A2),
            "A3" => Some(Self::A3),
            "A4" => Some(Self::A4),
            _ => None,
        }
    }
}

/// A waveform word.
#[derive(Debug, Clone, Copy)]
pub(super) enum Wave {
    Source,
    Format,
    ByteOrder,
    Start,
    Stop,
    Preamble,
    Data,
    ChannelData,
    ChannelHeader,
    ChannelOrigin,
    ChannelIncrement,
}

const FORMATS: [&str; 2] = ["BYTE", "WORD"];
const ORDERS: [&str; 2] = ["MSBFirst", "LSBFirst"];
const PLACE: Range = Range { least: 1.0, greatest: 4e9, default: 1.0 };

/// Settings of the waveform words.
#[derive(Debug)]
pub(super) struct WaveSettings {
    source: usize,
    word: bool,
    swapped: bool,
    first: u32,
    /// `None`: to the end.
    last: Option<u32>,
}

impl Default for WaveSettings {
    fn default() -> Self {
        Self { source: 0, word: false, swapped: false, first: 1, last: None }
    }
}

/// The vertical scaling of a trace in one scaling and format.
struct Scale {
    increment: f64,
    origin: f64,
    reference: f64,
}

impl FamilyA {
    pub(super) fn wave(
        &mut self,
        wave: Wave,
        scope: &mut Scope,
        query: bool,
        call: &Call<'_>,
        world: &mut World<'_>,
    ) -> Result<Reply, Fault> {
        let count = scope.specs.channels;
        if !query {
            call.takes(1, 1)?;
            match wave {
                Wave::Source => match call.numbered(0, "CHANnel", &[])? {
                    Numbered::Number(number) => self.wave.source = channel_index(number, count)?,
                    Numbered::Other(_) => return Err(Code::IllegalParameterValue.into()),
                },
                Wave::Format => self.wave.word = call.choice(0, &FORMATS)? == 1,
                Wave::ByteOrder => self.wave.swapped = call.choice(0, &ORDERS)? == 1,
                Wave::Start => self.wave.first = call.whole(0, PLACE)?,
                Wave::Stop => self.wave.last = Some(call.whole(0, PLACE)?),
                _ => return Err(Code::UndefinedHeader.about("it can only be read")),
            }
            return Ok(Reply::None);
        }
        let text = match wave {
            Wave::Source => format!("CHAN{}", self.wave.source + 1),
            Wave::Format => word_reply(FORMATS[usize::from(self.wave.word)]),
            Wave::ByteOrder => word_reply(ORDERS[usize::from(self.wave.swapped)]),
            Wave::Start => self.wave.first.to_string(),
            Wave::Stop => match self.wave.last {
                Some(last) => last.to_string(),
                None => {
                    let greatest = scope.specs.points_greatest;
                    scope.record(world).map_or(greatest, |record| record.setup.points).to_string()
                }
            },
            Wave::Preamble => self.preamble(record(scope, world)?)?,
            Wave::Data => {
                call.takes(0, if self.scaling == Scaling::A3 { 2 } else { 0 })?;
                let (mut first, mut last) = (self.wave.first, self.wave.last);
                if self.scaling == Scaling::A3 && !call.params.is_empty() {
                    first = call.whole(0, PLACE)?;
                    let size = if call.params.len() > 1 { Some(call.whole(1, PLACE)?) } else { None };
                    last = size.map(|size| first.saturating_add(size - 1));
                }
                let source = self.wave.source;
                let last = at_most(first, last, scope.most_a_reading);
                return self.data(record(scope, world)?, source, first, last).map(Reply::Block);
            }
            Wave::ChannelData | Wave::ChannelHeader | Wave::ChannelOrigin | Wave::ChannelIncrement => {
                if self.scaling != Scaling::A4 {
                    return Err(Code::UndefinedHeader.into());
                }
                let channel = call.index(0, count)?;
                call.takes(0, 0)?;
                let taken = record(scope, world)?;
                match wave {
                    Wave::ChannelData => return self.data(taken, channel, 1, None).map(Reply::Block),
                    Wave::ChannelOrigin => real(self.scale(taken, channel)?.origin),
                    Wave::ChannelIncrement => real(self.scale(taken, channel)?.increment),
                    _ => {
                        let from_s = -taken.setup.before_s;
                        let span_s = taken.setup.dt_s * taken.setup.items() as f64;
                        let values = if taken.setup.peak { 2 } else { 1 };
                        format!("{},{},{},{values}", real(from_s), real(from_s + span_s), taken.setup.items())
                    }
                }
            }
        };
        call.takes(0, 0)?;
        Ok(Reply::Text(text))
    }

    fn scale(&self, record: &Record, channel: usize) -> Result<Scale, Fault> {
        let trace = record.traces.get(channel).and_then(Option::as_ref).ok_or_else(|| off(channel))?;
        let probe = self.probe(channel);
        let steps = if self.wave.word { 256.0 } else { 1.0 };
        let increment = trace.setup.full_scale_v * probe / STEPS / steps;
        let centre_v = trace.setup.centre_v * probe;
        let middle = ZERO_CODE * steps;
        Ok(match self.scaling {
            Scaling::A1 => Scale { increment, origin: centre_v, reference: middle },
            Scaling::A2 => Scale { increment, origin: -centre_v / increment, reference: middle },
            Scaling::A3 => Scale { increment, origin: centre_v, reference: 0.0 },
            Scaling::A4 => Scale { increment, origin: centre_v - middle * increment, reference: 0.0 },
        })
    }

    /// Format, type, points, count, x increment, origin, reference, y increment, origin, reference.
    fn preamble(&self, record: &Record) -> Result<String, Fault> {
        let scale = self.scale(record, self.wave.source)?;
        let setup = &record.setup;
        let format = u8::from(self.wave.word) + u8::from(self.scaling == Scaling::A3);
        let step_s = if setup.peak { 0.5 * setup.dt_s } else { setup.dt_s };
        let mut text = format!(
            "{format},{},{},1,{},{},0,{},{},{}",
            u8::from(setup.peak),
            setup.points,
            real(step_s),
            real(-setup.before_s),
            real(scale.increment),
            real(scale.origin),
            scale.reference
        );
        if self.scaling == Scaling::A3 {
            // Coupling, display range and offset in x and y, date, time, model, modes, units, bandwidth.
            let span_s = setup.dt_s * setup.items() as f64;
            let further = format!(
                ",1,{},{},{},{},\"01 JAN 2000\",\"00:00:00\",\"SIM\",1,100,2,1,{},{}",
                real(span_s),
                real(-setup.before_s),
                real(scale.increment * STEPS),
                real(scale.origin),
                real(60e6),
                real(0.0)
            );
            text.push_str(&further);
        }
        Ok(text)
    }

    /// Codes of a part of the record, `first` and `last` counted from 1 and inclusive.
    fn data(&self, record: &Record, channel: usize, first: u32, last: Option<u32>) -> Result<Vec<u8>, Fault> {
        let trace = record.traces.get(channel).and_then(Option::as_ref).ok_or_else(|| off(channel))?;
        let from = first.saturating_sub(1) as usize;
        let to = last.map_or(usize::MAX, |last| last as usize).min(trace.codes.len());
        let codes = trace
            .codes
            .get(from..to)
            .ok_or_else(|| Code::SettingsConflict.about(format!("points {first} to {to} of {}", trace.codes.len())))?;
        let signed = self.scaling == Scaling::A3;
        // Taking 128 off an unsigned byte and reading it as signed is the same bits as adding 128.
        let byte = |code: u8| if signed { code.wrapping_add(128) } else { code };
        Ok(match (self.wave.word, self.wave.swapped) {
            (false, _) => codes.iter().map(|code| byte(*code)).collect(),
            (true, false) => codes.iter().flat_map(|code| [byte(*code), 0]).collect(),
            (true, true) => codes.iter().flat_map(|code| [0, byte(*code)]).collect(),
        })
    }
}

fn record<'a>(scope: &'a mut Scope, world: &mut World<'_>) -> Result<&'a Record, Fault> {
    scope.record(world).ok_or_else(|| Code::DataStale.about("no acquisition is complete"))
}

/// The last point of a reading that holds so many at most.
fn at_most(first: u32, last: Option<u32>, most: usize) -> Option<u32> {
    let most = u32::try_from(most).ok().map(|most| first.saturating_add(most - 1));
    match (last, most) {
        (Some(last), Some(most)) => Some(last.min(most)),
        (last, most) => last.or(most),
    }
}

fn off(channel: usize) -> Fault {
    Code::DataStale.about(format!("channel {} was off", channel + 1))
}
