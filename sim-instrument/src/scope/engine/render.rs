//! From volts at the tip to codes in memory: the front end's coupling, extremes, the converter.

use super::super::convert::{Converter, STEPS, STEPS_A_DIVISION};
use super::super::shot::Coupling;
use super::{Scope, Shot};
use crate::rng::Rng;
use crate::source::{Bins, Point};
use crate::world::{Probe, Tip, World};

/// Samples rendered in one go.
const CHUNK: usize = 65_536;

impl Scope {
    /// What AC coupling takes off: the signal behind a first-order low-pass, at `t0_s + i * dt_s`, in
    /// volts at the connector.
    ///
    /// The low-pass starts settled on the mean of the six time constants before and follows the signal
    /// as seen through a narrow bandwidth, a thousand steps a time constant at most.
    pub(super) fn baseline(&self, probe: Probe, t0_s: f64, dt_s: f64, world: &mut World<'_>, out: &mut [f64]) {
        const MOST_STEPS: f64 = 400_000.0;
        const SETTLING: f64 = 6.0;
        let tau_s = 1.0 / (core::f64::consts::TAU * self.specs.ac_corner_hz);
        let from_s = t0_s - SETTLING * tau_s;
        let span_s = SETTLING * tau_s + dt_s * out.len().saturating_sub(1) as f64;
        let step_s = (tau_s / 1000.0).max(span_s / MOST_STEPS);
        let count = (span_s / step_s).ceil() as usize + 2;
        let mut coarse = vec![0.0; count];
        let mut tip = Tip::of(probe, world.deck);
        tip.samples(from_s, step_s, 0.4 / step_s, &mut coarse);
        let settled = ((SETTLING * tau_s / step_s) as usize).clamp(1, count);
        let mut low = coarse.iter().take(settled).sum::<f64>() / settled as f64;
        let keep = (-step_s / tau_s).exp();
        for value in &mut coarse {
            low = *value + (low - *value) * keep;
            *value = low / probe.factor;
        }
        for (i, value) in out.iter_mut().enumerate() {
            let place = (t0_s + i as f64 * dt_s - from_s) / step_s;
            let index = (place as usize).min(count - 2);
            let part = place - index as f64;
            *value = coarse[index] + (coarse[index + 1] - coarse[index]) * part;
        }
    }

    /// Computes of an acquisition under way what has passed by now, so that less is left when it is full. What it
    /// takes is the same. Whether one of pairs is under way.
    pub(crate) fn prepare(&mut self, world: &mut World<'_>) -> bool {
        let Some(mut shot) = self.shot.take() else { return false };
        let pairs = shot.setup.peak;
        if let (true, Some((trigger_s, _))) = (pairs && shot.rendered == 0, shot.trigger) {
            self.go_ahead(&mut shot, trigger_s, world);
        }
        self.shot = Some(shot);
        pairs
    }

    fn go_ahead(&self, shot: &mut Shot, trigger_s: f64, world: &mut World<'_>) {
        let dt_s = shot.setup.dt_s * (1.0 + self.errors.timebase);
        let underlying_s = (1.0 / self.specs.rate_greatest_hz).min(dt_s);
        let t0_s = self.time_of(shot, trigger_s, 0);
        let total = shot.setup.items().min(CHUNK);
        let passed = (((world.now_s - t0_s) / dt_s).floor().max(0.0) as usize).min(total);
        for (channel, ahead) in shot.ahead.iter_mut().enumerate() {
            let on = shot.traces.get(channel).and_then(Option::as_ref);
            if on.is_none_or(|trace| trace.setup.coupling == Coupling::Ground) || ahead.len() >= passed {
                continue;
            }
            let probe = world.probes.channels.get(channel).copied().unwrap_or_default();
            let first = ahead.len();
            ahead.resize(passed, (0.0, 0.0));
            let step_v = on.map_or(0.0, |trace| trace.setup.full_scale_v / STEPS);
            let noise_v = self.front_noise_v(step_v) * probe.factor.abs();
            let bins = Bins { t0_s, dt_s, underlying_s, total, first, noise_v };
            let rest = ahead.get_mut(first..).unwrap_or_default();
            let mut tip = Tip::of(probe, world.deck);
            if !tip.some_extremes(&bins, self.specs.bandwidth_hz, rest) {
                ahead.truncate(first);
            }
        }
    }

