//! The procedure tape-safe: a scrap tape through the machine, before a precious one.
//!
//! Every mode is reached and left with nobody's tape at risk. The signals tell what they can; what only
//! eyes can see is asked. It goes on after something bad was seen only as far as that is safe.

mod eyes;
mod parameters;

use parameters::{
    JITTER_GOOD, JITTER_REJECT, LEFT_GOOD, LEFT_REJECT, MISSING_GOOD, MISSING_REJECT, PLAYS, RATE_GOOD, RATE_REJECT,
    SWING_GOOD, SWING_REJECT, WATCH_S,
};
use tapewright_sdk::control::ControlPulses;
use tapewright_sdk::measure::pulses::{Missing, missing_share};
use tapewright_sdk::measure::statistics::moments;
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::Front;

/// Longest look at control pulses: with few points a longer one times them worse.
const PULSES_S: f64 = 2.0;

/// Length of the look after stop: a dozen frames.
const LOOK_AT_STOP_S: f64 = 0.6;

/// Noise that a level may hold and still stand clear of it, as a share of it.
const NOISE_SHARE: f64 = 1.0 / 3.0;

struct TapeSafe;

impl Procedure for TapeSafe {
    fn describe() -> Description {
        parameters::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        stopped_after(measure(settings, report))
    }
}

fn measure(settings: &Settings, report: &mut Report) -> Result<()> {
    let subject = subject()?;
    if subject.tape == TapeKind::Alignment {
        let why = "an alignment tape is in: this is run with a tape that nobody would miss, before one goes in";
        return Err(Unable::new(UnableCode::WrongTape, why).on("tape"));
    }
    if eyes::IS_SCRAP.look(report)? != Some(true) {
        return Ok(());
    }
    let front = Front::slow(&subject)?;
    let plays = settings.count(&PLAYS);
    for n in 1..=plays {
        report.progress(0.6 * f64::from(n - 1) / f64::from(plays), &format!("play {n} of {plays}"));
        go(Mode::Play)?;
        let play = in_play(&front, n, settings, report)?;
        if n == 1 {
            // Bad news ends it here: every further metre of tape would be torn the same way.
            for question in [eyes::EDGES, eyes::TAKE_UP, eyes::TENSION] {
                if question.look(report)? == Some(false) {
                    return Ok(());
                }
            }
        }
        go(Mode::Stop)?;
        after_stop(&front, n, &play, settings, report)?;
    }
    for (n, (mode, question)) in
        [(Mode::FastForward, eyes::WINDS_ON), (Mode::Rewind, eyes::WINDS_BACK)].into_iter().enumerate()
    {
        report.progress(0.6 + 0.15 * n as f64, &format!("{mode}"));
        go(mode)?;
        question.look(report)?;
        go(Mode::Stop)?;
    }
    report.progress(0.95, "the tape afterwards");
    eyes::UNHARMED.look(report)?;
    if report.worst() == Some(Outcome::Pass) {
        report.found(Finding::TapeSafe, &format!("a scrap tape was played {plays} times and wound both ways"));
    }
    Ok(())
}

/// What play showed of the RF.
struct Watched {
    record: Capture,
    /// Mean level, the noise in it.
    level_v: f64,
}

/// One play: RF there, control pulses even and at their rate. How even the RF is can be told once the noise is known.
fn in_play(front: &Front, n: u32, settings: &Settings, report: &mut Report) -> Result<Watched> {
    let of = |name: &str| format!("play-{n}.{name}");
    let span_s = settings.number(&WATCH_S).min(front.longest_record_s());
    let record = front.record(span_s, None, false).on(&of("rf"))?;
    let level = front.level_against_time(&record, &front.no_floor()?).on(&of("rf"))?;
    let level_v = moments(&level.level_v)?.mean;
    // The drum turns at its rate: an edge comes, and comes again.
    front.frames(tapewright_sdk::measure::scan::Head::A, 1, 2).on(&of("head-switch"))?;
    control(front, n, settings, report)?;
    Ok(Watched { record, level_v })
}

