//! Height from the balance of two channels, of a tone over the whole width of the sound's edge.

use crate::parameters as p;
use crate::take::{Taker, Watched};
use tapewright_sdk::formats::Format;
use tapewright_sdk::formats::sound::StereoTracks;
use tapewright_sdk::measure::audio_head::{height_for_loss_um, height_of_balance_um};
use tapewright_sdk::measure::statistics::{effective_count, moments};
use tapewright_sdk::prelude::*;

/// A channel that gives less than this share of the other's level tells no height (common practice, no source).
const LEAST_SHARE: f64 = 0.05;

/// How true the tape's edge is to the tracks (the tolerance of the tape's width, from memory).
const EDGE_UM: f64 = 10.0;

/// Control pulses that bear out a height.
pub(crate) struct Pulses<'a> {
    point: &'a Point,
    expected_v: f64,
    width_um: f64,
}

impl<'a> Pulses<'a> {
    /// None where the level that the hookup expects, or the width of the track, is not known.
    pub(crate) fn of(point: &'a Point, format: &Format) -> Option<Self> {
        let width_um = 1e3 * format.control_track_width_mm()?.value;
        Some(Self { point, expected_v: point.expected_v?, width_um })
    }

    /// Between which sizes the height error lies by their level, in micrometres.
    fn size_um(&self, taker: &Taker, settings: &Settings) -> Result<(f64, f64)> {
        let m = moments(&taker.pulse_levels(self.point)?)?;
        let within = settings.number(&p::CONTROL_WITHIN) / 100.0;
        let scatter_v = 3.0 * m.standard_deviation;
        let size = |share: f64| self.width_um * (1.0 - share / self.expected_v).clamp(0.0, 1.0);
        Ok((size((m.mean + scatter_v) / (1.0 - within)), size((m.mean - scatter_v) / (1.0 + within))))
    }
}

/// Measures the height and judges it.
///
/// The balance alone does not do: a weak channel looks like a height, and a head with one track, or a tape recorded by two, keeps its
/// balance at any.
pub(crate) fn judge(
    taker: &Taker,
    watched: &Watched,
    tracks: &StereoTracks,
    pulses: &Pulses<'_>,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let width_um = 1e3 * tracks.width_mm.value;
    let height = height_of_balance_um(&balance_db(watched, settings)?, width_um)?
        .also(Contribution::rectangular("edge of the tape against its tracks", EDGE_UM))?
        .within(-width_um, width_um);
    let limits = limits(settings, width_um)?;
    let pulses_um = pulses.size_um(taker, settings)?;
    let (low, high) = size_of(&height.interval);
    let text = format!("{:+.0} um by the balance of the channels", height.value);
    let measured = Measured::new("height", Unit::Micrometre, &height);
    let gainsaid = low > pulses_um.1 || high < pulses_um.0;
    if gainsaid || (height.decide(&limits)? == Outcome::Fail && pulses_um.0 <= 0.0) {
        report.measured(measured);
        let why = format!(
            "{text}, while control pulses say between {:.0} and {:.0} um: a channel, or the pulses, may be weak by themselves; clean the head, \
             look at the channels and at what the hookup expects, or leave `full-width-tone` at 0 and turn the height nut",
            pulses_um.0, pulses_um.1
        );
        return Err(Unable::new(UnableCode::NotPossible, why));
    }
    report.note(&format!(
        "Said of the tape: its tone lies over the whole width; of the channels: alike within {} dB. Control pulses say between {:.0} and {:.0} um.",
        settings.number(&p::OWN_BALANCE_WITHIN),
        pulses_um.0,
        pulses_um.1
    ));
    if report.measured(measured.judged(limits)) == Some(Outcome::Fail) {
        let side = if height.value > 0.0 { "too high" } else { "too low" };
        report.found(Finding::AudioHeadHeight, &format!("{text}, {side}"));
    }
    Ok(())
}

/// Right over left less the channels' own, with what that may be off.
fn balance_db(watched: &Watched, settings: &Settings) -> Result<Estimate> {
    let levels = watched.levels()?;
    let [left, right] = [moments(&levels[0])?.mean, moments(&levels[1])?.mean];
    for (name, own, other) in [("audio-left", left, right), ("audio-right", right, left)] {
        if own < LEAST_SHARE * other {
            let why = format!(
                "{name} gives {:.2} mV where the other channel gives {:.1} mV: the channel is dead, or its track lies beside its gap",
                1e3 * own,
                1e3 * other
            );
            return Err(Unable::new(UnableCode::InNoise, why));
        }
    }
    let ratios: Vec<f64> = levels[0].iter().zip(&levels[1]).map(|(l, r)| 20.0 * (r / l).log10()).collect();
    let m = moments(&ratios)?;
    let worth = effective_count(&ratios)?;
    let within = settings.number(&p::OWN_BALANCE_WITHIN);
    let shares = vec![
        Contribution::type_a("records", m.standard_deviation / worth.sqrt(), (worth - 1.0).max(1.0)),
        Contribution::rectangular("the channels' own balance", within),
    ];
    Ok(Estimate::combined(m.mean - settings.number(&p::OWN_BALANCE), shares)?)
}

fn limits(settings: &Settings, width_um: f64) -> Result<Limits> {
    let (good_db, reject_db) = (settings.number(&p::LOSS_GOOD), settings.number(&p::LOSS_REJECT));
    let band = |db: f64| -> Result<Limit> {
        let half = height_for_loss_um(db, width_um)?;
        Ok(Limit { at_least: Some(-half), at_most: Some(half) })
    };
    Ok(Limits {
        good: band(good_db)?,
        reject: band(reject_db)?,
        source: format!(
            "{}: the heights at which a track of {width_um:.0} um loses {good_db} dB and {reject_db} dB",
            settings.source(p::LOSS_GOOD.name)
        ),
    })
}

/// Least and greatest size that an interval holds.
fn size_of(interval: &Interval) -> (f64, f64) {
    let low = if interval.low * interval.high <= 0.0 { 0.0 } else { interval.low.abs().min(interval.high.abs()) };
    (low, interval.low.abs().max(interval.high.abs()))
}
