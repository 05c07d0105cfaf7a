//! The audio heads' envelope, by the power of under-sampled RF: two carriers at once, whatever their phases.

use crate::parameters as p;
use tapewright_sdk::formats::LineStandard;
use tapewright_sdk::heads::figure;
use tapewright_sdk::measure::curve::{HeadCurve, balance, flatness};
use tapewright_sdk::measure::demodulate::alias_of;
use tapewright_sdk::measure::picture::Picture;
use tapewright_sdk::measure::power::{PowerNoise, levels_by_power};
use tapewright_sdk::measure::scan::{Head as ScanHead, scans_from_trigger};
use tapewright_sdk::prelude::*;

/// Points of a record of one scan: a hundred and more a segment.
const POINTS: [u32; 6] = [2500, 2440, 2380, 2310, 2250, 2170];

/// Longer than a scan by this share.
const A_LITTLE: f64 = 1.02;

/// Heads switched through: which edge selects which.
pub(crate) struct Envelope {
    lines: LineStandard,
    high_is_a: bool,
    points: u32,
}

const NOTHING: Picture =
    Picture { even: true, colour_share: (0.0, 0.0), content: (1.0, 1.0), blanking: None, beside: None };

impl Envelope {
    /// Where the head switch is hooked up; none: it is not.
    pub(crate) fn of(lines: LineStandard, carriers_hz: [f64; 2]) -> Result<Option<Self>> {
        let Some(switch) = hookup()?.into_iter().find(|point| point.signal == Signal::HeadSwitch) else {
            return Ok(None);
        };
        let span_s = A_LITTLE / lines.field_rate_hz();
        let most = abilities().greatest_points;
        // A rate at which neither carrier's double falls near 0: else its phase would stand still under the samples.
        let clear = |points: u32| {
            let rate_hz = f64::from(points) / span_s;
            carriers_hz.iter().map(|hz| alias_of(2.0 * hz, rate_hz).0 / rate_hz).fold(0.5, f64::min)
        };
        let points =
            POINTS.into_iter().filter(|n| *n <= most).max_by(|a, b| clear(*a).total_cmp(&clear(*b))).unwrap_or(most);
        Ok(Some(Self { lines, high_is_a: switch.high_is_a, points }))
    }

    fn ask(&self) -> Acquire {
        Acquire::of(&[Signal::HifiRf]).span_s(A_LITTLE / self.lines.field_rate_hz()).least_points(self.points)
    }

    /// Scans of one head.
    pub(crate) fn take(&self, head: ScanHead, count: u32) -> Result<Vec<Capture>> {
        let slope = if self.high_is_a == (head == ScanHead::A) { Slope::Rising } else { Slope::Falling };
        self.ask().edge(Signal::HeadSwitch, slope).deadline_s(4.0).count(count).take()
    }

    /// The floor, in stop.
    pub(crate) fn floor(&self) -> Result<PowerNoise> {
        Ok(PowerNoise::from_quiet(&self.ask().take_one()?.trace(Signal::HifiRf)?.samples()?)?)
    }

    fn curve(&self, head: ScanHead, captures: &[Capture], floor: &PowerNoise) -> Result<HeadCurve> {
        let mut frames = Vec::new();
        for capture in captures {
            let trace = capture.trace(Signal::HifiRf)?.samples()?;
            let scans = scans_from_trigger(self.lines, head, trace.t0_s(), trace.t0_s() + trace.span_s());
            if let Some(scan) = scans.iter().find(|scan| scan.start_s.abs() < 1e-9) {
                frames.push(levels_by_power(&trace, scan, floor, &NOTHING)?);
            }
        }
        Ok(HeadCurve::over_frames(&frames)?)
    }

    /// Judges both heads.
    pub(crate) fn judge(
        &self,
        (a, b): (&[Capture], &[Capture]),
        floor: &PowerNoise,
        settings: &Settings,
        report: &mut Report,
    ) -> Result<()> {
        let (a, b) = (self.curve(ScanHead::A, a, floor).on("head-a")?, self.curve(ScanHead::B, b, floor).on("head-b")?);
        let limits = settings.at_least(&p::FLAT_GOOD, &p::FLAT_REJECT);
        let mut sags = 0;
        for (name, curve) in [("head-a", &a), ("head-b", &b)] {
            let flat = flatness(curve).on(name)?;
            let outcome =
                report.measured(Measured::new(format!("{name}.flatness"), Unit::One, &flat).judged(limits.clone()));
            sags += u32::from(outcome == Some(Outcome::Fail));
        }
        if sags > 0 {
            let which = if sags == 2 {
                "both audio heads sag: the path, or a head that stands at a wrong height"
            } else {
                "one audio head sags"
            };
            report.found(Finding::HifiSag, which);
        }
        let heads = balance(&a, &b).on("heads")?;
        let outcome = report.measured(Measured::new("heads.balance", Unit::Decibel, &heads).judged(settings.within(
            0.0,
            &p::HEADS_GOOD,
            &p::HEADS_REJECT,
        )));
        if outcome == Some(Outcome::Fail) {
            let weak = if heads.value < 0.0 { "the one with head B" } else { "the one with head A" };
            report.found(Finding::HifiHeadWeak, &format!("{weak}: {:+.1} dB", heads.value));
            report.advise("Clean the weak audio head by hand and look again.");
        }
        report.draw(figure("envelope of the audio heads", [("head-a", &a), ("head-b", &b)]));
        Ok(())
    }
}
