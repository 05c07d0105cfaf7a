//! The procedure hifi-carriers: the two FM carriers of depth-recorded sound, and the envelope of their heads.

mod envelope;
mod parameters;

use envelope::Envelope;
use parameters as p;
use tapewright_sdk::formats::ProbePlace;
use tapewright_sdk::formats::sound::FmSound;
use tapewright_sdk::measure::fm_sound::{
    Carrier, Places, Seen, balance_db, carrier, carrier_in, least_rate_to_seek_hz, places,
};
use tapewright_sdk::measure::scan::Head as ScanHead;
use tapewright_sdk::prelude::*;

struct HifiCarriers;

/// Length of a short capture: many cycles of the carriers' distance, and far less than a scan.
const SHORT_S: f64 = 4e-4;

/// Captures without sound that the floor is told by.
const FLOORS: u32 = 4;

/// A carrier that swings by more than this in one capture carries sound.
const MODULATED_HZ: f64 = 10e3;

/// Share of captures without a carrier beyond which that is no dropout.
const MOST_LEFT_OUT: f64 = 0.05;

/// Why a carrier's level cannot be told where so many of its captures hold none: only the head switch tells the heads apart.
fn one_head(left_out: usize, captures: usize) -> Option<Unable> {
    if left_out as f64 <= MOST_LEFT_OUT * captures as f64 {
        return None;
    }
    let why = format!(
        "{left_out} of {captures} captures hold no carrier: one audio head may be dead, or the tape is full of dropouts; hook up the head switch to tell the heads apart"
    );
    Some(Unable::new(UnableCode::NotSteady, why))
}

impl Procedure for HifiCarriers {
    fn describe() -> Description {
        p::DESCRIPTION
    }

    fn run(settings: &Settings, report: &mut Report) -> Result<()> {
        let subject = subject()?;
        let carriers_hz = match subject.format.fm_sound() {
            FmSound::Depth { left_hz, right_hz } => [left_hz.value, right_hz.value],
            FmSound::WithPicture(why) => {
                report.advise("Run `envelope`: the video heads carry this sound.");
                return Err(Unable::new(UnableCode::NotInFormat, format!("{}: {why}", subject.format.name)));
            }
            FmSound::None(why) => {
                report.advise("Run `audio-azimuth` and `wow-flutter` on the linear sound.");
                return Err(Unable::new(UnableCode::NotInFormat, format!("{}: {why}", subject.format.name)));
            }
        };
        let set = [settings.number(&p::LEFT), settings.number(&p::RIGHT)];
        let carriers_hz = [0, 1].map(|k| if set[k] > 0.0 { set[k] } else { carriers_hz[k] });
        let point = hooked_up(Signal::HifiRf)?;
        if point.trigger_only {
            let why = format!("hifi-rf is on {}, which can only trigger: put it on a channel", point.channel);
            return Err(Unable::new(UnableCode::NotPossible, why));
        }
        if point.place == ProbePlace::AfterAgc {
            let why = "the point lies after gain control or limiter, where each carrier shows the same level: put the probe before it";
            return Err(Unable::new(UnableCode::LevelHidden, why).on("hifi-rf"));
        }
        go(Mode::Play)?;
        let result = measure(carriers_hz, &subject, settings, report);
        let stopped = if now() == Mode::Stop { Ok(0.0) } else { go(Mode::Stop) };
        result.and(stopped.map(|_| ()))
    }
}

/// Short captures of both carriers.
fn shorts(carriers_hz: [f64; 2], count: u32) -> Result<Vec<Capture>> {
    // So fast that carriers far from their places are seen where they stand, and not as aliases.
    let rate_hz = least_rate_to_seek_hz(carriers_hz[0], carriers_hz[1]);
    let points = f64::from(abilities().greatest_points);
    let span_s = SHORT_S.min(points / rate_hz);
    // The sound may keep step with the captures of one request, and then all of them meet the carrier at one swing.
    Acquire::of(&[Signal::HifiRf]).span_s(span_s).least_rate_hz(rate_hz).take_unevenly(count)
}

