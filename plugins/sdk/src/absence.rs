//! Proof of absence: nothing is called absent before its probe was seen to work.
//!
//! A signal that is not seen may be missing, or its probe may be. Three steps tell them apart, and
//! all suspects take them together, so that probes and tapes are moved as seldom as can be:
//!
//! 1. the same probe on the same channel shows a known signal: the scope's own test output, or the
//!    head switch;
//! 2. the operator puts the probe back on its point, and the suspect is looked at again;
//! 3. for what comes off the tape in play, another tape is tried: a blank one looks like a fault.
//!
//! Nothing turns while probes are moved: the machine is stopped before, and runs only while a known signal needs the drum.
//! Whatever cannot be done leaves the suspect [`Proof::Open`]: `unable`, never `fail`.

mod known;

use crate::bench::{Action, Point, Prompt, go, hookup, now};
use crate::captures::{Acquire, Slope};
use crate::unable::{Result, Unable};
use known::{Known, TEST_OUTPUT_V, is_square_of};
use tapewright_formats::{Mode, Signal, TapeKind, UnableCode};

/// A signal that was expected in a mode and not seen.
#[derive(Debug, Clone, PartialEq)]
pub struct Suspect {
    /// Where its probe is.
    pub point: Point,
    /// The mode in which it should have been there.
    pub mode: Mode,
}

/// What became of a suspect.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Proof {
    /// Absent; the text says how it was proven.
    Absent(String),
    /// There when looked at again, with the probe back on its point.
    Seen,
    /// Absent with the first tape, there with the second: the tape lacks it, not the machine.
    OnOtherTape,
    /// Not proven: why, and what to do.
    Open(Unable),
}

/// Which tape is in while a suspect is looked at again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tape {
    /// The one that the job began with.
    First,
    /// Another one.
    Second,
}

/// What [`prove`] found out.
#[derive(Debug, Clone, PartialEq)]
pub struct Proved {
    /// One for each suspect, in their order.
    pub proofs: Vec<Proof>,
    /// The first tape was not put back: nothing more should be measured.
    pub wrong_tape: Option<Unable>,
}

/// How long the operator has for a prompt. Common practice, no source.
pub const PATIENCE_S: f64 = 600.0;

const DONE: &str = "done";
const CHOICES: &[&str] = &[DONE, "cannot"];

/// Points of a capture of ten periods of a known signal.
const KNOWN_POINTS: u32 = 1000;

/// How often a clipped known signal is tried: the scope takes a wider range each time.
const WIDENINGS: u32 = 3;

/// What a proof needs of the bench. A trait, so that the order of steps can be tested without one.
trait Hands {
    fn now(&self) -> Mode;
    fn go(&mut self, to: Mode) -> Result<()>;
    fn ask(&mut self, prompt: &Prompt<'_>) -> Result<String>;
    fn shows(&mut self, point: &Point, known: Known) -> Result<bool>;
    fn look(&mut self, mode: Mode, signals: &[Signal], tape: Tape) -> Result<Vec<Signal>>;
}

struct Bench<L> {
    frame_rate_hz: f64,
    look: L,
}

impl<L: FnMut(Mode, &[Signal], Tape) -> Result<Vec<Signal>>> Hands for Bench<L> {
    fn now(&self) -> Mode {
        now()
    }

    fn go(&mut self, to: Mode) -> Result<()> {
        go(to).map(|_| ())
    }

    fn ask(&mut self, prompt: &Prompt<'_>) -> Result<String> {
        prompt.ask()
    }

    fn shows(&mut self, point: &Point, known: Known) -> Result<bool> {
        let rate_hz = known.rate_hz(self.frame_rate_hz);
        if !point.trigger_only {
            let request = Acquire::of(&[point.signal]).span_s(10.0 / rate_hz).least_points(KNOWN_POINTS);
            // The known signal may be far larger than the one that the channel is set for.
            let mut taken = request.clone().take_one();
            for _ in 1..WIDENINGS {
                taken = match taken {
                    Err(unable) if unable.code == UnableCode::Clipped => request.clone().take_one(),
                    other => other,
                };
            }
            return Ok(is_square_of(&taken?.trace(point.signal)?.samples()?, rate_hz));
        }
        // An input that can only trigger shows a signal by triggering.
        let sampled = sampled_signal()?;
        let captures = Acquire::of(&[sampled]).span_s(10.0 / rate_hz).least_points(KNOWN_POINTS).edge_at(
            point.signal,
            Slope::Rising,
            0.5 * TEST_OUTPUT_V,
        );
        match captures.deadline_s(2.0).take_one() {
            Ok(capture) => Ok(capture.info.triggered),
            Err(unable) if unable.code == UnableCode::NoTrigger => Ok(false),
            Err(unable) => Err(unable),
        }
    }

