//! Bursts of looks at a pulse train: how wide the next ones are, and how many met no pulse.

use crate::unable::{Result, Unable};
use tapewright_formats::UnableCode;
use tapewright_measure::COVERAGE;
use tapewright_measure::servo::Look;
use tapewright_measure::statistics::share_interval;

/// Captures asked for in one go: a set-up of the scope takes longer than a capture.
pub(crate) const BURST: u32 = 6;
/// Share of a period beyond half of one that a whole look reaches to either side of its trigger.
const OVER: f64 = 0.15;
/// Share of a period beyond half of one at which an edge is followed on the trigger's other side.
const AROUND: f64 = 0.05;
/// A larger share of looks over a whole period without a pulse is no lock to speak of, whatever those that came do.
/// Common practice, no source.
const MOST_WITHOUT: f64 = 0.03;

/// How many looks were taken, and how many of them met no pulse.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Met {
    /// Looks over a whole period.
    pub whole: u64,
    /// Of these, without a pulse.
    pub whole_without: u64,
    /// Looks about the place where the phase stood.
    pub narrow: u64,
    /// Of these, without a pulse.
    pub narrow_without: u64,
}

impl Met {
    /// Share of the looks that met nothing, in words; none where all met something.
    #[must_use]
    pub fn remark(&self) -> Option<String> {
        let (without, all) = (self.whole_without + self.narrow_without, self.whole + self.narrow);
        let percent = 100.0 * without as f64 / all.max(1) as f64;
        (without > 0).then(|| format!("{without} of {all} looks ({percent:.1} %) met no pulse where one was due."))
    }

    /// Why nothing can be said of a lock: surely too many looks over a whole period met no pulse. A narrow look may also miss a
    /// pulse that came elsewhere, so these do not count here.
    #[must_use]
    pub fn too_few(&self, what_to_do: &str) -> Option<Unable> {
        let (low, _) = share_interval(self.whole_without, self.whole, COVERAGE).ok()?;
        let why = || {
            format!(
                "{} of {} looks over a whole period met no pulse, so those that came do not prove a lock: {what_to_do}",
                self.whole_without, self.whole
            )
        };
        (low > MOST_WITHOUT).then(|| Unable::new(UnableCode::SignalAbsent, why()))
    }
}

/// Which of a train's edges is looked at: the same one look after look, wherever its jitter takes it. The nearest to the trigger,
/// or the first in view, would be another one now and then, by how this one happened to come, and their mean be off.
#[derive(Debug, Clone, Default)]
pub(crate) struct Followed {
    /// Where it was last, from the trigger.
    at_s: Option<f64>,
}

impl Followed {
    /// The edge in a look, of those at these times from its trigger.
    pub(crate) fn edge_s(&mut self, times_s: &[f64], period_s: f64) -> Option<f64> {
        let last_s = self.at_s.unwrap_or(0.0);
        let seen_s = times_s.iter().copied().min_by(|a, b| (a - last_s).abs().total_cmp(&(b - last_s).abs()))?;
        // A neighbour stands in for one that did not come.
        let own_s = self.at_s.map_or(seen_s, |at_s| seen_s - ((seen_s - at_s) / period_s).round() * period_s);
        let around = own_s.abs() > (0.5 + AROUND) * period_s;
        self.at_s = Some(if around { own_s - period_s.copysign(own_s) } else { own_s });
        Some(seen_s)
    }
}

/// How wide the looks are.
#[derive(Debug, Clone)]
pub(crate) struct Bursts {
    period_s: f64,
    /// Whether the train is the one that is sampled.
    train_sampled: bool,
    /// Whether looks may be narrow at all.
    may_narrow: bool,
    /// Signed time from the trigger to the nearest edge, and the margin about it, where the phase stands.
    narrow: Option<(f64, f64)>,
    pub(crate) met: Met,
}

impl Bursts {
    pub(crate) const fn new(period_s: f64, train_sampled: bool, may_narrow: bool) -> Self {
        let met = Met { whole: 0, whole_without: 0, narrow: 0, narrow_without: 0 };
        Self { period_s, train_sampled, may_narrow, narrow: None, met }
    }