fn seen(captures: &[Capture], hz: f64, other_hz: f64) -> Result<Vec<Seen>> {
    captures.iter().map(|capture| Ok(carrier_in(&capture.trace(Signal::HifiRf)?.samples()?, hz, other_hz)?)).collect()
}

/// Where the carriers are looked at. None: they are there, and whose each is does not show.
fn stand(taken: &[Capture], carriers_hz: [f64; 2], report: &mut Report) -> Result<Option<[f64; 2]>> {
    let traces: Vec<Trace> =
        taken.iter().map(|capture| capture.trace(Signal::HifiRf)?.samples()).collect::<Result<_>>()?;
    let khz = |all: &[f64]| all.iter().map(|hz| format!("{:.0} kHz", 1e-3 * hz)).collect::<Vec<_>>().join(" and ");
    match places(&traces, carriers_hz)? {
        Places::AsTheyShould => Ok(Some(carriers_hz)),
        Places::Moved(stand) => {
            report.note(&format!(
                "The carriers stand at {}, far from {}: each is measured where it stands, the left one named by their order.",
                khz(&stand),
                khz(&carriers_hz)
            ));
            Ok(Some(stand))
        }
        Places::Unclear(all) => {
            let seen = khz(&all);
            report.found(Finding::HifiOffFrequency, &format!("seen at {seen}"));
            let why = format!(
                "the spectrum shows carriers at {seen} and nowhere else, where left and right should be at {}: the channel that each belongs to does not show, and none is measured. Play another tape: right there means that this one was recorded so; if it is the same there, look at the drum's speed, and set `left-hz` and `right-hz` if this format has other carriers",
                khz(&carriers_hz)
            );
            report.unable(Unable::new(UnableCode::NotPossible, why).on("carriers"));
            Ok(None)
        }
    }
}

fn measure(carriers_hz: [f64; 2], subject: &Subject, settings: &Settings, report: &mut Report) -> Result<()> {
    report.progress(0.1, "carriers");
    let taken = shorts(carriers_hz, settings.count(&p::CAPTURES)).on("carriers")?;
    let stand = stand(&taken, carriers_hz, report).on("carriers")?;
    let envelope = Envelope::of(subject.format.lines, stand.unwrap_or(carriers_hz))?;
    let frames = settings.count(&p::FRAMES);
    report.progress(0.4, "envelope of the audio heads");
    let scans = match &envelope {
        Some(envelope) => Some((
            envelope.take(ScanHead::A, frames).on("head-a.flatness")?,
            envelope.take(ScanHead::B, frames).on("head-b.flatness")?,
        )),
        None => None,
    };
    report.progress(0.8, "noise floor in stop");
    go(Mode::Stop)?;
    let quiet = shorts(carriers_hz, FLOORS).on("noise floor")?;
    if let Some(stand) = stand
        && !judge_carriers(&taken, &quiet, carriers_hz, stand, envelope.is_some(), settings, report)?
    {
        return Ok(());
    }
    match (&envelope, &scans) {
        (Some(envelope), Some((a, b))) => {
            envelope.judge((a, b), &envelope.floor().on("noise floor")?, settings, report)
        }
        _ => {
            report.note(
                "The head switch is not hooked up: the heads are not told apart, and their envelope is not judged.",
            );
            Ok(())
        }
    }
}