    fn look(&mut self, mode: Mode, signals: &[Signal], tape: Tape) -> Result<Vec<Signal>> {
        (self.look)(mode, signals, tape)
    }
}

fn sampled_signal() -> Result<Signal> {
    let point = hookup()?.into_iter().find(|point| !point.trigger_only);
    point.map(|point| point.signal).ok_or_else(|| {
        Unable::new(
            UnableCode::NotPossible,
            "every input that is hooked up can only trigger: put a probe on a channel that samples",
        )
    })
}

/// Proves suspects absent, or seen after all. (Permissions `captures`, `transport`, `operator`.)
///
/// `look` is called with the transport in the mode: it looks at the signals once more and returns those
/// that it sees. `tape` is the kind that the job began with; it is asked back at the end.
pub fn prove(
    suspects: &[Suspect],
    frame_rate_hz: f64,
    tape: TapeKind,
    look: impl FnMut(Mode, &[Signal], Tape) -> Result<Vec<Signal>>,
) -> Proved {
    Case::new(suspects).run(&mut Bench { frame_rate_hz, look }, tape)
}

/// The suspects, and what is known of each so far; none: still open to every outcome.
struct Case<'a> {
    suspects: &'a [Suspect],
    proofs: Vec<Option<Proof>>,
    wrong_tape: Option<Unable>,
}

impl<'a> Case<'a> {
    fn new(suspects: &'a [Suspect]) -> Self {
        Self { suspects, proofs: vec![None; suspects.len()], wrong_tape: None }
    }

    fn run(mut self, hands: &mut impl Hands, tape: TapeKind) -> Proved {
        self.hold_probes_to_known_signals(hands);
        self.look_again(hands);
        self.try_another_tape(hands, tape);
        let proofs = self
            .suspects
            .iter()
            .zip(self.proofs)
            .map(|(suspect, proof)| proof.unwrap_or_else(|| absent(suspect)))
            .collect();
        Proved { proofs, wrong_tape: self.wrong_tape }
    }

    /// Step 1, and the probe back on its point.
    fn hold_probes_to_known_signals(&mut self, hands: &mut impl Hands) {
        let mut points: Vec<&Point> = Vec::new();
        for suspect in self.suspects {
            if !points.iter().any(|point| point.signal == suspect.point.signal) {
                points.push(&suspect.point);
            }
        }
        let mut nobody: Option<Unable> = None;
        for point in points {
            let shown = match &nobody {
                // Nobody answered the last prompt: do not let each further one run out of time.
                Some(unable) => Err(unable.clone()),
                // A machine that does not stop: nobody is asked to reach into it, for this probe or another.
                None => hold_to_known_signal(hands, point).unwrap_or_else(|unable| {
                    nobody = Some(unable.clone());
                    Err(unable)
                }),
            };
            if let Err(unable) = shown {
                self.settle(
                    |suspect| suspect.point.signal == point.signal,
                    |suspect| Proof::Open(open(suspect, &unable)),
                );
                nobody = nobody.or((unable.code == UnableCode::Unattended).then_some(unable));
            }
        }
    }

    /// Step 2, in each mode that has a suspect left; the mode that the machine is in comes first.
    fn look_again(&mut self, hands: &mut impl Hands) {
        let mut modes = vec![hands.now()];
        modes.extend(self.suspects.iter().map(|suspect| suspect.mode));
        for place in 0..modes.len() {
            let mode = modes[place];
            let signals = self.open_signals(|suspect| suspect.mode == mode);
            if signals.is_empty() || modes[..place].contains(&mode) {
                continue;
            }
            match reach(hands, mode).and_then(|()| hands.look(mode, &signals, Tape::First)) {
                Ok(seen) => {
                    self.settle(|suspect| suspect.mode == mode && seen.contains(&suspect.point.signal), |_| Proof::Seen)
                }
                Err(unable) => {
                    self.settle(|suspect| suspect.mode == mode, |suspect| Proof::Open(open(suspect, &unable)))
                }
            }
        }
    }

    /// Step 3, for what comes off the tape and is missing in play. What is then decided for play holds for
    /// the same signal in the other modes too.
    fn try_another_tape(&mut self, hands: &mut impl Hands, tape: TapeKind) {
        let signals = self.open_signals(|suspect| suspect.mode == Mode::Play && comes_off_tape(suspect.point.signal));
        if signals.is_empty() {
            return;
        }
        let second = hands.go(Mode::Stop).and_then(|()| {
            done(hands, &second_tape(&names(&signals)), Action::ChangeTape(TapeKind::Other), "second-tape")
        });
        let looked = match second {
            Err(unable) => Err(unable),
            Ok(()) => {
                let looked = reach(hands, Mode::Play).and_then(|()| hands.look(Mode::Play, &signals, Tape::Second));
                // Whatever was seen: the job goes on with the tape that it began with.
                let back =
                    hands.go(Mode::Stop).and_then(|()| done(hands, FIRST_TAPE, Action::ChangeTape(tape), "first-tape"));
                self.wrong_tape = back.err().map(|unable| Unable {
                    why: format!(
                        "the first tape was not put back ({}): put it back before anything else is measured",
                        unable.why
                    ),
                    ..unable.on("tape")
                });
                looked
            }
        };
        match looked {
            Ok(seen) => self.settle(|suspect| seen.contains(&suspect.point.signal), |_| Proof::OnOtherTape),
            Err(unable) => self.settle(
                |suspect| signals.contains(&suspect.point.signal),
                |suspect| Proof::Open(open(suspect, &unable)),
            ),
        }
    }

