//! Servo lock: what the phase of a pulse train against the head switch does over many looks.
//!
//! Looks are short captures, each with the time of its trigger. Between two looks the phase may have gone round any number
//! of whole periods; how many is found in two steps: a slope for which all phases fall together best on the circle (none
//! needs to be known before), then each phase next to the one before it, that slope taken off. Where another slope fits nearly as well,
//! the looks do not tell, and that is said.
//!
//! * ratio error: with `s = d phase / d t`, a turn of the drum holds `1 + e` cycles of the train, `e = s / (1 - s)`;
//! * jitter: how far looks lie from the straight line between their neighbours, less what the neighbours' own jitter adds: a
//!   slow course hardly moves it;
//! * swing: amplitude of a sine with the power that the phase has about its straight line beyond the jitter.

mod manner;

pub use manner::Manner;

use crate::error::{MeasureError, at_least, finite, positive};
use crate::estimate::{COVERAGE, Contribution, Estimate};
use crate::statistics::{deviation_interval, first_autocorrelation, left_of_rounding, moments_of_finite};

/// One look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// Time of its trigger.
    pub at_s: f64,
    /// Standard uncertainty of that.
    pub at_u_s: f64,
    /// Phase at the trigger: time from the nearest edge of the train, signed.
    pub phase_s: f64,
    /// Standard uncertainty of the phase from noise and sampling; it may repeat from look to look.
    pub phase_u_s: f64,
}

/// Which of the two keeps the format's rate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Nominal {
    /// The drum: the train is what is looked at.
    Drum,
    /// The train, a reference: the drum is.
    Train,
}

/// How phases go round.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turns {
    /// Period of the one that keeps the format's rate, in seconds.
    pub period_s: f64,
    /// Which one that is.
    pub nominal: Nominal,
    /// The train triggers, and the head switch's next edge is looked for; else the other way round.
    pub train_triggers: bool,
}

impl Turns {
    /// After what a phase is the same again, where it has a slope: the period of what is sampled. That of the train is `1 - s`
    /// times the drum's.
    fn round_s(self, slope: f64) -> f64 {
        match (self.nominal, self.train_triggers) {
            (Nominal::Drum, true) | (Nominal::Train, false) => self.period_s,
            (Nominal::Drum, false) => self.period_s * (1.0 - slope),
            (Nominal::Train, true) => self.period_s / (1.0 - slope),
        }
    }
}

/// Slopes are looked for up to this, either way: a drum or tape farther off speed is no matter of lock.
pub const STEEPEST: f64 = 0.05;
/// Two slopes whose looks fall together about as well cannot be told apart.
const AS_GOOD: f64 = 0.9;
/// A course whose neighbours agree this much is slow: first autocorrelation.
const SLOW: f64 = 0.4;

/// A record of phase.
#[derive(Debug, Clone, PartialEq)]
pub struct PhaseRecord {
    /// Times from the first look.
    pub times_s: Vec<f64>,
    /// Phases without jumps.
    pub phases_s: Vec<f64>,
    /// Straight line: mean phase, and slope.
    pub line: (f64, f64),
    /// Phases about the line.
    pub about_line_s: Vec<f64>,
    /// Period of the train.
    pub period_s: f64,
    phase_u_s: f64,
    at_u_s: f64,
}

/// How well phases fall together on the circle when a slope is taken off, 0 to 1.
fn together(looks: &[Look], slope: f64, period_s: f64) -> f64 {
    let turn = core::f64::consts::TAU / period_s;
    let (s, c) = looks.iter().fold((0.0, 0.0), |(s, c), look| {
        let angle = turn * (look.phase_s - slope * (look.at_s - looks[0].at_s));
        (s + angle.sin(), c + angle.cos())
    });
    f64::hypot(s, c) / looks.len() as f64
}

impl PhaseRecord {
    /// From looks in order of time.
    ///
    /// # Errors
    /// [`MeasureError::TooShort`] below eight looks, [`MeasureError::NotFinite`], [`MeasureError::NotSteady`] where the
    /// slope cannot be told.
    pub fn new(looks: &[Look], turns: Turns) -> Result<Self, MeasureError> {
        positive("period of a pulse train", turns.period_s)?;
        let mut record = Self::at_period(looks, turns.period_s, turns.train_triggers)?;
        for _ in 0..2 {
            record = Self::at_period(looks, turns.round_s(record.line.1), turns.train_triggers)?;
        }
        Ok(record)
    }