/// How even the RF was, the noise taken off: it lifts a weak level more than a strong one, and hides a swing. Where the RF did not go
/// away after stop there is no noise to be seen, and nothing to say.
fn swing(front: &Front, n: u32, play: &Watched, settings: &Settings, report: &mut Report) -> Result<()> {
    let what = format!("play-{n}.rf-swing");
    let floor = front.floor_in_stop(1).on(&what)?;
    if let Err(unable) = floor.demand_below(play.level_v) {
        report.unable(unable.on(&what));
        return Ok(());
    }
    let swing = front.swing(&front.level_against_time(&play.record, &floor).on(&what)?).on(&what)?;
    report.measured(Measured::new(what, Unit::One, &swing).judged(settings.at_most(&SWING_GOOD, &SWING_REJECT)));
    Ok(())
}

/// Control pulses, where they are hooked up and the format has any.
fn control(front: &Front, n: u32, settings: &Settings, report: &mut Report) -> Result<()> {
    let subject = subject()?;
    let point = hookup()?.into_iter().find(|p| p.signal == Signal::ControlTrack && !p.trigger_only);
    let Some(point) = point.filter(|_| subject.format.control_track) else {
        if n == 1 {
            report.note(if subject.format.control_track {
                "The control track is not hooked up: that the tape is driven evenly is told by the RF alone."
            } else {
                "The format has no control track: that the tape is driven evenly is told by the RF alone."
            });
        }
        return Ok(());
    };
    let frame_hz = front.lines.frame_rate_hz();
    let what = format!("play-{n}.control-track");
    let watch_s = settings.number(&WATCH_S);
    let (mut eye, mut last, mut counts) = (ControlPulses::new(point.form), None, Vec::new());
    while left_s(watch_s, &counts) > 0.0 {
        let seen = eye.look(watch_s.min(PULSES_S)).on(&what)?;
        counts.push(seen.0.missing(frame_hz).on(&what)?);
        last = Some(seen);
    }
    missing(&format!("{what}.missing"), &counts, settings, report)?;
    let Some((pulses, timebase_u)) = last else { return Ok(()) };
    let rate = pulses.rate(frame_hz, timebase_u).on(&what)?;
    let error = rate.scaled(100.0 / frame_hz).shifted(-100.0);
    let limits = settings.within(0.0, &RATE_GOOD, &RATE_REJECT);
    report.measured(Measured::new(format!("{what}.rate-error"), Unit::Percent, &error).judged(limits));
    let jitter = pulses.period_jitter(frame_hz).on(&what)?.scaled(100.0 * frame_hz);
    let limits = settings.at_most(&JITTER_GOOD, &JITTER_REJECT);
    report.measured(Measured::new(format!("{what}.jitter"), Unit::Percent, &jitter).judged(limits));
    Ok(())
}

/// What is left of the watch after such looks, in seconds; nothing where another look as long as the last one would fill less than
/// half of itself.
fn left_s(watch_s: f64, looks: &[Missing]) -> f64 {
    let seen_s: f64 = looks.iter().map(|look| look.observed_s).sum();
    let left_s = watch_s - seen_s;
    match looks.last() {
        Some(last) if left_s < 0.5 * last.observed_s => 0.0,
        _ => left_s,
    }
}

/// How many control pulses did not come, of all looks together: one look alone holds too few to decide.
fn missing(what: &str, counts: &[Missing], settings: &Settings, report: &mut Report) -> Result<()> {
    let limits = settings.at_most(&MISSING_GOOD, &MISSING_REJECT);
    let share = share_missing(counts).on(what)?;
    let outcome = report.measured(Measured::new(what, Unit::Percent, &share).judged(limits));
    if outcome == Some(Outcome::Fail) {
        let (missing, expected) = sums(counts);
        report.found(Finding::ControlTrackMissing, &format!("{missing} of {expected} in {what}"));
    }
    Ok(())
}

fn sums(counts: &[Missing]) -> (u64, u64) {
    (counts.iter().map(|count| count.missing).sum(), counts.iter().map(|count| count.expected).sum())
}

/// Share of missing pulses in per cent, with the exact interval of a count.
fn share_missing(counts: &[Missing]) -> Result<Estimate> {
    let (missing, expected) = sums(counts);
    Ok(missing_share(missing, expected)?.scaled(100.0))
}