    fn settle(&mut self, which: impl Fn(&Suspect) -> bool, proof: impl Fn(&Suspect) -> Proof) {
        for (suspect, slot) in self.suspects.iter().zip(&mut self.proofs) {
            if slot.is_none() && which(suspect) {
                *slot = Some(proof(suspect));
            }
        }
    }

    fn open_signals(&self, which: impl Fn(&Suspect) -> bool) -> Vec<Signal> {
        let open = self.suspects.iter().zip(&self.proofs).filter(|(suspect, proof)| proof.is_none() && which(suspect));
        let mut signals: Vec<Signal> = open.map(|(suspect, _)| suspect.point.signal).collect();
        signals.dedup();
        signals
    }
}

/// Whether the probe shows a known signal, or why that is not known. An error by itself: the machine did not stop.
fn hold_to_known_signal(hands: &mut impl Hands, point: &Point) -> Result<Result<()>> {
    let known = Known::clearest_for(point);
    // Nothing turns while hands are in the machine.
    reach(hands, Mode::Stop)?;
    let signal = point.signal;
    let there = format!(
        "{signal} is not seen on {}. Hold that same probe to {}, and leave scope and cable as they are. Keep leads and fingers away from the drum.",
        point.channel,
        known.in_words()
    );
    let back = format!(
        "Put the probe of {signal} back on its test point, and make sure that it is the right one and that the probe's earth is on."
    );
    let moved = done(hands, &there, Action::MoveProbe { signal, to: known.as_str().into() }, "probe-proof");
    if moved.is_err() {
        return Ok(moved);
    }
    let shown = if known == Known::HeadSwitch {
        // It needs a turning drum. Stop is pressed whatever came of play: a key may act whose relay then failed.
        let shown = hands.go(Mode::Play).and_then(|()| hands.shows(point, known));
        hands.go(Mode::Stop)?;
        shown
    } else {
        hands.shows(point, known)
    };
    // The probe goes back, whatever was seen.
    let back = done(hands, &back, Action::MoveProbe { signal, to: signal.as_str().into() }, "probe-back");
    if back.is_err() {
        return Ok(back);
    }
    match shown {
        Ok(true) => return Ok(Ok(())),
        Ok(false) => {}
        Err(unable) => return Ok(Err(unable)),
    }
    let why = format!(
        "the probe on {} did not show {}: look at probe, cable and channel first",
        point.channel,
        known.in_words()
    );
    Ok(Err(Unable::new(UnableCode::ProbeNotProven, why)))
}

/// Asks the operator to do something: an error unless it was done.
fn done(hands: &mut impl Hands, text: &str, action: Action, id: &str) -> Result<()> {
    let answer = hands.ask(&Prompt { id, text, action, choices: CHOICES, deadline_s: PATIENCE_S })?;
    if answer == DONE {
        return Ok(());
    }
    Err(Unable::new(UnableCode::Declined, format!("the operator answered `{answer}` to `{id}`")))
}

fn reach(hands: &mut impl Hands, mode: Mode) -> Result<()> {
    if hands.now() == mode { Ok(()) } else { hands.go(mode) }
}

/// What a head reads from the tape; the rest is the machine's own.
const fn comes_off_tape(signal: Signal) -> bool {
    use Signal::{AudioLeft, AudioRight, ControlTrack, HifiRf, Rf, Video};
    matches!(signal, Rf | HifiRf | ControlTrack | Video | AudioLeft | AudioRight)
}

fn names(signals: &[Signal]) -> String {
    signals.iter().map(|signal| signal.as_str()).collect::<Vec<_>>().join(" and ")
}

fn second_tape(missing: &str) -> String {
    format!(
        "{missing}: not seen in play. Put in another tape that plays on another machine (not the alignment tape); a blank or damaged tape looks just like a fault."
    )
}

const FIRST_TAPE: &str = "Put the first tape back in.";

fn absent(suspect: &Suspect) -> Proof {
    let Suspect { point, mode } = suspect;
    let tape = if *mode == Mode::Play && comes_off_tape(point.signal) { "; a second tape gave the same" } else { "" };
    Proof::Absent(format!(
        "in {mode}: the same probe on {} showed a known signal, and nothing back on the point of {}{tape}",
        point.channel, point.signal
    ))
}

/// The reason for an absence that is not proven. The cause keeps its text; the code is the house's one.
fn open(suspect: &Suspect, cause: &Unable) -> Unable {
    let Suspect { point, mode } = suspect;
    let why = format!(
        "{} is not seen on {} in {mode}, and its absence is not proven: {}. Run this again with somebody to move the probe and change the tape when asked",
        point.signal, point.channel, cause.why
    );
    Unable::new(UnableCode::ProbeNotProven, why).on(format!("{mode}.{}", point.signal))
}

#[cfg(test)]
mod tests;
