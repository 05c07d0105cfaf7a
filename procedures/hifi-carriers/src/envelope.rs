//! The audio heads' envelope, by the power of under-sampled RF: two carriers at once, whatever their phases.

use crate::parameters as p;
use tapewright_sdk::formats::LineStandard;
use tapewright_sdk::heads::figure;
use tapewright_sdk::measure::curve::{HeadCurve, balance, flatness};
use tapewright_sdk::measure::demodulate::alias_of;
use tapewright_sdk::measure::power::{PowerNoise, levels_of_carriers};
use tapewright_sdk::measure::scan::{Head as ScanHead, scans_from_trigger};
use tapewright_sdk::measure::within::mean_amplitudes;
use tapewright_sdk::prelude::*;

/// Points of a record of one scan, so many at least and at most: a hundred and more a segment.
const POINTS: (u32, u32) = (2_170, 2_500);

/// Longer than a scan by this share.
const A_LITTLE: f64 = 1.02;

/// Heads switched through: which edge selects which.
pub(crate) struct Envelope {
    lines: LineStandard,
    high_is_a: bool,
    points: u32,
}

/// How far from 0 all that the square of two carriers holds beside their power lies under so many samples a second, as a
/// share of these: each carrier's double, the sum, the difference. What lies near 0 stands still under the samples, and a
/// segment then shows it as level, as much as the carriers' own power.
fn clear([left_hz, right_hz]: [f64; 2], rate_hz: f64) -> f64 {
    [2.0 * left_hz, 2.0 * right_hz, left_hz + right_hz, right_hz - left_hz]
        .iter()
        .map(|hz| alias_of(*hz, rate_hz).0 / rate_hz)
        .fold(0.5, f64::min)
}

/// The number of points over a span at which all that lies clearest; a scope that holds fewer takes what it holds.
fn clearest(carriers_hz: [f64; 2], span_s: f64, most: u32) -> u32 {
    let of = |points: u32| clear(carriers_hz, f64::from(points) / span_s);
    (POINTS.0..=POINTS.1.min(most)).step_by(10).max_by(|a, b| of(*a).total_cmp(&of(*b))).unwrap_or(most)
}

impl Envelope {
    /// Where the head switch is hooked up; none: it is not.
    pub(crate) fn of(lines: LineStandard, carriers_hz: [f64; 2]) -> Result<Option<Self>> {
        let Some(switch) = hookup()?.into_iter().find(|point| point.signal == Signal::HeadSwitch) else {
            return Ok(None);
        };
        let span_s = A_LITTLE / lines.field_rate_hz();
        let most = abilities().greatest_points;
        let points = clearest(carriers_hz, span_s, most);
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
                frames.push(levels_of_carriers(&trace, scan, floor)?);
            }
        }
        Ok(mean_amplitudes(HeadCurve::over_frames(&frames)?))
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand: 2,250 points over 20.4 ms are 110,294 a second, and 29 times that is 3.1985 MHz: the sum of
    /// 1.4 and 1.8 MHz lies 1.5 kHz beside it.
    #[test]
    fn sum_and_difference_count_as_the_doubles_do() {
        let got = clear([1.4e6, 1.8e6], 2_250.0 / 20.4e-3);
        assert!((got - 0.0133).abs() < 1e-4, "{got}");
    }

    #[test]
    fn both_standards_have_a_rate_that_is_clear() {
        for (carriers_hz, field_hz) in [([1.3e6, 1.7e6], 60.0 / 1.001), ([1.4e6, 1.8e6], 50.0)] {
            let span_s = A_LITTLE / field_hz;
            let points = clearest(carriers_hz, span_s, 2_500);
            let got = clear(carriers_hz, f64::from(points) / span_s);
            assert!(got > 0.2, "{carriers_hz:?}: {points} points, {got}");
        }
        assert_eq!(clearest([1.4e6, 1.8e6], 20.4e-3, 2_000), 2_000);
    }
}
