//! The procedure wow-flutter: weighted wow and flutter from a recorded tone, and what turns at its largest lines.

mod parameters;
mod plan;
mod turns;

use parameters as p;
use tapewright_sdk::formats::definitions::sound::weighting;
use tapewright_sdk::formats::sound::LinearSound;
use tapewright_sdk::measure::flutter::{FlutterLine, HIGHEST_HZ, SpeedError, Unweighted};
use tapewright_sdk::prelude::*;
use tapewright_sdk::rf::BEARABLE_S;
use tapewright_sdk::tone::{Wanted, demand_sampled, find};
use turns::Turns;

struct WowFlutter;

/// Places of the spectrum that is drawn.
const DRAWN: usize = 100;

impl Procedure for WowFlutter {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        demand_sampled(Signal::AudioLeft)?;
        go(Mode::Play)?;
        stopped_after(measure(settings, report))
    }
}

fn measure(settings: &Settings, report: &mut Report) -> Result<()> {
    let subject = subject()?;
    let linear = !matches!(subject.format.linear_sound(), LinearSound::None(_));
    if let LinearSound::None(why) = subject.format.linear_sound() {
        report.note(&format!(
            "{}: {why}. What is measured is the FM sound, whose time base is the drum's and the picture's.",
            subject.format.name
        ));
    }
    let nominal_hz = settings.number(&p::TONE);
    report.progress(0.1, "looks for the tone");
    let within = settings.number(&p::TOLERANCE) / 100.0;
    let wanted = Wanted { signal: Signal::AudioLeft, hz: nominal_hz, within, prompt: "flutter-tone" };
    let near_hz = find(&wanted, report).map_err(|unable| {
        if unable.code == UnableCode::WrongSpeed {
            report.advise(
                "Set the machine's speed to that of the recording, and wind to the right tone; then look again.",
            );
        }
        unable.on("flutter.weighted")
    })?;
    report.progress(0.3, "listens");
    let (mut speed, timebase_u) = listen(near_hz, settings.number(&p::OBSERVE), report).on("flutter.weighted")?;
    report.progress(0.8, "looks for faster flutter");
    let looked = faster(&mut speed);
    report.progress(0.9, "judges");
    let Unweighted { tone_hz, lines, added_hz, folded_hz } = speed.unweighted(3, timebase_u)?;
    tone(tone_hz, nominal_hz, linear.then_some(subject.tape), settings, report);
    let weighted = speed.weighted()?;
    if let Err(unable) = looked {
        // More flutter does not save a reading that is too high already.
        if weighted.interval.low <= settings.number(&p::REJECT) {
            return Err(unable.on("flutter.weighted"));
        }
        report.note(&format!("Not in the reading: {}.", unable.why));
    } else if speed.highest_hz < HIGHEST_HZ {
        report.note(&format!(
            "Flutter from {:.0} Hz to {HIGHEST_HZ:.0} Hz, looked for in short fast records, may add {:.3} % weighted to the upper end; a scope with \
             more memory measures it.",
            speed.highest_hz,
            speed.faster_percent()
        ));
    }
    report.note(&format!(
        "Two-sigma over {:.1} s, flutter from about 0.2 Hz to {:.0} Hz; the weighting's points are from memory, unverified.",
        speed.observed_s, speed.highest_hz
    ));
    let measured =
        Measured::new("flutter.weighted", Unit::Percent, &weighted).judged(settings.at_most(&p::GOOD, &p::REJECT));
    let outcome = report.measured(measured);
    if weighted.interval.low > settings.number(&p::REJECT) {
        report.found(Finding::FlutterHigh, &format!("weighted {:.3} %", weighted.value));
    }
    let turns = Turns::of(settings, subject.format.lines);
    tell(&lines, &turns, speed.highest_hz, outcome == Some(Outcome::Pass), report);
    if !folded_hz.is_empty() {
        report.note(&format!(
            "Not told: {}. Flutter whose sidebands lie beyond the {:.0} Hz of the long record's band may be seen there at a wrong rate; a scope with more memory tells.",
            hertz(&folded_hz),
            speed.highest_hz
        ));
    }
    if !added_hz.is_empty() {
        report.note(&format!(
            "Not among the lines: {}. So much of it stands in the tone's level that it is hum or another tone beside it, no flutter.",
            hertz(&added_hz)
        ));
    }
    let (x_low, x_high, values) = speed.drawn(DRAWN)?;
    report.draw(Figure {
        name: "flutter spectrum, unweighted".into(),
        x_label: "frequency, Hz".into(),
        x_low,
        x_high,
        unit: Unit::Percent,
        series: vec![Series { name: "peak speed error".into(), values, standard_errors: Vec::new() }],
    });
    if subject.tape == TapeKind::Own {
        report.note("A recording of this machine wavers twice: when it was recorded and now. Replay it several times (IEC 60386, 3.4), or use a test tape.");
    }
    Ok(())
}

