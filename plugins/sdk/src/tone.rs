//! Finding a test tone on an audio output, and asking for it where the tape is not at it.
//! (Permissions `captures` and `operator`.)

use crate::absence::PATIENCE_S;
use crate::bench::{Action, Prompt, abilities, hooked_up};
use crate::captures::{Acquire, Capture};
use crate::report::Report;
use crate::unable::{On, Result, Unable};
use tapewright_formats::{Signal, UnableCode};
use tapewright_measure::Trace;
use tapewright_measure::demodulate::{Band, Demodulated, demodulate};
use tapewright_measure::sine::strongest_tone;

/// Samples a cycle of the highest tone that a record has at least.
const SAMPLES_A_CYCLE: f64 = 8.0;

/// Points of a record of a tone.
const POINTS: f64 = 2_500.0;

/// A tone must stand so many times above the median of the spectrum.
const CLEAR: f64 = 20.0;

/// Least steps of the converter that a tone must span.
const STEPS: u32 = 20;

/// How far from a tone others are looked for: a wrong tape speed is off by a half, a third, or twice or three times.
const AROUND: f64 = 3.5;

/// By how much of its frequency a level's tone may waver (common practice, no source).
const WAVERS: f64 = 0.02;

/// Slope of the filter about a tone whose level is followed: it settles within a third of a record.
const SLOPE_HZ: f64 = 400.0;

/// Refuses an audio point that gives no samples.
///
/// # Errors
/// `not-hooked-up`, `not-possible`.
pub fn demand_sampled(signal: Signal) -> Result<()> {
    let point = hooked_up(signal)?;
    if point.trigger_only {
        let why = format!("{signal} is on {}, which can only trigger: put it on a channel that samples", point.channel);
        return Err(Unable::new(UnableCode::NotPossible, why).on(signal.as_str()));
    }
    Ok(())
}

/// Records of audio signals, each fit for tones up to a frequency.
///
/// # Errors
/// What the daemon says.
pub fn records(signals: &[Signal], highest_hz: f64, count: u32) -> Result<Vec<Capture>> {
    let rate_hz = SAMPLES_A_CYCLE * highest_hz;
    let points = POINTS.min(f64::from(abilities().greatest_points));
    Acquire::of(signals).span_s(points / rate_hz).least_points(points as u32).count(count).take()
}

/// The samples of one audio signal of a record, neither clipped nor too small.
///
/// # Errors
/// `clipped`, `too-few-steps`, `bad-data`.
pub fn trace_of(capture: &Capture, signal: Signal) -> Result<Trace> {
    let trace = capture.trace(signal)?.samples()?;
    trace.conversion().demand_unclipped("tone").on(signal.as_str())?;
    trace.conversion().demand_steps("tone", STEPS).on(signal.as_str())?;
    Ok(trace)
}

/// Amplitude of a tone against time, where another may sound so far from it. Wavering bends the phase away from any one sine, so
/// the amplitude is followed.
///
/// # Errors
/// `bad-data`, `too-short`.
pub fn amplitudes(trace: &Trace, hz: f64, other_hz_away: f64) -> Result<Demodulated> {
    let pass_hz = WAVERS * hz;
    let stop_hz = (pass_hz + SLOPE_HZ).min(0.8 * hz).min(0.8 * other_hz_away);
    Ok(demodulate(trace, &Band { carrier_hz: hz, pass_hz, stop_hz })?)
}

/// A tone that is looked for.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// Where.
    pub signal: Signal,
    /// Its frequency.
    pub hz: f64,
    /// Within so much of it, as a ratio.
    pub within: f64,
    /// Name of the prompt that asks for it.
    pub prompt: &'a str,
}

/// Looks for a tone; where it is not there, asks once for the tape to be wound to it: its frequency in hertz.
///
/// # Errors
/// `in-noise` where no tone is heard, `wrong-speed` where another one is; what the daemon says.
pub fn find(wanted: &Wanted<'_>, report: &mut Report) -> Result<f64> {
    let first = match look(wanted) {
        Ok(hz) => return Ok(hz),
        Err(unable)
            if matches!(unable.code, UnableCode::InNoise | UnableCode::WrongSpeed | UnableCode::TooFewSteps) =>
        {
            unable
        }
        Err(unable) => return Err(unable),
    };
    report.note(&format!("{}; the operator is asked for the tone.", first.why));
    let prompt = Prompt {
        id: wanted.prompt,
        text: &format!(
            "No tone of {:.0} Hz comes from {}. Wind the tape to that tone, play it, and answer `done`.",
            wanted.hz, wanted.signal
        ),
        action: Action::Adjust(format!("wind the tape to its tone of {:.0} Hz and play", wanted.hz)),
        choices: &["done", "cannot"],
        deadline_s: PATIENCE_S,
    };
    if prompt.ask()? != "done" {
        return Err(first);
    }
    look(wanted)
}

fn look(wanted: &Wanted<'_>) -> Result<f64> {
    let captures = records(&[wanted.signal], AROUND * wanted.hz, 1)?;
    let capture = captures.first().ok_or_else(|| Unable::new(UnableCode::BadData, "the daemon sent no capture"))?;
    let trace = trace_of(capture, wanted.signal)?;
    // Near the tone first: two tones may be recorded at once.
    let (low, high) = (wanted.hz * (1.0 - wanted.within), wanted.hz * (1.0 + wanted.within));
    let rate_hz = 1.0 / trace.dt_s();
    let highest = (AROUND * wanted.hz).min(0.49 * rate_hz);
    let (loudest, _) = strongest_tone(&trace, wanted.hz / AROUND, highest, CLEAR).on("tone")?;
    if let Ok((near, _)) = strongest_tone(&trace, low, high.min(highest), 3.0) {
        let (near, loudest) = (near.tones[0], loudest.tones[0]);
        if (low..=high).contains(&near.hz) && near.amplitude() > 0.05 * loudest.amplitude() {
            return Ok(near.hz);
        }
    }
    let heard = loudest.tones[0].hz;
    let why = format!(
        "{} gives {heard:.1} Hz, {:.2} times the tone of {:.0} Hz: the tape is at another place, or runs at a wrong speed",
        wanted.signal,
        heard / wanted.hz,
        wanted.hz
    );
    Err(Unable::new(UnableCode::WrongSpeed, why).on("tone"))
}
