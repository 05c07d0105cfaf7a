//! The good act: a small honest procedure, written as the SDK means it.

use tapewright_sdk::prelude::*;

/// Least level that is good; half of it is rejected.
pub(crate) const LEAST: Number = Number {
    name: "least-level",
    meaning: "Least level of the control pulses.",
    unit: Unit::Volt,
    default: 1.0,
    least: 0.0,
    greatest: 100.0,
    source: "common practice, no source",
};

pub(crate) const DESCRIPTION: Description = Description {
    name: "acts",
    version: env!("CARGO_PKG_VERSION"),
    purpose: "Behaves well or badly, as it is told.",
    needs: &[Signal::ControlTrack],
    uses: &[Signal::HeadSwitch],
    modes: &[Mode::Play],
    parameters: &[],
    cautions: &[Caution::Mains],
    cover_off: true,
    tells: "Whether the host keeps its word.",
    when_it_fails: "Mend the host.",
    duration_s: 1.0,
};

pub(crate) fn run(settings: &Settings, report: &mut Report) -> Result<()> {
    let point = hooked_up(Signal::ControlTrack)?;
    let subject = subject()?;
    let took_s = go(Mode::Play)?;
    report.note(&format!(
        "{} of {} on {}, play after {took_s} s",
        point.channel,
        abilities().channels,
        subject.format.name
    ));
    let captures =
        Acquire::of(&[Signal::ControlTrack]).span_s(0.1).edge(Signal::HeadSwitch, Slope::Rising).count(3).take()?;
    let mut levels = Vec::new();
    for (done, capture) in captures.iter().enumerate() {
        report.progress(done as f64 / captures.len() as f64, "looking");
        let trace = capture.trace(Signal::ControlTrack)?;
        let (low, high) =
            trace.codes.iter().fold((i16::MAX, i16::MIN), |(low, high), &code| (low.min(code), high.max(code)));
        levels.push((f64::from(high) - f64::from(low)) * trace.info.gain_v);
    }
    let level_v = levels.iter().sum::<f64>() / levels.len() as f64;
    let least_v = settings.number(&LEAST);
    let limit = |at_least| Limit { at_least: Some(at_least), at_most: None };
    let limits =
        Limits { good: limit(least_v), reject: limit(least_v / 2.0), source: settings.source(LEAST.name).to_owned() };
    let sure = Interval { low: level_v * 0.98, high: level_v * 1.02, coverage: 0.95 };
    let outcome = report.measured(Measured {
        name: "control-track.level".into(),
        unit: Unit::Volt,
        value: level_v,
        interval: sure,
        degrees_of_freedom: None,
        contributions: vec![Contribution::type_b("gain", level_v * 0.01)],
        limits: Some(limits),
    });
    if outcome == Some(Outcome::Pass) {
        report.found(Finding::ControlTrackPresent, "play");
    } else {
        report.found(Finding::ControlTrackWeak, "play");
        report.advise("Clean the control head.");
    }
    report.draw(Figure {
        name: "levels".into(),
        x_label: "capture".into(),
        x_low: 1.0,
        x_high: 3.0,
        unit: Unit::Volt,
        series: vec![Series { name: "level".into(), values: levels, standard_errors: vec![] }],
    });
    Ok(())
}