/// Takes the long record at the best rate that the scope takes: the speed error, and the time base's relative uncertainty.
fn listen(near_hz: f64, observe_s: f64, report: &mut Report) -> Result<(SpeedError, f64)> {
    let can = abilities();
    let span_s = observe_s + plan::BESIDE_S;
    let points = f64::from(can.greatest_points).min(BEARABLE_S / can.seconds_a_point.max(1e-9));
    let mut last = Unable::new(
        UnableCode::NotPossible,
        format!(
            "{points:.0} points over {span_s:.1} s do not show how a tone of {near_hz:.0} Hz wavers with the drum's turns, not even by an \
             alias: set a shorter `observe-s`, or take a scope with more memory"
        ),
    );
    for rate_hz in plan::rates(near_hz, span_s, points) {
        let taken = Acquire::of(&[Signal::AudioLeft]).span_s(span_s).least_rate_hz(rate_hz).take_one();
        let capture = match taken {
            Ok(capture) => capture,
            // Too many points for the time base that the scope has: a lower rate may do.
            Err(unable) if unable.code == UnableCode::NotPossible => {
                last = unable;
                continue;
            }
            Err(unable) => return Err(unable),
        };
        let trace = capture.trace(Signal::AudioLeft)?.samples()?;
        trace.conversion().demand_unclipped("tone")?;
        trace.conversion().demand_steps("tone", 20)?;
        let first = match SpeedError::of(&trace, near_hz) {
            Ok(first) => first,
            Err(error @ MeasureError::TooSlow { .. }) => {
                last = error.into();
                continue;
            }
            Err(error) => return Err(error.into()),
        };
        // The short record saw one moment of the wavering: once more about the mean.
        let speed = SpeedError::of(&trace, first.tone_hz)?;
        let rate_hz = 1.0 / trace.dt_s();
        report.note(&if rate_hz > 2.0 * near_hz {
            format!("Sampled at {rate_hz:.0} Hz, above the tone.")
        } else {
            format!("Sampled at {rate_hz:.1} Hz on purpose: the tone of {near_hz:.1} Hz, known from a short record, is seen by its alias.")
        });
        return Ok((speed, capture.info.timebase_uncertainty));
    }
    Err(last)
}

/// Short records at a higher rate: what flutter there is above the long record's band, which only widens the reading upward.
fn faster(speed: &mut SpeedError) -> Result<()> {
    if speed.highest_hz >= HIGHEST_HZ {
        return Ok(());
    }
    let points = f64::from(abilities().greatest_points);
    let mut last = Unable::new(UnableCode::NotPossible, format!("{points:.0} points do not show fast flutter"));
    for (span_s, rate_hz) in plan::fast(speed.tone_hz, points) {
        match fast_records(speed, span_s, rate_hz) {
            Ok(()) => return Ok(()),
            Err(unable)
                if matches!(unable.code, UnableCode::NotPossible | UnableCode::TooShort | UnableCode::InNoise) =>
            {
                last = unable;
            }
            Err(unable) => return Err(unable),
        }
    }
    last.why = format!(
        "flutter above {:.0} Hz, looked for in short records, may be there: {}; set the tone to its level and look again, or take a scope with more memory",
        speed.highest_hz, last.why
    );
    Err(last)
}

