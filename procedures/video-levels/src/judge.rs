//! Judging levels, times and field structure; which stage the pattern of faults points to.

use crate::parameters as p;
use crate::take::{Lines, Long};
use tapewright_sdk::formats::LineStandard;
use tapewright_sdk::measure::field::FieldSync;
use tapewright_sdk::measure::statistics::effective_count;
use tapewright_sdk::measure::time_base::{Sampling, line_period, scatter_of_times};
use tapewright_sdk::measure::video::{level_over_lines, patch_over_lines, with_picture};
use tapewright_sdk::prelude::*;

fn millivolts(values: &[f64], lines: &Lines) -> Result<Estimate> {
    Ok(level_over_lines(values, lines.step_v, noise_v(lines), lines.gain_u)?.scaled(1e3))
}

/// The least noise spreads least what is rounded.
fn noise_v(lines: &Lines) -> f64 {
    lines.levels.iter().map(|line| line.noise_v).fold(f64::INFINITY, f64::min)
}

/// Levels: whether all that was judged passed.
pub(crate) fn levels(lines: &Lines, standard: LineStandard, settings: &Settings, report: &mut Report) -> Result<bool> {
    let timing = standard.video();
    let colour = in_colour(settings)?;
    let right_sync = -timing.sync_tip_mv.value;
    let sync = millivolts(&lines.levels.iter().map(|l| l.sync_v).collect::<Vec<_>>(), lines).on("video.sync")?;
    let limits = settings.within(right_sync, &p::SYNC_GOOD, &p::SYNC_REJECT);
    let of_sync = report.measured(Measured::new("video.sync", Unit::Millivolt, &sync).judged(limits));

    let bursts: Vec<f64> = lines.levels.iter().filter_map(|l| l.burst_v).collect();
    let right_burst = timing.burst_pp_mv.value;
    let (mut burst, mut none_is_right) = (None, false);
    if bursts.len() < 3 {
        report.unable(
            Unable::new(
                UnableCode::NotPossible,
                "the samples lie too far apart for the subcarrier: the burst cannot be told",
            )
            .on("video.burst"),
        );
    } else {
        let level = millivolts(&bursts, lines).on("video.burst")?.within(0.0, f64::MAX);
        let measured = Measured::new("video.burst", Unit::Millivolt, &level);
        // A picture without colour has no burst at all, and is no fault.
        if level.interval.high < 0.1 * right_burst && colour != Some(true) {
            report.measured(measured);
            none_is_right = colour == Some(false);
            if none_is_right {
                report.note("There is no burst, as the recording is without colour.");
            } else {
                let why = "there is no burst: the recording is without colour, or the machine gives none. Say which in `colour` (`yes`, `no`), or play a tape that is known to be in colour";
                report.unable(Unable::new(UnableCode::NotPossible, why).on("video.burst"));
            }
        } else {
            let limits = settings.within(right_burst, &p::BURST_GOOD, &p::BURST_REJECT);
            burst = Some((report.measured(measured.judged(limits)), level));
        }
    }
    let (of_picture, black_off) = picture(lines, standard, settings, report)?;
    pattern(&sync, of_sync, right_sync, burst.as_ref(), right_burst, black_off, report);
    let passes = |outcome: Option<Outcome>| outcome == Some(Outcome::Pass);
    // A burst that cannot be told is not right either.
    let of_burst = burst.map_or(none_is_right, |(outcome, _)| passes(outcome));
    Ok(passes(of_sync) && of_burst && of_picture)
}

/// Whether the recording is in colour, as far as that is said.
fn in_colour(settings: &Settings) -> Result<Option<bool>> {
    match settings.text(&p::COLOUR) {
        "yes" => Ok(Some(true)),
        "no" => Ok(Some(false)),
        "unknown" => Ok(None),
        other => {
            let why = format!("`colour` is `{other}`: say `yes`, `no` or `unknown`");
            Err(Unable::new(UnableCode::NotPossible, why))
        }
    }
}