    fn at_period(looks: &[Look], period_s: f64, train_triggers: bool) -> Result<Self, MeasureError> {
        at_least("looks at a phase", looks.len(), 8)?;
        finite("phases", &looks.iter().flat_map(|l| [l.at_s, l.phase_s, l.phase_u_s, l.at_u_s]).collect::<Vec<_>>())?;
        let span_s = positive("time from first to last look", looks[looks.len() - 1].at_s - looks[0].at_s)?;
        let mut gaps: Vec<f64> = looks.windows(2).map(|w| w[1].at_s - w[0].at_s).collect();
        let gap_s = crate::statistics::median_in_place(&mut gaps);
        let slope = Self::slope(looks, period_s, span_s, gap_s)?;
        let times_s: Vec<f64> = looks.iter().map(|look| look.at_s - looks[0].at_s).collect();
        let mut phases_s = Vec::with_capacity(looks.len());
        let mut away = 0.0;
        for (look, time_s) in looks.iter().zip(&times_s) {
            let flat = look.phase_s - slope * time_s;
            let flat = away + (flat - away + 0.5 * period_s).rem_euclid(period_s) - 0.5 * period_s;
            away = flat;
            phases_s.push(flat + slope * time_s);
        }
        // The phase is that at the head switch, which comes a phase after a train that triggers.
        let first_s = phases_s[0];
        let later = |phase_s: &f64| if train_triggers { phase_s - first_s } else { 0.0 };
        let times_s: Vec<f64> = times_s.iter().zip(&phases_s).map(|(time_s, phase)| time_s + later(phase)).collect();
        // Straight line by least squares.
        let (mt, mp) = (moments_of_finite(times_s.iter().copied()), moments_of_finite(phases_s.iter().copied()));
        let products: f64 = times_s.iter().zip(&phases_s).map(|(t, p)| (t - mt.mean) * (p - mp.mean)).sum();
        let squares: f64 = times_s.iter().map(|t| (t - mt.mean).powi(2)).sum();
        let slope = products / squares;
        let about_line_s = times_s.iter().zip(&phases_s).map(|(t, p)| p - mp.mean - slope * (t - mt.mean)).collect();
        let rms = |of: fn(&Look) -> f64| (looks.iter().map(|l| of(l).powi(2)).sum::<f64>() / looks.len() as f64).sqrt();
        Ok(Self {
            times_s,
            phases_s,
            line: (mp.mean, slope),
            about_line_s,
            period_s,
            phase_u_s: rms(|look| look.phase_u_s),
            at_u_s: rms(|look| look.at_u_s),
        })
    }

    /// The slope for which the phases fall together best.
    fn slope(looks: &[Look], period_s: f64, span_s: f64, gap_s: f64) -> Result<f64, MeasureError> {
        // Looks that come so fast that no allowed slope goes round half a period between them need no search.
        if STEEPEST * gap_s < 0.3 * period_s
            && looks.windows(2).all(|w| STEEPEST * (w[1].at_s - w[0].at_s) < 0.45 * period_s)
        {
            return Ok(0.0);
        }
        let step = 0.2 * period_s / span_s;
        let count = (STEEPEST / step).ceil() as i64;
        let scores: Vec<(f64, f64)> =
            (-count..=count).map(|i| (i as f64 * step, together(looks, i as f64 * step, period_s))).collect();
        let best = scores.iter().fold((0.0, 0.0), |best: (f64, f64), s| if s.1 > best.1 { *s } else { best });
        // A rival is another peak, away from this one.
        let rival = scores
            .iter()
            .filter(|s| (s.0 - best.0).abs() > 2.0 * period_s / span_s)
            .fold(0.0, |greatest: f64, s| greatest.max(s.1));
        if best.1 < 0.3 || rival > AS_GOOD * best.1 {
            return Err(MeasureError::NotSteady {
                what: "phase of a pulse train",
                detail: format!(
                    "the looks lie {gap_s:.2} s apart and do not tell how often the phase went round between them; take them faster"
                ),
            });
        }
        Ok(best.0)
    }

