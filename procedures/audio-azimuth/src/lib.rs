//! The procedure audio-azimuth: how far the audio head leans, by phase or by level, and its adjustment.

mod parameters;
mod peak;
mod phase;
mod take;

use parameters as p;
use peak::{FINE, MainLobe};
use phase::Head;
use take::Tones;
use tapewright_sdk::climb::{Climb, Wanted, turned};
use tapewright_sdk::formats::sound::LinearSound;
use tapewright_sdk::measure::azimuth::{Tracks, azimuth_for_loss_min};
use tapewright_sdk::prelude::*;
use tapewright_sdk::tone::demand_sampled;

struct AudioAzimuth;

/// What is turned.
const SCREW: &str = "the azimuth screw";

impl Procedure for AudioAzimuth {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        let tones = Tones::of(settings)?;
        let subject = subject()?;
        let LinearSound::Edge { mono_width_mm, stereo } = subject.format.linear_sound() else {
            let LinearSound::None(why) = subject.format.linear_sound() else { return Ok(()) };
            report.advise("Look at the FM sound of the video heads instead: `envelope` for its level, `wow-flutter` for its time base.");
            return Err(Unable::new(UnableCode::NotInFormat, format!("{}: {why}", subject.format.name)));
        };
        demand_sampled(Signal::AudioLeft)?;
        let points = hookup()?;
        let two = points.iter().any(|point| point.signal == Signal::AudioRight && !point.trigger_only);
        let speed_mm_s = subject.format.tape_speed_mm_s.value;
        let set_mm = settings.number(&p::DISTANCE);
        let distance_mm = if set_mm > 0.0 { Some(set_mm) } else { stereo.map(|tracks| tracks.distance_mm.value) };
        go(Mode::Play)?;
        let result = match distance_mm {
            Some(distance_mm) if two => {
                let limits = limits(settings, tones.high_hz, mono_width_mm.value, speed_mm_s)?;
                let tracks = Tracks { distance_mm, speed_mm_s };
                let width_mm = stereo.map(|tracks| tracks.width_mm.value);
                let head = Head::of(&tones, tracks, width_mm, &points, settings);
                phase::by_phase(&head, &limits, subject.tape, settings, report)
            }
            _ => {
                report.note("One channel: the angle itself is not told, only how far the level lies from its peak.");
                by_level(&tones, subject.tape, settings, report)
            }
        };
        stopped_after(result)
    }
}

/// The angles at which a full-width track loses what is allowed.
fn limits(settings: &Settings, hz: f64, width_mm: f64, speed_mm_s: f64) -> Result<Limits> {
    let (good_db, reject_db) = (settings.number(&p::LOSS_GOOD), settings.number(&p::LOSS_REJECT));
    let angle = |db: f64| azimuth_for_loss_min(db, width_mm, hz, speed_mm_s);
    let band = |half: f64| Limit { at_least: Some(-half), at_most: Some(half) };
    Ok(Limits {
        good: band(angle(good_db)?),
        reject: band(angle(reject_db)?),
        source: format!(
            "{}: the angles at which a track of {width_mm} mm loses {good_db} dB and {reject_db} dB at {hz:.0} Hz",
            settings.source(p::LOSS_GOOD.name)
        ),
    })
}