/// White and black, judged only where the picture is known: whether all that was judged passed, and how black failed.
fn picture(
    lines: &Lines,
    standard: LineStandard,
    settings: &Settings,
    report: &mut Report,
) -> Result<(bool, Option<String>)> {
    let timing = standard.video();
    let pictures = with_picture(&lines.levels);
    let share = settings.number(&p::WHITE) / 100.0;
    if pictures.len() < 3 {
        let why = "fewer than three lines hold a picture: white and black are not measured";
        if share > 0.0 {
            report.unable(Unable::new(UnableCode::TooShort, why).on("video.white"));
        } else {
            report.note(why);
        }
        return Ok((share == 0.0, None));
    }
    // Without a burst that can be told there may be colour all the same.
    let bursts: Vec<f64> = lines.levels.iter().filter_map(|l| l.burst_v).collect();
    let burst_v = tapewright_sdk::measure::statistics::median(&bursts).unwrap_or(1e-3 * timing.burst_pp_mv.value);
    let of = |values: Vec<f64>| -> Result<Estimate> {
        let scope = (lines.step_v, noise_v(lines), lines.gain_u);
        Ok(patch_over_lines(&values, scope, burst_v)?.scaled(1e3))
    };
    let level = of(pictures.iter().map(|p| p.0).collect()).on("video.white")?;
    let black = of(pictures.iter().map(|p| p.1).collect()).on("video.black")?;
    let white = Measured::new("video.white", Unit::Millivolt, &level);
    let measured = Measured::new("video.black", Unit::Millivolt, &black);
    if share == 0.0 {
        report.measured(white);
        report.measured(measured);
        return Ok((true, None));
    }
    let white_mv = timing.white_mv.value;
    let set_up_mv = if standard == LineStandard::L525 { settings.number(&p::SET_UP) / 100.0 * white_mv } else { 0.0 };
    // The test picture's white and black lie between black and white.
    let right = |share: f64| set_up_mv + share * (white_mv - set_up_mv);
    let limits = over(settings.within(0.0, &p::WHITE_GOOD, &p::WHITE_REJECT), right(share), right(share));
    let of_white = report.measured(white.judged(limits));
    let right_mv = right(settings.number(&p::BLACK) / 100.0);
    let limits = over(settings.within(0.0, &p::BLACK_GOOD, &p::BLACK_REJECT), right_mv, white_mv);
    let of_black = report.measured(measured.judged(limits));
    let off = (of_black == Some(Outcome::Fail))
        .then(|| format!("black at {:.0} mV, {right_mv:.0} mV are right", black.value));
    Ok(([of_white, of_black] == [Some(Outcome::Pass); 2], off))
}

/// Limits about a right value, from distances in per cent of something.
fn over(distances: Limits, right: f64, whole: f64) -> Limits {
    let about = |limit: Limit| Limit {
        at_least: limit.at_least.map(|percent| right + percent / 100.0 * whole),
        at_most: limit.at_most.map(|percent| right + percent / 100.0 * whole),
    };
    Limits { good: about(distances.good), reject: about(distances.reject), source: distances.source }
}

