//! The order of a proof's steps, and what each answer makes of a suspect, with a bench of scripted answers.

use super::*;
use crate::bench::Head;
use tapewright_formats::ProbePlace;
use tapewright_formats::SignalForm;
use tapewright_measure::Trace;

fn point(signal: Signal, expected_v: f64) -> Point {
    Point {
        signal,
        channel: "CH1".into(),
        trigger_only: false,
        place: ProbePlace::BeforeAgc,
        form: SignalForm::Square,
        head: Head::Both,
        high_is_a: true,
        expected_v: Some(expected_v),
    }
}

fn suspect(signal: Signal, mode: Mode) -> Suspect {
    Suspect { point: point(signal, 5.0), mode }
}

/// Answers by prompt; what is seen, by mode and tape; and a diary.
struct Scripted {
    mode: Mode,
    answer: fn(&str) -> Result<String>,
    shows: bool,
    seen: fn(Mode, Tape) -> Vec<Signal>,
    /// Modes that the transport does not report reaching.
    broken: &'static [Mode],
    diary: Vec<String>,
}

impl Hands for Scripted {
    fn now(&self) -> Mode {
        self.mode
    }
    fn go(&mut self, to: Mode) -> Result<()> {
        self.diary.push(to.to_string());
        if self.broken.contains(&to) {
            return Err(Unable::new(UnableCode::NotPossible, "the relay did not answer"));
        }
        self.mode = to;
        Ok(())
    }
    fn ask(&mut self, prompt: &Prompt<'_>) -> Result<String> {
        self.diary.push(prompt.id.to_owned());
        (self.answer)(prompt.id)
    }
    fn shows(&mut self, _: &Point, _: Known) -> Result<bool> {
        Ok(self.shows)
    }
    fn look(&mut self, mode: Mode, _: &[Signal], tape: Tape) -> Result<Vec<Signal>> {
        self.diary.push(format!("look {tape:?}"));
        assert_eq!(mode, self.mode, "a look happens in its mode");
        Ok((self.seen)(mode, tape))
    }
}

fn willing(_: &str) -> Result<String> {
    Ok(DONE.into())
}

fn blind(_: Mode, _: Tape) -> Vec<Signal> {
    Vec::new()
}

fn hands() -> Scripted {
    Scripted { mode: Mode::Play, answer: willing, shows: true, seen: blind, broken: &[], diary: Vec::new() }
}

/// Runs a case and returns one letter a proof, with the diary.
fn prove_with(mut hands: Scripted, suspects: &[Suspect]) -> (String, Vec<String>, Proved) {
    let proved = Case::new(suspects).run(&mut hands, TapeKind::Own);
    let letters = proved.proofs.iter().map(|proof| match proof {
        Proof::Absent(_) => 'A',
        Proof::Seen => 'S',
        Proof::OnOtherTape => 'T',
        Proof::Open(_) => 'o',
    });
    (letters.collect(), hands.diary, proved)
}

const CONTROL: Signal = Signal::ControlTrack;

#[test]
fn every_step_comes_once_and_in_order() {
    let (letters, diary, proved) = prove_with(hands(), &[suspect(CONTROL, Mode::Play)]);
    assert_eq!(letters, "A");
    assert_eq!(
        diary,
        [
            "stop",
            "probe-proof",
            "probe-back",
            "play",
            "look First",
            "stop",
            "second-tape",
            "play",
            "look Second",
            "stop",
            "first-tape"
        ]
    );
    assert_eq!(proved.wrong_tape, None);
}

#[test]
fn several_suspects_share_modes_and_tapes() {
    let both = [suspect(Signal::Rf, Mode::Still), suspect(Signal::Rf, Mode::Play), suspect(CONTROL, Mode::Play)];
    let (letters, diary, _) = prove_with(hands(), &both);
    assert_eq!(letters, "AAA");
    let count = |word: &str| diary.iter().filter(|line| *line == word).count();
    assert_eq!((count("probe-proof"), count("probe-back"), count("second-tape"), count("first-tape")), (2, 2, 1, 1));
    assert_eq!((count("look First"), count("look Second"), count("still")), (2, 1, 1));
}

#[test]
fn each_answer_has_its_outcome() {
    let one = [suspect(CONTROL, Mode::Play)];
    let cases: [(&str, Scripted, &str); 7] = [
        ("seen with the probe back", Scripted { seen: |_, _| vec![CONTROL], ..hands() }, "S"),
        (
            "on the second tape only",
            Scripted { seen: |_, tape| if tape == Tape::Second { vec![CONTROL] } else { vec![] }, ..hands() },
            "T",
        ),
        ("the known signal is not seen", Scripted { shows: false, ..hands() }, "o"),
        (
            "probe not moved",
            Scripted { answer: |id| Ok(if id == "probe-proof" { "cannot" } else { DONE }.into()), ..hands() },
            "o",
        ),
        (
            "probe not put back",
            Scripted { answer: |id| Ok(if id == "probe-back" { "cannot" } else { DONE }.into()), ..hands() },
            "o",
        ),
        (
            "no second tape",
            Scripted { answer: |id| Ok(if id == "second-tape" { "cannot" } else { DONE }.into()), ..hands() },
            "o",
        ),
        (
            "nobody there",
            Scripted { answer: |_| Err(Unable::new(UnableCode::Unattended, "no answer")), ..hands() },
            "o",
        ),
    ];
    for (what, hands, expected) in cases {
        let (letters, _, proved) = prove_with(hands, &one);
        assert_eq!(letters, expected, "{what}");
        for proof in &proved.proofs {
            assert!(
                !matches!(proof, Proof::Open(unable) if unable.code != UnableCode::ProbeNotProven),
                "{what}: {proof:?}"
            );
        }
    }
}