    /// Time that the looks cover.
    #[must_use]
    pub fn observed_s(&self) -> f64 {
        self.times_s[self.times_s.len() - 1]
    }

    fn jitter_raw(&self) -> f64 {
        let (t, y) = (&self.times_s, &self.about_line_s);
        let squares: f64 = (1..y.len() - 1)
            .map(|i| {
                let before = (t[i + 1] - t[i]) / (t[i + 1] - t[i - 1]).max(f64::MIN_POSITIVE);
                let away = y[i] - before * y[i - 1] - (1.0 - before) * y[i + 1];
                away * away / (1.0 + before * before + (1.0 - before).powi(2))
            })
            .sum();
        (squares / (y.len() - 2) as f64).sqrt()
    }

    /// Jitter, in seconds.
    ///
    /// # Errors
    /// As [`Estimate::with_interval`].
    pub fn jitter(&self) -> Result<Estimate, MeasureError> {
        let raw = self.jitter_raw();
        // Neighbours share looks: correlations of -2/3 and 1/6 between second differences leave 18/35 of them.
        let dof = ((self.times_s.len() as f64 - 2.0) * 18.0 / 35.0).max(1.0);
        let (low, high) = deviation_interval(raw, dof, COVERAGE);
        let clean = |s: f64| (s * s - self.phase_u_s * self.phase_u_s).max(0.0).sqrt();
        let u = raw / (2.0 * dof).sqrt();
        Estimate::with_interval(
            clean(raw),
            clean(low),
            high.hypot(self.phase_u_s),
            u.hypot(0.5 * self.phase_u_s),
            Some(dof),
            vec![
                Contribution::type_a("number of looks", u, dof),
                Contribution::type_b("noise and sampling, taken off", 0.5 * self.phase_u_s),
            ],
        )
    }

    /// Variance about the line beyond the jitter.
    fn slow_variance(&self) -> f64 {
        let n = self.about_line_s.len() as f64;
        let all = self.about_line_s.iter().map(|x| x * x).sum::<f64>() / (n - 2.0).max(1.0);
        (all - self.jitter_raw().powi(2)).max(0.0)
    }

    /// Share of the variance about the line whose neighbours agree: near 0 for random scatter, near 1 for a slow course.
    #[must_use]
    pub fn slowness(&self) -> f64 {
        first_autocorrelation(&self.about_line_s).unwrap_or(0.0)
    }

    /// Whether the course about the line is slow beyond what chance gives.
    #[must_use]
    pub fn is_slow(&self) -> bool {
        let chance = 3.0 / (self.about_line_s.len() as f64).sqrt();
        self.slowness() > SLOW.max(chance)
    }

    /// Times that the slow course crosses its line, over two: about the cycles that were seen.
    #[must_use]
    pub fn cycles(&self) -> f64 {
        // Means of three keep jitter from crossing.
        let smooth: Vec<f64> = self.about_line_s.windows(3).map(|w| w.iter().sum::<f64>()).collect();
        let crossings = smooth.windows(2).filter(|w| w[0] * w[1] < 0.0).count();
        (crossings as f64 / 2.0).max(0.5)
    }

    /// Swing over the time watched, in seconds. Looks that come in bursts tell less than their count: a third of them counts.
    ///
    /// # Errors
    /// As [`Estimate::with_interval`].
    pub fn swing(&self) -> Result<Estimate, MeasureError> {
        let deviation = self.slow_variance().sqrt();
        let root2 = core::f64::consts::SQRT_2;
        let n = self.about_line_s.len() as f64;
        let dof = (n / 3.0 - 1.0).max(2.0);
        let (low, high) = deviation_interval(deviation, dof, COVERAGE);
        // Without a slow course only what the jitter could hide is left.
        let hidden = (2.0 / n).sqrt().sqrt() * self.jitter_raw() * root2 + self.phase_u_s;
        // Sampling that keeps step with a slow course shows it in steps: as much as `sqrt(3)` of its deviation may be these alone.
        let surely = (low * low - 3.0 * self.phase_u_s.powi(2)).max(0.0).sqrt();
        let (low, high) =
            if self.is_slow() { (root2 * surely, root2 * high) } else { (0.0, (root2 * high).max(hidden)) };
        let u = root2 * deviation / (2.0 * dof).sqrt();
        Estimate::with_interval(
            root2 * deviation,
            low,
            high,
            u,
            Some(dof),
            vec![Contribution::type_a("number of looks", u, dof), Contribution::type_b("jitter", hidden)],
        )
    }