/// Which stage the pattern of wrong levels points to.
fn pattern(
    sync: &Estimate,
    of_sync: Option<Outcome>,
    right_sync: f64,
    burst: Option<&(Option<Outcome>, Estimate)>,
    right_burst: f64,
    black_off: Option<String>,
    report: &mut Report,
) {
    let sync_ratio = sync.value / right_sync;
    let of_burst = burst.and_then(|(outcome, _)| *outcome);
    let burst_ratio = burst.map(|(_, level)| level.value / right_burst);
    let like_sync = burst_ratio.map(|ratio| (ratio / sync_ratio - 1.0).abs() < 0.12);
    // Where all levels are off by one factor, so is black.
    if let Some(off) = black_off.filter(|_| of_sync != Some(Outcome::Fail) || like_sync == Some(false)) {
        report.found(Finding::VideoBlackWrong, &off);
        report.advise(
            "Black does not lie at its set-up: see what set-up the tape was recorded with, then look at the clamp.",
        );
    }
    match (of_sync, of_burst) {
        (Some(Outcome::Fail), _) if like_sync == Some(true) => {
            report.found(Finding::VideoLevelWrong, &format!("sync and burst at {sync_ratio:.2} of their level"));
            report.advise("All levels are off by one factor: is the output terminated with 75 ohms? Then the output stage's gain.");
        }
        (Some(Outcome::Fail), _) if sync_ratio < 1.0 => {
            report.found(Finding::VideoSyncLow, &format!("sync at {sync_ratio:.2} of its level"));
            report.advise(
                "Sync is too small beside the rest: look for a clipping stage or a failing clamp on the video's way.",
            );
        }
        (Some(Outcome::Fail), _) => {
            report.found(Finding::VideoLevelWrong, &format!("sync at {sync_ratio:.2} of its level"));
        }
        (_, Some(Outcome::Fail)) => {
            let ratio = burst_ratio.unwrap_or(0.0);
            report
                .found(Finding::VideoBurstWrong, &format!("burst at {ratio:.2} of its level, sync at {sync_ratio:.2}"));
            report.advise("The burst is off and sync is right: the colour channel's gain, or its automatic level.");
        }
        _ => {}
    }
}

/// Line period and its jitter: whether both passed.
pub(crate) fn times(lines: &Lines, standard: LineStandard, settings: &Settings, report: &mut Report) -> Result<bool> {
    let right_us = standard.video().line_us.value;
    let period = line_period(&lines.periods_s, lines.lead_u_s, lines.timebase_u).on("video.line-period")?.scaled(1e6);
    let limits = over(settings.within(0.0, &p::PERIOD_GOOD, &p::PERIOD_REJECT), right_us, right_us);
    let (least, most) = lines.periods_s.iter().fold((f64::MAX, f64::MIN), |(l, m), p| (l.min(*p), m.max(*p)));
    report.note(&format!(
        "{} single line periods, from {:.3} us to {:.3} us",
        lines.periods_s.len(),
        least * 1e6,
        most * 1e6
    ));
    let of_period = report.measured(Measured::new("video.line-period", Unit::Microsecond, &period).judged(limits));
    // A period has two edges.
    let sampling = Sampling { one_u_s: lines.lead_u_s * core::f64::consts::SQRT_2, in_step: false };
    let worth = effective_count(&lines.periods_s).on("video.line-jitter")?;
    let jitter = scatter_of_times(&lines.periods_s, worth, sampling).on("video.line-jitter")?.scaled(1e6);
    let limits = settings.at_most(&p::JITTER_GOOD, &p::JITTER_REJECT);
    let of_jitter = report.measured(Measured::new("video.line-jitter", Unit::Microsecond, &jitter).judged(limits));
    if of_jitter == Some(Outcome::Fail) {
        report.found(Finding::VideoTimeBase, &format!("single line periods scatter by {:.3} us", jitter.value));
        report.advise("Lines do not keep their time: look at the drum (`drum-lock`), then at tape tension and the drum's bearing.");
    }
    Ok(of_period == Some(Outcome::Pass) && of_jitter == Some(Outcome::Pass))
}