    /// Noise of the front end at the connector, RMS, in volts.
    fn front_noise_v(&self, step_v: f64) -> f64 {
        self.specs.noise_v.hypot(self.specs.noise_div * step_v * STEPS_A_DIVISION)
    }

    pub(super) fn render(&self, shot: &mut Shot, trigger_s: f64, upto: usize, world: &mut World<'_>) {
        let dt_s = shot.setup.dt_s * (1.0 + self.errors.timebase);
        while shot.rendered < upto {
            let count = (upto - shot.rendered).min(CHUNK);
            let t0_s = self.time_of(shot, trigger_s, shot.rendered);
            let whole = shot.rendered == 0 && count == shot.setup.items().min(CHUNK);
            for channel in 0..shot.traces.len() {
                let Some(Some(trace)) = shot.traces.get_mut(channel) else { continue };
                let probe = world.probes.channels.get(channel).copied().unwrap_or_default();
                let step_v = trace.setup.full_scale_v / STEPS;
                let converter = Converter {
                    step_v,
                    centre_v: trace.setup.centre_v,
                    errors: self.errors.channels.get(channel).copied().unwrap_or_default(),
                    noise_v: self.front_noise_v(step_v),
                };
                let stream = (shot.number << 32) ^ ((shot.rendered as u64) << 4) ^ channel as u64;
                let mut rng = Rng::new(self.seed, "scope noise", stream);
                let point = if trace.setup.coupling == Coupling::Ground { Point::Open } else { probe.point };
                let mut taken_off = vec![0.0; count];
                if trace.setup.coupling == Coupling::Ac {
                    self.baseline(probe, t0_s, dt_s, world, &mut taken_off);
                }
                let mut tip = Tip { deck: world.deck, point, beside: probe.beside };
                if shot.setup.peak {
                    let underlying_s = (1.0 / self.specs.rate_greatest_hz).min(dt_s);
                    let mut pairs = match shot.ahead.get_mut(channel) {
                        Some(ahead) if whole => core::mem::take(ahead),
                        _ => Vec::new(),
                    };
                    let first = pairs.len().min(count);
                    pairs.resize(count, (0.0, 0.0));
                    // At the tip a noise at the connector is as much greater as the probe divides.
                    let noise_v = converter.noise_v * probe.factor.abs();
                    let bins = Bins { t0_s, dt_s, underlying_s, total: count, first, noise_v };
                    let rest = pairs.get_mut(first..).unwrap_or_default();
                    let converter = if tip.some_extremes(&bins, self.specs.bandwidth_hz, rest) {
                        // The noise is in them.
                        Converter { noise_v: 0.0, ..converter }
                    } else {
                        tip.extremes(t0_s, dt_s, underlying_s, self.specs.bandwidth_hz, &mut pairs);
                        converter
                    };
                    for ((least_v, greatest_v), off_v) in pairs.into_iter().zip(taken_off) {
                        let pair = (least_v / probe.factor - off_v, greatest_v / probe.factor - off_v);
                        let (low, high) = converter.extremes(pair, dt_s / underlying_s, &mut rng);
                        trace.codes.extend([low, high]);
                    }
                } else {
                    let mut volts = vec![0.0; count];
                    tip.samples(t0_s, dt_s, self.specs.bandwidth_hz, &mut volts);
                    trace.codes.extend(
                        volts
                            .into_iter()
                            .zip(taken_off)
                            .map(|(v, off_v)| converter.sample(v / probe.factor - off_v, &mut rng)),
                    );
                }
            }
            shot.rendered += count;
            // Of a record that something cut in two, the rest is another question.
            shot.ahead.iter_mut().for_each(Vec::clear);
        }
    }
}