    /// Standard uncertainty of the slope, and its degrees of freedom: scatter about the line with its correlation, sampling, trigger times.
    fn slope_u(&self) -> (Contribution, [Contribution; 2]) {
        let n = self.times_s.len() as f64;
        let m = moments_of_finite(self.times_s.iter().copied());
        let spread = m.standard_deviation * (n - 1.0).sqrt();
        let scatter = (self.about_line_s.iter().map(|x| x * x).sum::<f64>() / (n - 2.0).max(1.0)).sqrt();
        let r = if self.is_slow() { self.slowness().clamp(0.0, 0.95) } else { 0.0 };
        let effective = (n * (1.0 - r) / (1.0 + r)).clamp(3.0, n);
        let dof = (effective - 2.0).max(1.0);
        (
            Contribution::type_a("scatter of the phase", scatter / spread * (n / effective).sqrt(), dof),
            [
                Contribution::type_b(
                    "sampling that repeats",
                    self.sampling_u_s() * core::f64::consts::SQRT_2 / self.observed_s(),
                ),
                Contribution::type_b(
                    "times of the triggers",
                    self.line.1.abs() * self.at_u_s * core::f64::consts::SQRT_2 / self.observed_s(),
                ),
            ],
        )
    }

    /// Drift: slope of the phase, in seconds a second.
    ///
    /// # Errors
    /// As [`Estimate::combined`].
    pub fn drift(&self) -> Result<Estimate, MeasureError> {
        let (a, b) = self.slope_u();
        Estimate::combined(self.line.1, core::iter::once(a).chain(b).collect())
    }

    /// Ratio error, unit 1: cycles of the train a turn of the drum, less one.
    ///
    /// # Errors
    /// As [`Estimate::combined`].
    pub fn ratio_error(&self) -> Result<Estimate, MeasureError> {
        let s = self.line.1;
        // To first order; |s| is at most some per cent.
        let steep = 1.0 / (1.0 - s).powi(2);
        let shares = self
            .drift()?
            .contributions
            .into_iter()
            .map(|share| Contribution { standard_uncertainty: share.standard_uncertainty * steep, ..share })
            .collect();
        Estimate::combined(s / (1.0 - s), shares)
    }

    /// Mean phase, in seconds, modulo the period.
    ///
    /// # Errors
    /// As [`Estimate::combined`].
    pub fn phase(&self) -> Result<Estimate, MeasureError> {
        let n = self.about_line_s.len() as f64;
        let scatter = (self.about_line_s.iter().map(|x| x * x).sum::<f64>() / (n - 2.0).max(1.0)).sqrt();
        let effective = if self.is_slow() { (2.0 * self.cycles()).clamp(2.0, n) } else { n };
        Estimate::combined(
            self.line.0.rem_euclid(self.period_s),
            vec![
                Contribution::type_a("scatter of the phase", scatter / effective.sqrt(), (effective - 1.0).max(1.0)),
                Contribution::type_b("sampling that repeats", self.sampling_u_s()),
            ],
        )
    }

    /// What sampling leaves in a mean over looks, in seconds: all of it where edges and samples keep step, little where jitter
    /// spreads the edges over the samples (a part of the scatter then).
    fn sampling_u_s(&self) -> f64 {
        let jitter_s = (self.jitter_raw().powi(2) - self.phase_u_s.powi(2)).max(0.0).sqrt();
        left_of_rounding(self.phase_u_s * 12.0_f64.sqrt(), jitter_s)
    }
}
