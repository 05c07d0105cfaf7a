//! Family C's words for data: format, order of bytes, part of the record, descriptor and samples.

use super::family_c::{FamilyC, Headers};
use crate::ieee488::block::Digits;
use crate::ieee488::{Call, Code, Fault, Range, Reply};
use crate::scope::{Record, STEPS, Scope};
use crate::world::World;

/// A word for data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Data {
    Format,
    Order,
    Part,
    Wave,
}

const WIDTHS: [&str; 2] = ["BYTE", "WORD"];
const ORDERS: [&str; 2] = ["HI", "LO"];
const WAVES: [&str; 3] = ["DESC", "DAT1", "ALL"];
const KEYS: [&str; 4] = ["SP", "NP", "FP", "SN"];
const COUNT: Range = Range { least: 0.0, greatest: 4e9, default: 0.0 };

/// Length of the descriptor.
pub(super) const DESCRIPTOR: usize = 346;
/// Record types: one sweep, and peak detection (from memory).
const SWEEP: u16 = 0;
const PEAK: u16 = 9;

/// Settings of the words for data.
#[derive(Debug)]
pub(super) struct DataSettings {
    word: bool,
    low_first: bool,
    /// Every so many points; 0 and 1: every one.
    sparsing: u32,
    /// 0: all.
    count: u32,
    /// From 0.
    first: u32,
}

impl DataSettings {
    pub(super) const fn new() -> Self {
        Self { word: false, low_first: false, sparsing: 0, count: 0, first: 0 }
    }
}

impl FamilyC {
    pub(super) fn data(
        &mut self,
        (data, short, long): (Data, &'static str, &'static str),
        scope: &mut Scope,
        query: bool,
        call: &Call<'_>,
        world: &mut World<'_>,
    ) -> Result<Reply, Fault> {
        if !query {
            match data {
                Data::Format => {
                    call.takes(3, 3)?;
                    call.choice(0, &["DEF9", "OFF"])?;
                    let word = call.choice(1, &WIDTHS)? == 1;
                    call.choice(2, &["BIN"])?;
                    self.data.word = word;
                }
                Data::Order => {
                    call.takes(1, 1)?;
                    self.data.low_first = call.choice(0, &ORDERS)? == 1;
                }
                Data::Part => self.part(call)?,
                Data::Wave => return Err(Code::UndefinedHeader.about("it can only be read")),
            }
            return Ok(Reply::None);
        }
        let settings = &self.data;
        let text = match data {
            Data::Format => format!("DEF9,{},BIN", WIDTHS[usize::from(settings.word)]),
            Data::Order => ORDERS[usize::from(settings.low_first)].to_owned(),
            Data::Part => {
                format!("SP,{},NP,{},FP,{},SN,0", settings.sparsing, settings.count, settings.first)
            }
            Data::Wave => {
                call.takes(1, 1)?;
                let what = call.choice(0, &WAVES)?;
                let channel = call.index(0, scope.specs.channels)?;
                let most = scope.most_a_reading;
                let record = scope.record(world).ok_or_else(|| Code::DataStale.about("no acquisition is complete"))?;
                let bytes = match what {
                    0 => self.descriptor(record, channel)?,
                    1 => self.samples(record, channel, most)?,
                    _ => [self.descriptor(record, channel)?, self.samples(record, channel, most)?].concat(),
                };
                let before = format!("{},", WAVES[what]);
                let before = if self.headers == Headers::Off {
                    before
                } else {
                    self.with_header(short, long, &call.suffixes, &before)
                };
                return Ok(Reply::Headed { before, data: bytes, digits: Digits::Fixed(9) });
            }
        };
        call.takes(0, 0)?;
        Ok(Reply::Text(self.with_header(short, long, &[], &text)))
    }

