//! A scripted scope for tests of the scope room: settings by header, a sine, and codes of it.

use crate::common::{Instrument, Knobs, Say, Script};
use std::collections::HashMap;
use std::sync::{Arc, Mutex};

/// What the fake measures and how it misbehaves.
pub(crate) struct World {
    /// Volts at the test point of each channel: middle, amplitude, hertz.
    pub(crate) signals: [(f64, f64, f64); 2],
    /// Seconds from readiness to the trigger; none: it never comes.
    pub(crate) trigger_after_s: Option<f64>,
    /// Factor of the probes.
    pub(crate) probe: f64,
    /// Formula of family A.
    pub(crate) scaling: &'static str,
    /// Points that a record really has beside those set.
    pub(crate) extra_points: i64,
    /// Turns a byte of the next so many blocks.
    pub(crate) garble_blocks: u32,
    /// True trigger times.
    pub(crate) triggers: Vec<f64>,
    /// Forgets everything at the next arming.
    pub(crate) restart: bool,
    /// Settings that somebody changes at the scope's knobs: header and data.
    pub(crate) turned: Vec<(String, String)>,
    /// Whether it knows the command that forces a trigger.
    pub(crate) forces: bool,
}

impl Default for World {
    fn default() -> Self {
        Self {
            signals: [(0.0, 1.0, 1000.0), (2.5, 2.5, 30.0)],
            trigger_after_s: Some(0.020),
            probe: 10.0,
            scaling: "a1",
            extra_points: 0,
            garble_blocks: 0,
            triggers: Vec::new(),
            restart: false,
            turned: Vec::new(),
            forces: true,
        }
    }
}

pub(crate) type Shared = Arc<Mutex<World>>;

struct Fake {
    world: Shared,
    set: HashMap<String, String>,
    armed: Option<(f64, Option<f64>)>,
    family_a: bool,
}

/// An instrument that speaks family A (`true`) or the standard's tree.
pub(crate) fn fake_scope(family_a: bool, world: World) -> (Instrument, Shared, Arc<Mutex<Knobs>>) {
    let world = Arc::new(Mutex::new(world));
    let mut fake = Fake { world: Arc::clone(&world), set: HashMap::new(), armed: None, family_a };
    let script: Script = Box::new(move |unit, now| fake.unit(unit, now.as_secs_f64()));
    let (instrument, knobs) = Instrument::new(script);
    (instrument, world, knobs)
}

/// Words that are also known in their short form, in capitals.
const WORDS: [&str; 16] = [
    "CHANnel",
    "TIMebase",
    "ACQuire",
    "TRIGger",
    "WAVeform",
    "SOURce",
    "STARt",
    "PREamble",
    "STATus",
    "SINGle",
    "FORCe",
    "TRACe",
    "SENSe",
    "SWEep",
    "TINTerval",
    "POINts",
];

/// A header in long words, in capitals.
fn in_long(header: &str) -> String {
    let nodes = header.split(':').map(|node| {
        let letters = node.trim_end_matches(|c: char| c.is_ascii_digit() || c == '?');
        let short = |word: &&&str| word.chars().filter(char::is_ascii_uppercase).eq(letters.chars());
        let word = WORDS.iter().find(short).map_or(letters, |word| *word);
        format!("{word}{}", &node[letters.len()..]).to_ascii_uppercase()
    });
    nodes.collect::<Vec<_>>().join(":")
}

impl Fake {
    fn number(&self, header: &str, default: f64) -> f64 {
        self.set.get(header).and_then(|text| text.parse().ok()).unwrap_or(default)
    }

    fn word(&self, header: &str) -> &str {
        self.set.get(header).map_or("", String::as_str)
    }

    fn peak(&self) -> bool {
        if self.family_a { self.word("ACQUIRE:TYPE") == "PEAK" } else { self.word("SENSE:AVERAGE:STATE") == "ON" }
    }

