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

/// Measures the height and judges it.
pub(crate) fn judge(
    taker: &Taker,
    watched: &Watched,
    tracks: &StereoTracks,
    format: &Format,
    settings: &Settings,
    report: &mut Report,
) -> Result<()> {
    let width_um = 1e3 * tracks.width_mm.value;
    let height = height_of_balance_um(&balance_db(watched, settings)?, width_um)?
        .also(Contribution::rectangular("edge of the tape against its tracks", EDGE_UM))?
        .within(-width_um, width_um);
    let limits = limits(settings, width_um)?;
    let pulses = match &taker.control {
        Some(point) => by_pulses(taker, point, format, settings)?,
        None => None,
    };
    let (low, high) = magnitude(&height.interval);
    let text = format!("{:+.0} um by the balance of the channels", height.value);
    let measured = Measured::new("height", Unit::Micrometre, &height);
    if let Some(pulses) = &pulses
        && (low > pulses.1 || high < pulses.0)
    {
        report.measured(measured);
        let why = format!(
            "{text}, but control pulses say between {:.0} and {:.0} um: one channel, or the pulses, are weak by themselves; clean the head, look at \
             the channels and at what the hookup expects, or leave `full-width-tone` at 0 and turn the height nut",
            pulses.0, pulses.1
        );
        return Err(Unable::new(UnableCode::NotPossible, why));
    }
    let outcome = height.decide(&limits)?;
    if outcome == Outcome::Fail && pulses.is_none_or(|pulses| pulses.0 <= 0.0) {
        report.measured(measured);
        let why = format!(
            "{text}, if it is the height: a channel that is weak by itself looks the same, and control pulses do not tell; leave \
             `full-width-tone` at 0 and turn the height nut"
        );
        return Err(Unable::new(UnableCode::NotPossible, why));
    }
    report.note(&format!(
        "Said of the channels: alike within {} dB; of the tape: its tone lies over the whole width. {}",
        settings.number(&p::OWN_BALANCE_WITHIN),
        if pulses.is_some() { "Control pulses agree." } else { "No control pulses bear it out." }
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
fn magnitude(interval: &Interval) -> (f64, f64) {
    let low = if interval.low * interval.high <= 0.0 { 0.0 } else { interval.low.abs().min(interval.high.abs()) };
    (low, interval.low.abs().max(interval.high.abs()))
}

/// Between which sizes the height error lies by the level of the control pulses against the expected one, in micrometres.
fn by_pulses(taker: &Taker, point: &Point, format: &Format, settings: &Settings) -> Result<Option<(f64, f64)>> {
    let (Some(width), Some(expected_v)) = (format.control_track_width_mm(), point.expected_v) else { return Ok(None) };
    let m = moments(&taker.pulse_levels(point)?)?;
    let within = settings.number(&p::CONTROL_WITHIN) / 100.0;
    let height = |share: f64| 1e3 * width.value * (1.0 - share).clamp(0.0, 1.0);
    let scatter_v = 3.0 * m.standard_deviation;
    let (low, high) = (m.mean - scatter_v, m.mean + scatter_v);
    Ok(Some((height(high / (expected_v * (1.0 - within))), height(low / (expected_v * (1.0 + within))))))
}