#[test]
fn the_machines_own_signals_need_no_second_tape() {
    let (letters, diary, _) = prove_with(hands(), &[suspect(Signal::HeadSwitch, Mode::Play)]);
    assert_eq!(letters, "A");
    assert!(!diary.iter().any(|line| line == "second-tape"), "{diary:?}");
}

#[test]
fn rf_missing_everywhere_and_back_with_another_tape_blames_the_tape_in_every_mode() {
    let suspects = [suspect(Signal::Rf, Mode::Still), suspect(Signal::Rf, Mode::Play)];
    let seen = |_, tape| if tape == Tape::Second { vec![Signal::Rf] } else { vec![] };
    assert_eq!(prove_with(Scripted { seen, ..hands() }, &suspects).0, "TT");
}

#[test]
fn nobody_is_asked_twice_who_did_not_answer_once() {
    let answer = |_: &str| Err(Unable::new(UnableCode::Unattended, "no answer"));
    let suspects = [suspect(Signal::HeadSwitch, Mode::Play), suspect(CONTROL, Mode::Play)];
    let (letters, diary, _) = prove_with(Scripted { answer, ..hands() }, &suspects);
    assert_eq!((letters.as_str(), diary), ("oo", vec!["stop".to_owned(), "probe-proof".to_owned()]));
}

#[test]
fn a_first_tape_that_stays_out_is_told() {
    let answer = |id: &str| Ok(if id == "first-tape" { "cannot" } else { DONE }.into());
    let (letters, _, proved) = prove_with(Scripted { answer, ..hands() }, &[suspect(CONTROL, Mode::Play)]);
    assert_eq!(letters, "A");
    assert_eq!(proved.wrong_tape.map(|unable| unable.code), Some(UnableCode::Declined));
}

#[test]
fn nothing_runs_while_probes_are_moved() {
    let in_still = Scripted { mode: Mode::Still, ..hands() };
    let (_, diary, _) = prove_with(in_still, &[suspect(Signal::Rf, Mode::Still)]);
    assert_eq!(diary, ["stop", "probe-proof", "probe-back", "still", "look First"]);
    // Three volts would not stand out: the head switch is the known signal, and it needs a turning drum.
    let high_supply = Suspect { point: point(Signal::Supply, 40.0), mode: Mode::Play };
    let (_, diary, _) = prove_with(hands(), &[high_supply]);
    assert_eq!(diary, ["stop", "probe-proof", "play", "stop", "probe-back", "play", "look First"]);
}

#[test]
fn a_transport_that_fails_has_nobody_reach_into_a_machine_that_runs() {
    let suspects = [Suspect { point: point(Signal::Supply, 40.0), mode: Mode::Play }, suspect(CONTROL, Mode::Play)];
    // Play failed after its key was pressed: the machine may turn, whatever mode it is taken to be in.
    let stopped = Scripted { mode: Mode::Stop, broken: &[Mode::Play], ..hands() };
    let (letters, diary, _) = prove_with(stopped, &suspects);
    assert_eq!(
        (letters.as_str(), &diary[..4]),
        ("oo", &["probe-proof", "play", "stop", "probe-back"].map(String::from)[..])
    );
    let (letters, diary, _) = prove_with(Scripted { broken: &[Mode::Stop], ..hands() }, &suspects);
    assert_eq!((letters.as_str(), diary), ("oo", vec!["stop".to_owned()]));
}

#[test]
fn the_known_signal_fits_the_channels_range() {
    for (signal, expected_v, known) in [
        (CONTROL, 5.0, Known::TestOutput),
        (Signal::Rf, 0.3, Known::TestOutput),
        (Signal::Supply, 40.0, Known::HeadSwitch),
        (Signal::HeadSwitch, 40.0, Known::TestOutput),
    ] {
        assert_eq!(Known::clearest_for(&point(signal, expected_v)), known, "{signal} of {expected_v} V");
    }
}

fn drawn(rate_hz: f64, low: f32, high: f32, noise: f32) -> Trace {
    let volts = (0..2500).map(|i| {
        let phase = (f64::from(i) * 4e-6 * rate_hz).fract();
        (if phase < 0.5 { high } else { low }) + noise * ((i * 7919 % 13) as f32 / 13.0 - 0.5)
    });
    Trace::from_volts(0.0, 4e-6, volts.collect()).unwrap()
}

#[test]
fn only_a_square_near_its_rate_is_the_known_signal() {
    for (what, trace, expected) in [
        ("the test output", drawn(1000.0, 0.0, 3.0, 0.05), true),
        ("one that overdrives the channel", drawn(1003.0, -0.2, 0.2, 0.0), true),
        ("a square of another rate", drawn(1200.0, 0.0, 3.0, 0.05), false),
        ("noise", drawn(1000.0, 0.0, 0.0, 0.1), false),
        ("nothing", drawn(1000.0, 0.0, 0.0, 0.0), false),
    ] {
        assert_eq!(is_square_of(&trace, 1000.0), expected, "{what}");
    }
}