/// After stop the RF has gone: the tape left the drum, or the drum stands.
fn after_stop(front: &Front, n: u32, play: &Watched, settings: &Settings, report: &mut Report) -> Result<()> {
    let play_v = play.level_v;
    let what = format!("stop-{n}.rf-left");
    let record = front.record(LOOK_AT_STOP_S, None, false).on(&what)?;
    let level = front.level_against_time(&record, &front.no_floor()?).on(&what)?;
    let m = moments(&level.level_v).on(&what)?;
    let share = m.mean / play_v.max(f64::MIN_POSITIVE);
    let u = m.standard_deviation / (m.count as f64).sqrt() / play_v.max(f64::MIN_POSITIVE);
    // What is left may be noise, of which only this much can have been in a level that stood clear of it.
    let noise = share.min(NOISE_SHARE);
    let least = (share * share - noise * noise).max(0.0).sqrt();
    let left = Estimate::with_interval(
        share,
        (least - 2.0 * u).max(0.0),
        share + 2.0 * u,
        u.hypot((share - least) / 12.0_f64.sqrt()),
        None,
        vec![
            Contribution::type_a("scatter over frames", u, (m.count as f64 - 1.0).max(1.0)),
            Contribution::rectangular("noise, not taken off", 0.5 * (share - least)),
        ],
    )?;
    report.measured(Measured::new(what, Unit::One, &left).judged(settings.at_most(&LEFT_GOOD, &LEFT_REJECT)));
    swing(front, n, play, settings, report)
}

tapewright_sdk::export!(TapeSafe);

#[cfg(test)]
mod tests {
    use super::*;
    use tapewright_sdk::measure::pulses::Pulses;

    /// Counts of looks at pulses 40 ms apart, of which some are missing by a fixed pattern of ten.
    fn counts(lacks: &[usize]) -> Vec<Missing> {
        let times_s = (0..50).filter(|n| !lacks.contains(&(n % 10))).map(|n| 0.02 + 0.04 * n as f64).collect();
        let level = Estimate::combined(5.0, vec![Contribution::type_b("gain", 0.05)]).unwrap();
        let pulses = Pulses {
            times_s,
            time_u_s: 1e-4,
            within_s: 0.0,
            level,
            duties: Vec::new(),
            highs_s: Vec::new(),
            observed: (0.0, 2.0),
        };
        let mut looks = Vec::new();
        while left_s(WATCH_S.default, &looks) > 0.0 {
            looks.push(pulses.missing(25.0).unwrap());
        }
        looks
    }

    #[test]
    fn missing_pulses_are_judged_and_the_watch_decides_of_a_healthy_machine() {
        let at_most = |percent| Limit { at_least: None, at_most: Some(percent) };
        let limits = Limits {
            good: at_most(MISSING_GOOD.default),
            reject: at_most(MISSING_REJECT.default),
            source: PRACTICE.into(),
        };
        for (lacks, want) in [(&[][..], Outcome::Pass), (&[4], Outcome::Inconclusive), (&[2, 5, 6], Outcome::Fail)] {
            let share = share_missing(&counts(lacks)).unwrap();
            assert_eq!(share.decide(&limits).unwrap(), want, "{lacks:?}: {share:?}");
        }
    }

    #[test]
    fn looks_fill_the_watch_however_long_they_are() {
        let look = |observed_s: f64| Missing { observed_s, ..counts(&[])[0].clone() };
        let left = |watch_s: f64, looks: &[f64]| {
            left_s(watch_s, &looks.iter().map(|observed_s| look(*observed_s)).collect::<Vec<_>>())
        };
        for (watch_s, looks, more) in [
            (6.0, &[][..], true),
            (6.0, &[2.02, 2.02], true),
            (6.0, &[2.0, 2.0, 2.0], false),
            (6.0, &[2.0, 0.2, 0.2], true),
            (2.0, &[2.02], false),
            (0.5, &[0.45], false),
        ] {
            assert_eq!(left(watch_s, looks) > 0.0, more, "{watch_s} s, looks of {looks:?} s");
        }
    }
}
