//! Slow records of the rail, two at unlike rates, and more where an alias of a fast ripple may lie upon a slow one.

use crate::SLOW_HZ;
use tapewright_sdk::measure::ripple::{Ripple, ripple};
use tapewright_sdk::prelude::*;

/// More slow ones, for where an alias of a fast ripple may lie upon a slow one: at these rates it lies elsewhere.
const MORE: [(f64, u32); 2] = [(0.22, 1543), (0.31, 1801)];

/// Share of what is known that may stand beside it before more records are taken.
const LITTLE: f64 = 0.1;

/// Rates are unlike from here on (relative).
const UNLIKE: f64 = 0.03;

pub(crate) fn record((span_s, points): (f64, u32)) -> Result<(Trace, f64)> {
    let capture = Acquire::of(&[Signal::Supply]).span_s(span_s).least_points(points).take_one()?;
    Ok((capture.trace(Signal::Supply)?.samples()?, capture.info.timebase_uncertainty))
}

fn unlike(first: &Trace, second: &Trace) -> bool {
    (first.dt_s() / second.dt_s() - 1.0).abs() >= UNLIKE
}

pub(crate) fn records(plan: [(f64, u32); 2]) -> Result<([Trace; 2], f64)> {
    let ((first, u), (second, _)) = (record(plan[0])?, record(plan[1])?);
    if !unlike(&first, &second) {
        let why = "the scope takes both records at the same rate, so that an alias cannot be told from a line: that takes a scope with finer steps of its time base";
        return Err(Unable::new(UnableCode::NotPossible, why));
    }
    Ok(([first, second], u))
}

/// What two slow records show, without the aliases of what the fast ones do.
pub(crate) struct Slow {
    pub(crate) ripple: Ripple,
    /// Peak to peak that what was taken out leaves unknown.
    pub(crate) in_aliases_v: f64,
    /// Peak to peak of what neither the parts nor the fast ones' explain.
    pub(crate) beside_v: f64,
    /// Peak to peak of what was taken out as an alias: a line of the rail's own may be under it.
    taken_out_v: f64,
}

impl Slow {
    pub(crate) fn of(mut ripple: Ripple, fast: Option<&Ripple>) -> Self {
        let fast = fast.map_or(&[][..], |fast| &fast.parts);
        let sum_v = |ripple: &Ripple| ripple.parts.iter().map(|part| part.peak_to_peak_v.value).sum::<f64>();
        let all_v = sum_v(&ripple);
        let in_aliases_v = ripple.without_aliases(fast);
        let beside_v = ripple.beside_v(fast, 0.0);
        let taken_out_v = all_v - sum_v(&ripple);
        Self { ripple, in_aliases_v, beside_v, taken_out_v }
    }

    /// Peak to peak that may be an alias, or hide behind one.
    fn unclear_v(&self) -> f64 {
        let unlike_v: f64 = self.ripple.parts.iter().map(|part| part.unlike_v).sum();
        self.in_aliases_v + self.taken_out_v + unlike_v + self.beside_v
    }

    /// Little of it stands beside what is known, and none upon it.
    fn clear(&self, fast: Option<&Ripple>) -> bool {
        let parts = self.ripple.parts.iter().chain(fast.iter().flat_map(|fast| &fast.parts));
        let known_v: f64 = parts.map(|part| part.peak_to_peak_v.value).sum();
        self.unclear_v() <= self.beside_v && self.beside_v <= LITTLE * known_v
    }