/// Each carrier where it stands, and their balance; false: neither is there.
fn judge_carriers(
    taken: &[Capture],
    quiet: &[Capture],
    carriers_hz: [f64; 2],
    stand: [f64; 2],
    heads_judged: bool,
    settings: &Settings,
    report: &mut Report,
) -> Result<bool> {
    let floor = |hz: f64, other: f64| -> Result<f64> {
        let seen = seen(quiet, hz, other)?;
        let square = seen.iter().map(|s| s.level_v.powi(2)).sum::<f64>() / seen.len().max(1) as f64;
        Ok(square.sqrt())
    };
    let [left_hz, right_hz] = stand;
    let floors = (floor(left_hz, right_hz).on("noise floor")?, floor(right_hz, left_hz).on("noise floor")?);
    let (left, right) =
        (seen(taken, left_hz, right_hz).on("carriers")?, seen(taken, right_hz, left_hz).on("carriers")?);
    let info = taken.first().map(|capture| &capture.info);
    let timebase_u = info.map_or(0.0, |info| info.timebase_uncertainty);
    let gain_u = info.and_then(|info| info.traces.first()).map_or(0.0, |trace| trace.gain_uncertainty);
    let mut heard = 0;
    for (name, seen, floor_v, hz) in
        [("left", &left, floors.0, carriers_hz[0]), ("right", &right, floors.1, carriers_hz[1])]
    {
        let found = match carrier(seen, floor_v, gain_u, timebase_u) {
            Ok(found) => found,
            Err(error) => {
                report.unable(Unable::from(error).on(format!("{name}.level")));
                continue;
            }
        };
        heard += 1;
        if found.swing_hz > MODULATED_HZ {
            report.note(&format!(
                "The {name} carrier swings by {:.0} kHz: sound is on it; a silent stretch tells its frequency better.",
                1e-3 * found.swing_hz
            ));
        }
        judge_frequency(name, hz, &found, settings, report);
        // With the head switch the envelope judges the heads.
        match one_head(found.left_out, seen.len()).filter(|_| !heads_judged) {
            Some(unable) => report.unable(unable.on(format!("{name}.level"))),
            None => {
                report.measured(Measured::new(format!("{name}.level"), Unit::Millivolt, &found.level_v.scaled(1e3)));
            }
        }
    }
    if heard == 0 {
        report.note("Neither carrier is there: the tape may have no depth-recorded sound. Try one that surely has, then the heads and their amplifier.");
        return Ok(false);
    }
    if heard == 2 {
        let balance = balance_db(&left, &right, floors).on("balance")?;
        let limits = settings.within(0.0, &p::BALANCE_GOOD, &p::BALANCE_REJECT);
        let outcome = report.measured(Measured::new("balance", Unit::Decibel, &balance).judged(limits));
        if outcome == Some(Outcome::Fail) {
            report.found(Finding::HifiUnbalanced, &format!("right {:+.1} dB against left", balance.value));
            report.advise("Play another tape: a balance that is right there was recorded wrong here; else the filter of the weak carrier.");
        }
    }
    Ok(true)
}

/// The carrier against its frequency, where the captures tell it.
fn judge_frequency(name: &str, hz: f64, found: &Carrier, settings: &Settings, report: &mut Report) {
    let what = format!("{name}.frequency");
    if found.in_step {
        let why = "the captures came in step with the sound on the carrier, so that their mean is that of one place of its swing: play a silent stretch, or run this again";
        return report.unable(Unable::new(UnableCode::NotSteady, why).on(what));
    }
    let limits = settings.within(hz, &p::HZ_GOOD, &p::HZ_REJECT);
    if report.measured(Measured::new(what, Unit::Hertz, &found.hz).judged(limits)) == Some(Outcome::Fail) {
        let away = 1e-3 * (found.hz.value - hz);
        report.found(Finding::HifiOffFrequency, &format!("{name}: {away:+.1} kHz"));
        report.advise("Play another tape: a carrier that is right there was recorded wrong here. Off on each tape: look at the drum's speed.");
    }
}

tapewright_sdk::export!(HifiCarriers);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dropout_is_no_dead_head() {
        assert!(one_head(0, 8).is_none() && one_head(1, 32).is_none());
        for (left_out, captures) in [(1, 8), (2, 32), (15, 32)] {
            let unable = one_head(left_out, captures).expect("too many");
            assert_eq!(unable.code, UnableCode::NotSteady);
            assert!(unable.why.starts_with(&format!("{left_out} of {captures} captures")), "{}", unable.why);
        }
    }
}