    /// Points, seconds from point to point, seconds before the trigger.
    fn timing(&self) -> (i64, f64, f64) {
        if self.family_a {
            let points = self.number("ACQUIRE:POINTS", 2500.0);
            let span = self.number("TIMEBASE:SCALE", 1e-3) * 10.0;
            (points as i64, span / points, span / 2.0 - self.number("TIMEBASE:POSITION", 0.0))
        } else {
            let points = self.number("SENSE:SWEEP:POINTS", 2500.0);
            let between = self.number("SENSE:SWEEP:TIME", 1e-2);
            let before = self.number("SENSE:SWEEP:OREFERENCE:LOCATION", 0.0) * between;
            (points as i64, between / (points - 1.0), before)
        }
    }

    fn free(&self) -> bool {
        if self.family_a {
            self.word("TRIGGER:SWEEP") == "AUTO"
        } else {
            self.word("TRIGGER:SEQUENCE:SOURCE") == "IMMediate"
        }
    }

    fn arm(&mut self, now: f64) {
        let (_, _, before) = self.timing();
        let mut world = self.world.lock().unwrap();
        if core::mem::take(&mut world.restart) {
            self.set.clear();
            self.armed = None;
            return;
        }
        let ready = now + before;
        let trigger = if self.free() { Some(ready + 0.002) } else { world.trigger_after_s.map(|after| ready + after) };
        world.triggers.extend(trigger);
        self.armed = Some((now, trigger));
    }

    /// `(waiting, filling)` now.
    fn state(&self, now: f64) -> (bool, bool) {
        let (points, interval, before) = self.timing();
        match self.armed {
            None => (false, false),
            Some((_, Some(trigger))) if now >= trigger => (false, now < trigger + interval * points as f64 - before),
            Some(_) => (true, false),
        }
    }

    fn unit(&mut self, unit: &str, now: f64) -> Say {
        self.set.extend(core::mem::take(&mut self.world.lock().unwrap().turned));
        let (header, data) = unit.split_once(' ').unwrap_or((unit, ""));
        let header = in_long(header);
        let known = ["CHANNEL", "TIMEBASE", "ACQUIRE", "TRIGGER", "WAVEFORM", "SINGLE", "STOP"];
        let standard = ["INPUT", "SENSE", "TRIGGER", "INITIATE", "ABORT", "FORMAT", "TRACE", "STATUS"];
        let list: &[&str] = if self.family_a { &known } else { &standard };
        if !list.iter().any(|root| header.starts_with(root)) {
            return Say::Error(-113, "Undefined header");
        }
        match header.as_str() {
            "SINGLE" | "INITIATE:IMMEDIATE" => {
                self.arm(now);
                Say::Nothing
            }
            "TRIGGER:FORCE" if !self.world.lock().unwrap().forces => Say::Error(-113, "Undefined header"),
            "TRIGGER:FORCE" => {
                let (_, _, before) = self.timing();
                if let Some((armed, Some(trigger))) = &mut self.armed {
                    *trigger = armed.max(now) + before;
                    *self.world.lock().unwrap().triggers.last_mut().unwrap() = *trigger;
                }
                Say::Nothing
            }
            "STOP" | "ABORT" => {
                self.armed = None;
                Say::Nothing
            }
            "TRIGGER:STATUS?" => Say::Line(
                match self.state(now) {
                    (true, _) => "WAIT",
                    (_, true) => "TD",
                    _ => "STOP",
                }
                .into(),
            ),
            "STATUS:OPERATION:CONDITION?" => {
                let (waiting, filling) = self.state(now);
                Say::Line((u32::from(waiting) * 32 + u32::from(filling) * 16).to_string())
            }
            "SENSE:SWEEP:TINTERVAL?" => Say::Line(format!("{:E}", self.timing().1)),
            "WAVEFORM:PREAMBLE?" => self.preamble(),
            "WAVEFORM:DATA?" => {
                let first = self.number("WAVEFORM:START", 1.0) as i64;
                let last = self.number("WAVEFORM:STOP", 1.0) as i64;
                let channel = self.word("WAVEFORM:SOURCE").ends_with('2');
                self.data(usize::from(channel), first, last)
            }
            "TRACE:DATA?" => {
                let parts: Vec<&str> = data.split(',').collect();
                let (first, count): (i64, i64) = (parts[1].parse().unwrap(), parts[2].parse().unwrap());
                self.data(usize::from(parts[0].ends_with('2')), first, first + count - 1)
            }
            _ => match header.strip_suffix('?') {
                Some(header) => Say::Line(self.set.get(header).cloned().unwrap_or_else(|| "0".into())),
                None => {
                    self.set.insert(header, data.to_owned());
                    Say::Nothing
                }
            },
        }
    }