fn fast_records(speed: &mut SpeedError, span_s: f64, rate_hz: f64) -> Result<()> {
    let asked = Acquire::of(&[Signal::AudioLeft]).span_s(span_s).least_rate_hz(rate_hz).count(plan::FAST_RECORDS);
    for capture in asked.take()? {
        let trace = capture.trace(Signal::AudioLeft)?.samples()?;
        trace.conversion().demand_steps("tone", 20)?;
        speed.with_fast(&trace)?;
    }
    Ok(())
}

/// The tone's frequency, and what it says of the tape's speed: judged where the tape's own tone is known to be right. No tape: the
/// sound is the drum's.
fn tone(hz: Estimate, nominal_hz: f64, tape: Option<TapeKind>, settings: &Settings, report: &mut Report) {
    report.measured(Measured::new("tone", Unit::Hertz, &hz));
    let error = hz.scaled(100.0 / nominal_hz).shifted(-100.0);
    let measured = Measured::new("speed-error", Unit::Percent, &error);
    let why = match tape {
        Some(TapeKind::Alignment) => None,
        Some(kind) => Some(format!(
            "a tape of kind {kind} carries the speed of its own recorder, and only an alignment tape judges it"
        )),
        None => Some("FM sound tells the drum's speed against that of its recorder, and not the tape's".to_owned()),
    };
    if let Some(why) = why {
        report.measured(measured);
        report.note(&format!("The speed error is told for information: {why}."));
        return;
    }
    let limits = settings.within(0.0, &p::SPEED_GOOD, &p::SPEED_REJECT);
    if report.measured(measured.judged(limits)) == Some(Outcome::Fail) {
        let way = if error.value > 0.0 { "fast" } else { "slow" };
        report.advise(&format!(
            "The tape runs {:.2} % too {way}, if its tone has {nominal_hz:.0} Hz: see that first. Then run `control-track` and `capstan-lock`: where the servo holds the tape to its control pulses, another test tape tells; where it does not, look at the servo's reference, the pinch roller and the capstan.",
            error.value.abs()
        ));
    }
}

fn hertz(all: &[f64]) -> String {
    all.iter().map(|hz| format!("{hz:.1} Hz")).collect::<Vec<_>>().join(", ")
}

/// The lines, what turns at their rates, and, where the reading is not good, what stands behind it.
fn tell(lines: &[FlutterLine], turns: &Turns, highest_hz: f64, good: bool, report: &mut Report) {
    if lines.is_empty() {
        report.note("No line stands out of the spectrum.");
    }
    for (place, line) in lines.iter().enumerate() {
        let name = format!("line-{}", place + 1);
        report.measured(Measured::new(format!("{name}.frequency"), Unit::Hertz, &line.hz));
        report.measured(Measured::new(format!("{name}.peak"), Unit::Percent, &line.percent));
        report.note(&format!(
            "{name}: {:.2} Hz, {:.3} % peak{}: {}.",
            line.hz.value,
            line.percent.value,
            if line.hz.value > highest_hz { ", by the short fast records" } else { "" },
            turns.text(&line.hz)
        ));
    }
    // What counts in the reading is the line's weight, not its size.
    let weight = |line: &FlutterLine| weighting(line.hz.value) * line.percent.value;
    let heaviest = lines.iter().max_by(|a, b| weight(a).total_cmp(&weight(b)));
    if let Some(line) = heaviest.filter(|_| !good)
        && let Some(finding) = turns.finding(&line.hz)
    {
        report.found(finding, &format!("{:.2} Hz, {:.3} % peak", line.hz.value, line.percent.value));
    }
}

tapewright_sdk::export!(WowFlutter);