/// Broad and equalising pulses, and whether both kinds of field come: whether all is as the standard says.
pub(crate) fn fields(starts: &[FieldSync], standard: LineStandard, report: &mut Report) -> Result<bool> {
    if starts.len() < 3 {
        let why = format!("{} field syncs could be told in all captures of them", starts.len());
        report.unable(Unable::new(UnableCode::TooShort, why).on("video.field-structure"));
        return Ok(false);
    }
    let timing = standard.video();
    let kinds = [1, 2].map(|field| starts.iter().filter(|start| start.field == Some(field)).count());
    let mut right = true;
    // The median over field syncs: one that lost a pulse to a dropout does not count.
    let mut middle = |name: &str, of: fn(&FieldSync) -> u32, wanted: u32, report: &mut Report| -> Result<()> {
        let mut counts: Vec<u32> = starts.iter().map(of).collect();
        counts.sort_unstable();
        let value = f64::from(counts[counts.len() / 2]);
        let exact = |at: f64| Limit { at_least: Some(at - 0.5), at_most: Some(at + 0.5) };
        let wanted = f64::from(wanted);
        let limits = Limits {
            good: exact(wanted),
            reject: exact(wanted),
            source: "from memory; to be checked in SMPTE 170M, ITU-R BT.470".into(),
        };
        let counted = Estimate::with_interval(value, value, value, 0.0, None, Vec::new())?;
        right &= report.measured(Measured::new(name, Unit::One, &counted).judged(limits)) == Some(Outcome::Pass);
        Ok(())
    };
    middle("video.broad-pulses", |s| s.broad, timing.broad_pulses, report)?;
    middle("video.equalising-before", |s| s.equalising.0, timing.equalising_pulses, report)?;
    middle("video.equalising-after", |s| s.equalising.1, timing.equalising_pulses, report)?;
    report.note(&format!("{} field syncs: {} begin field 1, {} field 2", starts.len(), kinds[0], kinds[1]));
    if !right || kinds.contains(&0) {
        report.found(Finding::VideoFieldWrong, &format!("{} of field 1, {} of field 2", kinds[0], kinds[1]));
        report.advise("The field sync is not that of the standard: is it the machine's own picture of a mute? Then the sync insertion.");
    }
    if kinds.contains(&0) {
        report.unable(
            Unable::new(UnableCode::BadData, "only one kind of field was seen: the video is not interlaced")
                .on("video.field-structure"),
        );
        right = false;
    }
    Ok(right)
}

/// Time-base error, and lines a field where the record is long enough: whether nothing in it is wrong.
pub(crate) fn long(long: &Long, standard: LineStandard, report: &mut Report) -> Result<bool> {
    match scatter_of_times(&long.times.errors_s, long.times.errors_s.len() as f64, long.times.sampling) {
        Ok(error) => {
            report.measured(Measured::new("video.time-base-error", Unit::Microsecond, &error.scaled(1e6)));
            report.note(&format!(
                "time-base error over {} lines, {:.2} ms",
                long.times.errors_s.len(),
                long.observed_s * 1e3
            ));
        }
        Err(error) => report.note(&format!("No time-base error: {error}.")),
    }
    Ok(match long.field_lines {
        Some(lines) => {
            // A start is a half line's place: what is left of that is the drum's.
            let counted = (2.0 * lines).round() / 2.0;
            let exact = |half: f64| Limit {
                at_least: Some(standard.lines_a_scan() - half),
                at_most: Some(standard.lines_a_scan() + half),
            };
            let limits = Limits {
                good: exact(0.25),
                reject: exact(0.25),
                source: "from memory; to be checked in SMPTE 170M, ITU-R BT.470".into(),
            };
            let estimate = Estimate::with_interval(counted, counted, counted, 0.0, None, Vec::new())?;
            let outcome = report.measured(Measured::new("video.lines-a-field", Unit::Line, &estimate).judged(limits));
            if outcome == Some(Outcome::Fail) {
                report.found(Finding::VideoFieldWrong, &format!("{counted} lines a field"));
            }
            outcome == Some(Outcome::Pass)
        }
        None => {
            report.note(&format!(
                "Lines a field were not counted: that takes a record of two fields, {:.0} points, and this scope gives {}.",
                2.15 / standard.field_rate_hz() / 0.5e-6,
                abilities().greatest_points
            ));
            true
        }
    })
}