    /// Volts a step and volts at the middle, as the instrument means them, of a channel.
    fn vertical(&self, channel: usize) -> (f64, f64) {
        let n = channel + 1;
        if self.family_a {
            let step = self.number(&format!("CHANNEL{n}:SCALE"), 1.0) / 25.0;
            (step, self.number(&format!("CHANNEL{n}:OFFSET"), 0.0))
        } else {
            let step = self.number(&format!("SENSE:VOLTAGE{n}:DC:RANGE:PTPEAK"), 10.0) / 256.0;
            (step, self.number(&format!("SENSE:VOLTAGE{n}:DC:RANGE:OFFSET"), 0.0))
        }
    }

    fn preamble(&self) -> Say {
        if self.armed.is_none() {
            return Say::Error(-230, "Data corrupt or stale");
        }
        let (points, interval, before) = self.timing();
        let (step, centre) = self.vertical(usize::from(self.word("WAVEFORM:SOURCE").ends_with('2')));
        let (format, origin, reference) = match self.world.lock().unwrap().scaling {
            "a2" => (0, -centre / step, 128.0),
            "a3" => (1, centre, 0.0),
            "a4" => (0, centre - 128.0 * step, 0.0),
            _ => (0, centre, 128.0),
        };
        let kind = u8::from(self.peak());
        Say::Line(format!("{format},{kind},{points},1,{interval:E},{:E},0,{step:E},{origin:E},{reference:E}", -before))
    }

    fn data(&self, channel: usize, first: i64, last: i64) -> Say {
        let Some((_, Some(trigger))) = self.armed else { return Say::Error(-230, "Data corrupt or stale") };
        let (_, interval, before) = self.timing();
        let (step, centre) = self.vertical(channel);
        let mut world = self.world.lock().unwrap();
        let (middle, amplitude, hertz) = world.signals[channel];
        let back = if self.family_a { 1.0 } else { world.probe };
        let volts = |t: f64| (middle + amplitude * (core::f64::consts::TAU * hertz * t).sin()) / back;
        let signed = !self.family_a || world.scaling == "a3";
        let code = |v: f64| {
            let raw = ((v - centre) / step + 128.0).round().clamp(0.0, 255.0) as u8;
            if signed { raw.wrapping_sub(128) } else { raw }
        };
        let mut codes: Vec<u8> = (first..=last + world.extra_points)
            .map(|i| {
                let t = trigger - before + (i - 1) as f64 * interval;
                if !self.peak() {
                    return code(volts(t));
                }
                // Each pair: least and greatest of its bin.
                let start = trigger - before + ((i - 1) / 2 * 2) as f64 * interval;
                let inside = (0..64).map(|k| volts(start + 2.0 * interval * f64::from(k) / 64.0));
                code(if i % 2 == 1 { inside.fold(f64::MAX, f64::min) } else { inside.fold(f64::MIN, f64::max) })
            })
            .collect();
        if world.garble_blocks > 0 {
            world.garble_blocks -= 1;
            let place = codes.len() / 2;
            codes[place] ^= 0x40;
        }
        Say::Block(codes)
    }
}
