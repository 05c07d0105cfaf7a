//! The procedure pilot-tracking: how 8 mm heads lie on their tracks, by the pilot tones in the RF.

mod parameters;

use parameters as p;
use tapewright_sdk::formats::pilots::pilots_hz;
use tapewright_sdk::formats::{ProbePlace, SignalForm};
use tapewright_sdk::measure::pilots::{Beats, Seen, beats, look};
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::prelude::*;

struct PilotTracking;

/// Samples a cycle of peak white: what of the carrier is aliased lies far above the pilots.
const SAMPLES_A_CYCLE: f64 = 1.5;

/// Length of a capture: some cycles of the smallest distance of two pilots.
const SHORT_S: f64 = 3e-4;

impl Procedure for PilotTracking {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        let subject = subject()?;
        if !subject.format.has_pilots() {
            report.advise("Run `control-track` for the pulses, and the tracking control for the centre.");
            let why = format!(
                "format {} has a control track and no pilot tones: its pulses say where the tracks lie",
                subject.format.name
            );
            return Err(Unable::new(UnableCode::NotInFormat, why));
        }
        let point = hooked_up(Signal::Rf)?;
        if point.trigger_only {
            let why = format!("RF is on {}, which can only trigger: put it on a channel", point.channel);
            return Err(Unable::new(UnableCode::NotPossible, why).on("rf"));
        }
        if point.form != SignalForm::Raw {
            let why = format!("the RF point is hooked up as `{}`: put the probe on the RF itself", point.form);
            return Err(Unable::new(UnableCode::NotPossible, why).on("rf"));
        }
        if point.place == ProbePlace::AfterAgc {
            report.note("The point lies after the automatic gain: each beat is held over the track's own pilot, so that the gain cancels.");
        }
        go(Mode::Play)?;
        let result = measure(&subject, settings, report);
        let stopped = if now() == Mode::Stop { Ok(0.0) } else { go(Mode::Stop) };
        result.and(stopped.map(|_| ()))
    }
}

fn measure(subject: &Subject, settings: &Settings, report: &mut Report) -> Result<()> {
    let pilots = pilots_hz(subject.format.lines);
    let rate_hz = SAMPLES_A_CYCLE * subject.format.fm_white_hz.value;
    let can = abilities();
    if can.greatest_rate_hz < rate_hz || f64::from(can.greatest_points) < 0.8 * SHORT_S * rate_hz {
        let why = format!(
            "pilots need {:.1} MHz for {:.1} ms: the carrier above them must not be aliased onto them",
            1e-6 * rate_hz,
            1e3 * SHORT_S
        );
        return Err(Unable::new(UnableCode::NotPossible, why).on("pilots"));
    }
    report.progress(0.1, "listens to the pilots");
    let span_s = SHORT_S.min(f64::from(can.greatest_points) / rate_hz);
    let captures = Acquire::of(&[Signal::Rf])
        .span_s(span_s)
        .least_rate_hz(rate_hz)
        .count(settings.count(&p::CAPTURES))
        .take()
        .on("pilots")?;
    let (mut seen, mut last, mut without): (Vec<Seen>, Option<MeasureError>, usize) = (Vec::new(), None, 0);
    for capture in &captures {
        match look(&capture.trace(Signal::Rf)?.samples()?, &pilots) {
            Ok(found) => seen.extend(found),
            Err(error @ MeasureError::InNoise { .. }) => {
                without += 1;
                last = Some(error);
            }
            Err(error) => return Err(Unable::from(error).on("pilots")),
        }
    }
    // A head that gives nothing takes its half of the captures with it, and leaves those of the other.
    if 4 * without > 3 * captures.len()
        && let Some(error) = last
    {
        return Err(Unable::from(error).on("pilots"));
    }
    report.progress(0.8, "judges");
    let limits = settings.within(0.0, &p::GOOD, &p::REJECT);
    let mut sides = Vec::new();
    for (name, head) in [("head-a", ScanHead::A), ("head-b", ScanHead::B)] {
        let beats = match beats(&seen, head) {
            Ok(beats) => beats,
            Err(MeasureError::TooShort { given, .. }) if 4 * without > captures.len() => {
                let why = format!(
                    "{without} of {} captures show no pilot clear of the noise, and only {given} show one of this head: it gives little or nothing; look with `envelope`",
                    captures.len()
                );
                report.unable(Unable::new(UnableCode::InNoise, why).on(name));
                continue;
            }
            Err(error) => return Err(Unable::from(error).on(name)),
        };
        for (what, estimate) in
            [("beat-small", &beats.small), ("beat-large", &beats.large), ("beat-difference", &beats.difference)]
        {
            report.measured(Measured::new(format!("{name}.{what}"), Unit::One, estimate));
        }
        let Some(tracking) = &beats.tracking else {
            let why = "neither neighbour's pilot stands clear: heads no wider than the track and well centred show none, and so does a point where pilots are filtered off";
            report.unable(Unable::new(UnableCode::InNoise, why).on(format!("{name}.tracking")));
            continue;
        };
        report.measured(Measured::new(format!("{name}.tracking"), Unit::One, tracking).judged(limits.clone()));
        sides.push((name, tracking.clone(), beats));
    }
    conclude(&sides, settings.number(&p::GOOD), settings.number(&p::REJECT), report);
    Ok(())
}

fn conclude(sides: &[(&str, Estimate, Beats)], good: f64, reject: f64, report: &mut Report) {
    let off = |tracking: &Estimate| {
        if tracking.interval.low > reject {
            1
        } else if tracking.interval.high < -reject {
            -1
        } else {
            0
        }
    };
    let values = sides
        .iter()
        .map(|(name, t, beats)| format!("{name} {:+.2} over {} captures", t.value, beats.count))
        .collect::<Vec<_>>()
        .join("; ");
    match sides {
        [(_, a, _), (_, b, _)] => {
            let (a_off, b_off) = (off(a), off(b));
            // Not surely off is not surely in its place: a head that may lie as far off on the same side tells of no
            // unlike heights.
            let side = if a_off == 0 { b_off } else { a_off };
            let as_far = |t: &Estimate| (t.value * f64::from(side) > reject) || off(t) == side;
            let in_place = |t: &Estimate| off(t) == -side || (t.interval.low > -reject && t.interval.high < reject);
            if side != 0 && as_far(a) && as_far(b) {
                let side = if side > 0 { "after" } else { "before" };
                report
                    .found(Finding::PilotsOffTrack, &format!("towards the track recorded {side} their own: {values}"));
                report.advise("Try another tape: both heads off there too is the centring of the tracking servo.");
            } else if side != 0 && (in_place(a) || in_place(b)) {
                report.found(Finding::PilotsOneHead, &values);
                report.advise("The heads do not lie at one height, or one is worn: run `envelope` for each.");
            } else if side != 0 {
                report
                    .note(&format!("One head lies off its tracks; whether the other does too is not sure: {values}."));
            } else if [a, b].iter().all(|t| t.interval.low > -good && t.interval.high < good) {
                report.found(Finding::PilotsCentred, &values);
            }
        }
        _ => report.note("Only one head could be judged."),
    }
}

tapewright_sdk::export!(PilotTracking);