    /// A burst of looks, taken by `take` from a span and how much of it lies before the trigger. Looks that show no edge are
    /// left out, and counted.
    pub(crate) fn burst(&mut self, mut take: impl FnMut(f64, f64) -> Result<Vec<Option<Look>>>) -> Result<Vec<Look>> {
        let mut all = Vec::new();
        let mut left = None;
        if let Some((at_s, margin_s)) = self.narrow {
            let (from_s, to_s) = (at_s.min(0.0) - margin_s, at_s.max(0.0) + margin_s);
            let looks = take(to_s - from_s, -from_s)?;
            let taken = looks.len() as u64;
            all.extend(looks.into_iter().flatten());
            let without = taken - all.len() as u64;
            if without == 0 {
                self.met.narrow += taken;
                return Ok(all);
            }
            // The phase went away, or a pulse did not come: look at the whole period again.
            self.narrow = None;
            left = Some((at_s, margin_s, taken, without));
        }
        let looks = take((1.0 + 2.0 * OVER) * self.period_s, (0.5 + OVER) * self.period_s)?;
        let taken = looks.len() as u64;
        let looks: Vec<Look> = looks.into_iter().flatten().collect();
        self.met.whole += taken;
        self.met.whole_without += taken - looks.len() as u64;
        if let Some((at_s, margin_s, taken, without)) = left
            && !looks.is_empty()
            && looks.iter().all(|look| self.near(self.edge_s(look.phase_s) - at_s).abs() <= margin_s)
        {
            // It still stands there: pulses were missing, or came far off. From now on every look shall see where they come.
            self.may_narrow = false;
            self.met.narrow += taken;
            self.met.narrow_without += without;
        }
        self.narrow_down(&looks);
        all.extend(looks);
        Ok(all)
    }

    fn near(&self, time_s: f64) -> f64 {
        let half_s = 0.5 * self.period_s;
        (time_s + half_s).rem_euclid(self.period_s) - half_s
    }

    /// The train's edge comes a phase before the switch; if the train triggers, the switch a phase after it.
    const fn edge_s(&self, phase_s: f64) -> f64 {
        if self.train_sampled { -phase_s } else { phase_s }
    }