fn by_level(tones: &Tones, tape: TapeKind, settings: &Settings, report: &mut Report) -> Result<()> {
    let rounds = settings.count(&p::PEAK_ROUNDS);
    if tape != TapeKind::Alignment {
        let why = "the azimuth screw is only turned with an alignment tape: any other may lean itself";
        return Err(Unable::new(UnableCode::WrongTape, why).on("azimuth.below-peak"));
    }
    tones.find(false, report).on("azimuth.below-peak")?;
    let lobe = MainLobe::of(tones.low_hz, tones.high_hz);
    let (coarse, _) = climb(tones, false, (rounds / 2, lobe.wanted()), "coarse", report)?;
    if !coarse.back_at_peak(lobe.wanted()) {
        let why = format!(
            "the level at {:.0} Hz did not come to its peak: {}; a peak at {:.0} Hz may then be a lower one beside the true one: turn the screw past the level peak at {0:.0} Hz and back, with more `peak-rounds`, or hook up the second channel",
            tones.low_hz,
            coarse.text(lobe.wanted()),
            tones.high_hz
        );
        return Err(Unable::new(UnableCode::TooShort, why).on("azimuth.below-peak"));
    }
    tones.find(true, report).on("azimuth.below-peak")?;
    let (fine, last) = climb(tones, true, (rounds - rounds / 2, FINE), "fine", report)?;
    if !fine.passed_peak(FINE) {
        let why = "the level was not seen to fall on both sides of its best: whether that is the peak is not known; turn on, with more `peak-rounds`, or hook up the second channel";
        return Err(Unable::new(UnableCode::TooShort, why).on("azimuth.below-peak"));
    }
    let below = fine.below_best_db();
    // The best of several noisy levels lies a little high; both levels have the noise of one.
    let relative = last.standard_uncertainty / last.value.max(f64::MIN_POSITIVE);
    let u = 20.0 / core::f64::consts::LN_10 * relative * core::f64::consts::SQRT_2;
    let steps = 0.1;
    let estimate = Estimate::combined(
        below,
        vec![
            Contribution::type_a("captures", u, (f64::from(settings.count(&p::CAPTURES)) - 1.0).max(1.0)),
            Contribution::rectangular("the peak lies between two turns of the screw", steps),
        ],
    )?
    .within(0.0, f64::INFINITY);
    // So far below a level that was seen it is off whichever peak that was.
    if estimate.interval.low <= settings.number(&p::LOSS_REJECT) {
        still_on(&lobe, tones, coarse.best_v(), report).on("azimuth.below-peak")?;
    }
    let limits = settings.at_most(&p::LOSS_GOOD, &p::LOSS_REJECT);
    let outcome = report.measured(Measured::new("azimuth.below-peak", Unit::Decibel, &estimate).judged(limits));
    if outcome == Some(Outcome::Fail) {
        report.found(Finding::AzimuthOff, &format!("{below:.1} dB below the level peak at the high tone"));
    }
    Ok(())
}

/// The climb at the high tone may have gone over the edge of the main lobe: the low tone's level tells.
fn still_on(lobe: &MainLobe, tones: &Tones, best_v: f64, report: &mut Report) -> Result<()> {
    report.progress(0.95, "level at the low tone again");
    tones.find(false, report)?;
    let now = tones.level(false)?;
    if lobe.holds(best_v, &now) {
        return Ok(());
    }
    let why = format!(
        "after the adjustment at {:.0} Hz the level at {:.0} Hz is {:.1} mV, where its best was {:.1} mV: the peak that was found is not surely the true one; turn the screw back to the best level at {1:.0} Hz, and run again",
        tones.high_hz,
        tones.low_hz,
        1e3 * now.value,
        1e3 * best_v
    );
    Err(Unable::new(UnableCode::NotSteady, why))
}

/// Turns of the screw while the level at one tone is watched, until the peak was passed and is reached again.
fn climb(
    tones: &Tones,
    high: bool,
    (rounds, wanted): (u32, Wanted),
    what: &'static str,
    report: &mut Report,
) -> Result<(Climb, Estimate)> {
    let mut climb = Climb::default();
    let mut last = tones.level(high).on("azimuth.below-peak")?;
    climb.add(last.value);
    for round in 1..=rounds {
        report.progress(f64::from(round) / f64::from(rounds), what);
        if climb.back_at_peak(wanted) {
            break;
        }
        let text = format!(
            "{} Level {:.1} mV, best {:.1} mV. Then answer `done`; `leave` ends the adjustment.",
            climb.advice(SCREW),
            1e3 * last.value,
            1e3 * climb.best_v()
        );
        if !turned(&format!("azimuth-{what}-{round}"), SCREW, &text)? {
            break;
        }
        last = tones.level(high).on("azimuth.below-peak")?;
        climb.add(last.value);
    }
    Ok((climb, last))
}

tapewright_sdk::export!(AudioAzimuth);