    /// Where it is unclear: of all pairs of records, more of which are taken, the one that is clearest.
    pub(crate) fn or_clearer(
        mut self,
        mut records: Vec<Trace>,
        timebase_u: f64,
        fast: Option<&Ripple>,
        mut take: impl FnMut((f64, u32)) -> Result<(Trace, f64)>,
    ) -> Result<Self> {
        let mut more = MORE.into_iter();
        let mut pairs = vec![(1, 0)];
        while !self.clear(fast) {
            let Some((a, b)) = pairs.pop() else {
                let Some(plan) = more.next() else { break };
                match take(plan) {
                    Ok((trace, _)) => records.push(trace),
                    Err(unable) if unable.code == UnableCode::NotPossible => continue,
                    Err(unable) => return Err(unable),
                }
                let last = records.len() - 1;
                pairs = (0..last).flat_map(|other| [(last, other), (other, last)]).collect();
                continue;
            };
            if !unlike(&records[a], &records[b]) {
                continue;
            }
            // A record too slow or too short for the band is of no use here.
            let Ok(ripple) = ripple(&records[a], &records[b], SLOW_HZ, timebase_u) else { continue };
            let other = Self::of(ripple, fast);
            if other.unclear_v() < self.unclear_v() {
                self = other;
            }
        }
        Ok(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{FAST, FAST_HZ, SLOW};
    use std::f64::consts::TAU;

    /// Rails that are drawn.
    const RAILS: u64 = 48;

    struct Draw(u64);

    impl Draw {
        fn uniform(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / (1_u64 << 53) as f64
        }

        fn between(&mut self, low: f64, high: f64) -> f64 {
            low + (high - low) * self.uniform()
        }
    }

    /// A rail with ripple of the mains, two harmonics, and of a converter, two odd ones: amplitude and frequency of each fundamental.
    struct Rail {
        mains: (f64, f64),
        converter: (f64, f64),
        noise_v: f64,
    }

    impl Rail {
        fn wave(&self, t: f64) -> f64 {
            let ((a, hz), (b, fast_hz)) = (self.mains, self.converter);
            let (slow, fast) = (TAU * hz * t, TAU * (fast_hz * t).fract());
            a * (slow.cos() + 0.3 * (2.0 * slow + 1.3).cos()) + b * (fast.cos() + (3.0 * fast).cos() / 9.0)
        }

        /// A record, as a converter of eight bits takes it some time after the one before.
        fn record(&self, draw: &mut Draw, span_s: f64, points: u32) -> Trace {
            let (start, dt_s) = (draw.between(0.0, 1.0), span_s / f64::from(points));
            let step_v = 3.0 * (self.mains.0 + self.converter.0) / 200.0;
            let volts = (0..points).map(|i| {
                let noise = (draw.uniform() + draw.uniform() + draw.uniform() - 1.5) * 2.0 * self.noise_v;
                ((12.0 + self.wave(start + f64::from(i) * dt_s) + noise) / step_v).round() * step_v
            });
            let volts: Vec<f32> = volts.map(|v| v as f32).collect();
            Trace::from_volts(0.0, dt_s, volts).unwrap()
        }

        fn peak_to_peak_v(&self) -> f64 {
            let span = |of: &dyn Fn(f64) -> f64| {
                let looks = || (0..5_000).map(|k| of(f64::from(k) / 5_000.0));
                looks().fold(f64::MIN, f64::max) - looks().fold(f64::MAX, f64::min)
            };
            let slow = Self { converter: (0.0, 1.0), mains: (self.mains.0, 1.0), noise_v: 0.0 };
            let fast = Self { mains: (0.0, 1.0), converter: (self.converter.0, 1.0), noise_v: 0.0 };
            span(&|t| slow.wave(t)) + span(&|t| fast.wave(t))
        }
    }

    /// What is made of a rail: peak to peak, and from where to where.
    fn seen(rail: &Rail, draw: &mut Draw, time_base: fn(f64) -> f64) -> [f64; 3] {
        // The scope's clock is off by so much.
        let clock = 1.0 + draw.between(-5e-5, 5e-5);
        let mut take = |(span_s, points): (f64, u32)| {
            let set_s = time_base(span_s);
            let points = (f64::from(points) * set_s / span_s).ceil() as u32;
            let trace = rail.record(draw, set_s * clock, points);
            (Trace::from_volts(0.0, trace.dt_s() / clock, trace.volts().to_vec()).unwrap(), 5e-5)
        };
        let mut both = |plan: [(f64, u32); 2]| plan.map(|plan| take(plan).0);
        let ([a, b], [c, d]) = (both(SLOW), both(FAST));
        let fast = ripple(&c, &d, FAST_HZ, 5e-5).unwrap();
        let slow = Slow::of(ripple(&a, &b, SLOW_HZ, 5e-5).unwrap(), Some(&fast));
        let slow = slow.or_clearer(vec![a, b], 5e-5, Some(&fast), |plan| Ok(take(plan))).unwrap();
        let parts: Vec<_> = slow.ripple.parts.iter().chain(&fast.parts).collect();
        let of =
            |each: fn(&tapewright_sdk::measure::ripple::Part) -> f64| parts.iter().map(|part| each(part)).sum::<f64>();
        let (value, unlike_v) = (of(|part| part.peak_to_peak_v.value), of(|part| part.unlike_v));
        let half_v = of(|part| 2.0 * part.peak_to_peak_v.standard_uncertainty);
        [value, value - half_v - unlike_v, value + half_v + unlike_v + crate::beside(&slow, Some(&fast))]
    }

    /// Wherever the converter's aliases lie, upon the mains' ripple too, on scopes that take any span and on those that step it.
    #[test]
    fn aliases_upon_lines_of_the_mains_are_no_ripple() {
        let steps: fn(f64) -> f64 = |span_s| {
            let decade = 10_f64.powf(span_s.log10().floor());
            [1.0, 2.0, 2.5, 5.0, 10.0].into_iter().map(|step| step * decade).find(|set| *set > 0.999 * span_s).unwrap()
        };
        let (mut beyond, mut wide) = (Vec::new(), 0);
        for k in 0..RAILS {
            let mut draw = Draw(k);
            draw.uniform();
            let mains_hz = [50.0, 60.0, 99.9, 119.9, 120.1][(draw.uniform() * 5.0) as usize];
            // Every other converter has its alias where the mains has a harmonic, at the first rate or at all that share it.
            let any_hz = draw.between(30e3, 130e3);
            let upon = (draw.uniform() * 6.0).ceil() * mains_hz + draw.between(-12.0, 12.0);
            let hz = if k % 2 == 0 { any_hz } else { (any_hz / 20e3).round() * 20e3 + upon };
            let size = draw.between(0.02, 0.5);
            let share = draw.between(0.15, 0.85);
            let rail = Rail {
                mains: (size * share, mains_hz),
                converter: (size * (1.0 - share), hz),
                noise_v: draw.between(0.001, 0.01) * size,
            };
            let truth = rail.peak_to_peak_v();
            let time_base: fn(f64) -> f64 = if k % 4 < 2 { |span_s| span_s } else { steps };
            let [value, low, high] = seen(&rail, &mut draw, time_base);
            if !(low..=high).contains(&truth) {
                beyond.push((k, mains_hz, hz, share, truth, value, low, high));
            }
            let off = (value / truth - 1.0).abs();
            // What an interval is for is stated by its ends; yet most of these rails are told well.
            wide += u32::from(off > 0.02 || high > 1.1 * truth);
            assert!(truth > low - 0.02 * truth && truth < high + 0.02 * truth, "{:?}", beyond.last());
        }
        assert!(beyond.len() <= 3 && wide <= 3, "{wide} wide, beyond: {beyond:?}");
    }
}