    /// `SP,4,NP,50,FP,10,SN,0`: keys and values in turn, any of them.
    fn part(&mut self, call: &Call<'_>) -> Result<(), Fault> {
        call.takes(2, 8)?;
        if !call.params.len().is_multiple_of(2) {
            return Err(Code::MissingParameter.about("keys and values in turn"));
        }
        let mut part = (self.data.sparsing, self.data.count, self.data.first);
        for place in (0..call.params.len()).step_by(2) {
            let value = call.whole(place + 1, COUNT)?;
            match call.choice(place, &KEYS)? {
                0 => part.0 = value,
                1 => part.1 = value,
                2 => part.2 = value,
                _ => {}
            }
        }
        (self.data.sparsing, self.data.count, self.data.first) = part;
        Ok(())
    }

    fn samples(&self, record: &Record, channel: usize, most: usize) -> Result<Vec<u8>, Fault> {
        let trace = record.traces.get(channel).and_then(Option::as_ref).ok_or_else(|| off(channel))?;
        let count = if self.data.count == 0 { usize::MAX } else { self.data.count as usize };
        let each = self.data.sparsing.max(1) as usize;
        let codes = trace.codes.iter().skip(self.data.first as usize).step_by(each).take(count.min(most));
        // Taking 128 off an unsigned byte and reading it as signed is the same bits as adding 128.
        let byte = |code: &u8| code.wrapping_add(128);
        Ok(match (self.data.word, self.data.low_first) {
            (false, _) => codes.map(byte).collect(),
            (true, false) => codes.flat_map(|code| [byte(code), 0]).collect(),
            (true, true) => codes.flat_map(|code| [0, byte(code)]).collect(),
        })
    }

    /// The descriptor, in the order of bytes in force.
    fn descriptor(&self, record: &Record, channel: usize) -> Result<Vec<u8>, Fault> {
        let trace = record.traces.get(channel).and_then(Option::as_ref).ok_or_else(|| off(channel))?;
        let probe = self.panel.channels.get(channel).map_or(1.0, |channel| channel.probe);
        let (word, low_first) = (self.data.word, self.data.low_first);
        let gain = trace.setup.full_scale_v * probe / STEPS / if word { 256.0 } else { 1.0 };
        let step_s = if record.setup.peak { 0.5 * record.setup.dt_s } else { record.setup.dt_s };
        let points = trace.codes.len() as u32;
        let mut out = vec![0_u8; DESCRIPTOR];
        let mut put = |place: usize, bytes: &[u8], ordered: bool| {
            let mut bytes = bytes.to_vec();
            if ordered && low_first {
                bytes.reverse();
            }
            if let Some(slot) = out.get_mut(place..place + bytes.len()) {
                slot.copy_from_slice(&bytes);
            }
        };
        for (place, text) in [(0, "WAVEDESC"), (16, "SIMULATED"), (76, "SIM"), (196, "V"), (244, "S")] {
            put(place, text.as_bytes(), false);
        }
        let width = if word { 2 } else { 1 };
        let (most, least) = if word { (32_512.0, -32_768.0) } else { (127.0, -128.0) };
        for (place, value) in [
            (32, u16::from(word)),
            (34, u16::from(low_first)),
            (172, if word { 16 } else { 8 }),
            (316, if record.setup.peak { PEAK } else { SWEEP }),
        ] {
            put(place, &value.to_be_bytes(), true);
        }
        for (place, value) in [
            (36, DESCRIPTOR as u32),
            (60, points * width),
            (116, points),
            (124, 0),
            (128, points.saturating_sub(1)),
            (132, self.data.first),
            (136, self.data.sparsing),
            (144, 1),
        ] {
            put(place, &value.to_be_bytes(), true);
        }
        for (place, value) in [
            (156, gain as f32),
            // Volts are gain times code, less this.
            (160, (0.0 - trace.setup.centre_v * probe) as f32),
            (164, most),
            (168, least),
            (176, step_s as f32),
        ] {
            put(place, &value.to_be_bytes(), true);
        }
        put(180, &(-record.setup.before_s).to_be_bytes(), true);
        Ok(out)
    }
}

fn off(channel: usize) -> Fault {
    Code::DataStale.about(format!("C{} is not shown", channel + 1))
}
