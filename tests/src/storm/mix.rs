//! What a storm is made of: front ends, links, faults and requests, all drawn from one seed.

use crate::machines::Random;
use core::time::Duration;
use sim_instrument::{FrontEnd, Scaling};
use tapewright_formats::Signal;
use tapewright_instrument::link::faults::{Cuts, Spoil};
use tapewright_instrument::{CaptureRequest, Detection, Edge, Slope, Trigger};

/// The dialects under test, with the front end that speaks each.
pub const DIALECTS: &[(&str, FrontEnd)] = &[
    ("channel-timebase-waveform", FrontEnd::FamilyA(Scaling::A1)),
    ("channel-timebase-waveform/a2", FrontEnd::FamilyA(Scaling::A2)),
    ("channel-timebase-waveform/a3", FrontEnd::FamilyA(Scaling::A3)),
    ("channel-timebase-waveform/a4", FrontEnd::FamilyA(Scaling::A4)),
    ("channel-timebase-waveform/a4-header", FrontEnd::FamilyA(Scaling::A4)),
    ("scpi-99", FrontEnd::Scpi99),
    ("channel-horizontal-curve", FrontEnd::FamilyB),
    ("prefixed-channel-descriptor", FrontEnd::FamilyC),
];

/// Faults of one bench.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mix {
    /// A serial line of so many bits a second, whose bytes may be spoilt; none: a link that is
    /// checksummed, so that only whole replies and connections suffer.
    pub baud: Option<u32>,
    /// Whether the link has a device clear, as HiSLIP and USB test and measurement have.
    pub clears: bool,
    /// Bytes and chunks.
    pub spoil: Spoil,
    /// The whole link.
    pub cuts: Cuts,
    /// Chance, at each message, that the instrument is switched off and on.
    pub restart: f64,
    /// Chance that another instrument answers when the link is opened anew.
    pub another: f64,
    /// Whether the faults are there already when the scope is opened.
    pub from_start: bool,
}

impl Mix {
    /// The kind of link, in words.
    #[must_use]
    pub fn link(&self) -> String {
        match self.baud {
            Some(baud) => format!("serial, {baud} baud"),
            None if self.clears => "checksummed, with a device clear".to_owned(),
            None => "checksummed".to_owned(),
        }
    }

    /// Draws one.
    #[must_use]
    pub fn draw(random: &mut Random) -> Self {
        let baud = *random.one_of(&[None, Some(9600), Some(115_200), Some(921_600)]);
        let milliseconds = |random: &mut Random, low: f64, high: f64| {
            Duration::from_secs_f64(10_f64.powf(random.between(low.log10(), high.log10())) * 1e-3)
        };
        let rare = |random: &mut Random, most: f64| if random.chance(0.5) { random.between(0.0, most) } else { 0.0 };
        let mut spoil = Spoil { split: random.chance(0.5), ..Spoil::default() };
        spoil.late_by = milliseconds(random, 0.3, 6000.0);
        spoil.late_chunk = rare(random, 0.01);
        spoil.repeat_chunk = rare(random, 0.004);
        if baud.is_some() {
            // A share of bytes, from a good line to one that is unfit.
            let share = |random: &mut Random| {
                if random.chance(0.6) { 10_f64.powf(random.between(-5.0, -2.6)) } else { 0.0 }
            };
            spoil.drop_byte = share(random);
            spoil.double_byte = share(random);
            spoil.garble_byte = share(random);
            spoil.drop_sent = share(random);
            spoil.double_sent = share(random);
            spoil.garble_sent = share(random);
            spoil.drop_chunk = rare(random, 0.004);
            spoil.drop_message = rare(random, 0.01);
        }
        let cuts = Cuts {
            stall: rare(random, 0.01),
            stall_for: milliseconds(random, 1.0, 8000.0),
            half_close: rare(random, 0.002),
            gone: rare(random, 0.003),
            gone_in_reply: rare(random, 0.002),
            gone_for: milliseconds(random, 1.0, 3000.0),
        };
        Self {
            baud,
            clears: baud.is_none() && random.chance(0.5),
            spoil,
            cuts,
            restart: rare(random, 0.01),
            another: rare(random, 0.3),
            from_start: random.chance(0.25),
        }
    }
}

/// Draws a request; `video` is hooked up in place of the control track where it says so.
#[must_use]
pub fn request(random: &mut Random, video: bool) -> CaptureRequest {
    let second = if video { Signal::Video } else { Signal::ControlTrack };
    let signals: Vec<Signal> = match random.between(0.0, 3.0) as u32 {
        0 => vec![Signal::Rf],
        1 => vec![second],
        _ => vec![Signal::Rf, second],
    };
    let slope = if random.chance(0.5) { Slope::Rising } else { Slope::Falling };
    let span_s = *random.one_of(&[0.2e-3, 1e-3, 2e-3, 10e-3]);
    let trigger = match random.between(0.0, 4.0) as u32 {
        0 => Trigger::Free,
        1 => Trigger::Edge(Edge { signal: Signal::HeadSwitch, slope, level_v: Some(*random.one_of(&[1.5, 2.5])) }),
        2 if video => Trigger::Field(*random.one_of(&[0, 1, 2])),
        2 => Trigger::Edge(Edge { signal: Signal::ControlTrack, slope, level_v: Some(*random.one_of(&[-0.5, 0.8])) }),
        _ if video => Trigger::Line(*random.one_of(&[17, 100, 320])),
        _ => Trigger::Edge(Edge { signal: Signal::ControlTrack, slope, level_v: Some(1.0) }),
    };
    CaptureRequest {
        before_s: *random.one_of(&[0.0, 0.25, 0.5]) * span_s,
        least_points: *random.one_of(&[120, 200, 400]),
        trigger,
        detection: if random.chance(0.25) { Detection::Peak } else { Detection::Sample },
        count: *random.one_of(&[1, 1, 1, 2]),
        ..CaptureRequest::free(signals, span_s)
    }
}