    /// Whether later looks may be shorter: the phase stands within a small part of the period.
    fn narrow_down(&mut self, looks: &[Look]) {
        if !self.may_narrow || looks.len() < BURST as usize {
            return;
        }
        let all: Vec<f64> = looks.iter().map(|look| self.near(look.phase_s)).collect();
        let (low, high) = all.iter().fold((f64::MAX, f64::MIN), |(l, h), x| (l.min(*x), h.max(*x)));
        if high - low > 0.02 * self.period_s || low < -0.46 * self.period_s || high > 0.46 * self.period_s {
            return;
        }
        let at_s = self.edge_s(0.5 * (low + high));
        self.narrow = Some((at_s, (4.0 * (high - low)).max(0.01 * self.period_s)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PERIOD_S: f64 = 1001.0 / 30_000.0;

    /// A train against the switch: look `n` comes at `n` tenths of a second, and its pulse, if any, at `pulse_s(n)`.
    struct Bench<P> {
        pulse_s: P,
        followed: Followed,
        n: usize,
        /// Spans of the bursts that were taken.
        spans_s: Vec<f64>,
    }

    impl<P: Fn(usize) -> Option<f64>> Bench<P> {
        fn of(pulse_s: P) -> Self {
            Self { pulse_s, followed: Followed::default(), n: 0, spans_s: Vec::new() }
        }

        fn play(&mut self, bursts: &mut Bursts, count: usize) -> Vec<Look> {
            let mut all = Vec::new();
            for _ in 0..count {
                let looks = bursts.burst(|span_s, before_s| {
                    self.spans_s.push(span_s);
                    let looks = (0..BURST).map(|_| {
                        self.n += 1;
                        let at_s = (self.pulse_s)(self.n)?;
                        let inside = |at_s: &f64| (-before_s..=span_s - before_s).contains(at_s);
                        let seen: Vec<f64> =
                            [at_s - PERIOD_S, at_s, at_s + PERIOD_S].into_iter().filter(inside).collect();
                        let seen = self.followed.edge_s(&seen, PERIOD_S)?;
                        Some(Look { at_s: 0.1 * self.n as f64, at_u_s: 0.0, phase_s: -seen, phase_u_s: 1e-6 })
                    });
                    Ok(looks.collect())
                });
                all.extend(looks.unwrap());
            }
            all
        }
    }

    fn bursts() -> Bursts {
        Bursts::new(PERIOD_S, true, true)
    }

    /// Evenly spread over 0 to 1, without a pattern that six looks could follow.
    fn uniform(n: usize) -> f64 {
        (n as f64 * 0.618_033_988_749_894_9).fract()
    }

    /// Whole looks at a train with jitter of two milliseconds to either side: mean and spread are those of its pulses, wherever in
    /// the look they come.
    #[test]
    fn jitter_does_not_choose_the_edge_that_is_looked_at() {
        let jitter_s = |n: usize| 2e-3 * (uniform(n) + uniform(7 * n + 3) - 1.0);
        let deviation_s = 2e-3 / 6.0_f64.sqrt();
        for share in [-0.5, -0.3, -0.14, 0.0, 0.12, 0.15, 0.35, 0.48, 0.5] {
            let (mut followed, mut errors_s) = (Followed::default(), Vec::new());
            for n in 0..600 {
                let pulses = (-2..=2).map(|k| (share + f64::from(k)) * PERIOD_S + jitter_s(5 * n + (k + 2) as usize));
                let reach_s = (0.5 + OVER) * PERIOD_S;
                let seen: Vec<f64> = pulses.filter(|at_s| at_s.abs() <= reach_s).collect();
                let away_s = followed.edge_s(&seen, PERIOD_S).unwrap() - share * PERIOD_S;
                errors_s.push(away_s - (away_s / PERIOD_S).round() * PERIOD_S);
            }
            let n = errors_s.len() as f64;
            let mean_s = errors_s.iter().sum::<f64>() / n;
            let spread_s = (errors_s.iter().map(|e| (e - mean_s).powi(2)).sum::<f64>() / n).sqrt();
            let says = format!("at {share} of a period: mean {mean_s:.2e}, spread {spread_s:.2e} of {deviation_s:.2e}");
            assert!(mean_s.abs() < 0.1 * deviation_s && (spread_s / deviation_s - 1.0).abs() < 0.08, "{says}");
        }
    }

    #[test]
    fn a_train_that_stands_is_looked_at_closely_and_nothing_is_remarked() {
        let mut bursts = bursts();
        let mut bench = Bench::of(|n| Some(0.004 + 2e-5 * (uniform(n) - 0.5)));
        assert_eq!(bench.play(&mut bursts, 20).len(), 120);
        assert!(bench.spans_s[1..].iter().all(|span_s| *span_s < 0.2 * PERIOD_S), "{:?}", bench.spans_s);
        assert_eq!(bursts.met, Met { whole: 6, whole_without: 0, narrow: 114, narrow_without: 0 });
        assert!(bursts.met.remark().is_none() && bursts.met.too_few("").is_none());
    }

    #[test]
    fn missing_pulses_are_counted_and_too_many_prove_nothing() {
        // Shares, and whether a hundred and twenty looks prove them too great.
        for (share, too_few) in [(0.4, true), (0.2, true), (0.1, true), (0.02, false)] {
            let mut bursts = bursts();
            let mut bench = Bench::of(|n| (uniform(n) >= share).then_some(0.004));
            let looks = bench.play(&mut bursts, 20);
            let met = bursts.met;
            // No look that showed a pulse is thrown away.
            assert_eq!(looks.len() as u64, met.whole + met.narrow - met.whole_without - met.narrow_without);
            assert_eq!((met.whole + met.narrow) as usize, bench.n, "{share}: {met:?}");
            let seen = (met.whole_without + met.narrow_without) as f64 / bench.n as f64;
            assert!((seen - share).abs() < 0.02, "{share}: {met:?}");
            assert!(met.remark().is_some_and(|text| text.contains("met no pulse")));
            let unable = met.too_few("run `control-track`, it counts missing pulses");
            assert_eq!(unable.is_some(), too_few, "{share}: {met:?}");
            if let Some(unable) = unable {
                let start = format!("{} of {} looks", met.whole_without, met.whole);
                assert!(unable.why.starts_with(&start) && unable.why.contains("control-track"), "{unable}");
            }
        }
    }

    #[test]
    fn pulses_far_off_are_seen_after_the_first_one() {
        // Each twentieth pulse comes two milliseconds late: not missing, and no narrow look sees it.
        let mut bursts = bursts();
        let mut bench = Bench::of(|n| Some(if n % 20 == 9 { 0.006 } else { 0.004 }));
        let looks = bench.play(&mut bursts, 30);
        let late = looks.iter().filter(|look| look.phase_s < -0.005).count();
        assert!(late >= 8, "{late} of {}", bench.n / 20);
        assert!(bursts.met.whole_without == 0 && bursts.met.too_few("").is_none(), "{:?}", bursts.met);
    }

    #[test]
    fn a_phase_that_walks_away_is_no_missing_pulse() {
        let mut bursts = bursts();
        let mut bench = Bench::of(|n| Some(0.004 + 4e-5 * n as f64));
        bench.play(&mut bursts, 40);
        assert!(bench.spans_s.iter().filter(|span_s| **span_s < 0.5 * PERIOD_S).count() > 5, "{:?}", bench.spans_s);
        assert!(bursts.met.remark().is_none() && bursts.met.too_few("").is_none(), "{:?}", bursts.met);
    }
}
