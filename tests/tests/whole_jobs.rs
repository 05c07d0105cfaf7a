//! The sequences of the whole job on one deck, each as it comes in, through bytes and components: what is left out is
//! said, a deck that is well fails nowhere, and faults in several rooms at once are each named by the step that is for them.

use sim_instrument::scenario::Scenario;
use std::sync::Arc;
use tapewright::library::Library;
use tapewright::report::text;
use tapewright_formats::Outcome;
use tapewright_tests::bench::run;

const DECK: &str = include_str!("../../sim-instrument/scenarios/whole-deck.toml");

/// The deck as it is hooked up for a sequence.
fn deck(sequence: &str) -> Scenario {
    // After work on the audio and control head both sound channels are looked at, and the video is not.
    let text = if sequence == "after-repair" {
        DECK.replace("point = \"video\"\nexpected_v = 1.0", "point = \"audio-right\"\nexpected_v = 1.3")
    } else {
        DECK.to_owned()
    };
    Scenario::parse(&text).unwrap_or_else(|faults| panic!("{faults}"))
}

/// Plays one stage, counted from 0: verdict, the faults named in their order, and per procedure what is expected of it.
#[track_caller]
fn check(sequence: &str, stage: usize, verdict: Outcome, faults: &[&str], steps: &[(&str, Option<Outcome>)]) {
    check_of(deck(sequence), sequence, stage, verdict, faults, steps);
}

/// The same of a deck that is given.
#[track_caller]
fn check_of(
    mut scenario: Scenario,
    sequence: &str,
    stage: usize,
    verdict: Outcome,
    faults: &[&str],
    steps: &[(&str, Option<Outcome>)],
) {
    let library = Arc::new(Library::open(&[]).expect("the shipped procedures load"));
    scenario.stages.swap(0, stage);
    let run = run(&scenario, sequence, &library).unwrap_or_else(|error| panic!("{sequence}: {error}"));
    let all = text::run(&run.report);
    assert_eq!(run.report.verdict, Some(verdict), "{all}");
    assert_eq!(run.report.faults, faults, "{all}");
    for (procedure, outcome) in steps {
        let step = run.report.procedures.iter().find(|p| p.procedure == *procedure);
        let step = step.unwrap_or_else(|| panic!("`{procedure}` is missing\n{all}"));
        match outcome {
            Some(_) => assert_eq!(step.verdict, *outcome, "{procedure}\n{all}"),
            None => assert!(step.left_out.is_some(), "{procedure}\n{all}"),
        }
    }
    assert!(run.trouble.is_empty(), "{:?}", run.trouble);
}

const LEFT_OUT: Option<Outcome> = None;

#[test]
fn a_deck_that_is_well_passes_the_full_check() {
    let steps = [
        ("signal-presence", Some(Outcome::Pass)),
        ("supply-ripple", LEFT_OUT),
        ("drum-lock", LEFT_OUT),
        ("control-track", Some(Outcome::Pass)),
        ("still-against-play", Some(Outcome::Pass)),
        ("envelope", Some(Outcome::Pass)),
        ("pilot-tracking", LEFT_OUT),
        ("head-switch-point", Some(Outcome::Pass)),
        ("video-levels", Some(Outcome::Pass)),
        ("audio-azimuth", LEFT_OUT),
        ("wow-flutter", Some(Outcome::Pass)),
        ("hifi-carriers", LEFT_OUT),
        ("dropouts", Some(Outcome::Pass)),
    ];
    check("full-check", 0, Outcome::Pass, &[], &steps);
}

#[test]
fn faults_in_three_rooms_are_each_named() {
    let steps = [
        ("control-track", Some(Outcome::Pass)),
        ("envelope", Some(Outcome::Pass)),
        ("video-levels", Some(Outcome::Fail)),
        ("wow-flutter", Some(Outcome::Fail)),
        ("dropouts", Some(Outcome::Fail)),
    ];
    check("full-check", 1, Outcome::Fail, &["video-sync-clipped", "flutter", "dropouts"], &steps);
}

#[test]
fn after_a_repair_what_is_not_set_yet_is_named() {
    let steps = [
        ("audio-head", Some(Outcome::Pass)),
        ("audio-azimuth", Some(Outcome::Pass)),
        ("tracking-centre", Some(Outcome::Fail)),
        // Beside the middle of its tracks a head gives less than expected.
        ("envelope", Some(Outcome::Marginal)),
        ("head-switch-point", LEFT_OUT),
    ];
    check("after-repair", 2, Outcome::Fail, &["x-position"], &steps);
}

#[test]
fn after_a_repair_that_is_done_the_deck_passes() {
    let steps = [("tracking-centre", Some(Outcome::Pass)), ("head-switch-point", LEFT_OUT)];
    check("after-repair", 0, Outcome::Pass, &[], &steps);
}

/// Heads half as wide again as their tracks hide at tracking centre a guide that is out of height by a fifth of a track.
#[test]
fn a_guide_that_wide_heads_hide_does_not_pass_after_a_repair() {
    let mut wide = deck("after-repair");
    for head in [&mut wide.machine.head_a, &mut wide.machine.head_b] {
        head.width_um = Some(87.0);
    }
    let operator = &mut wide.operator.adjust;
    operator.insert("tracking-one-side".to_owned(), vec!["fault tracking 0.64".to_owned()]);
    operator.insert("tracking-other-side".to_owned(), vec!["fault tracking -0.64".to_owned()]);
    wide.stages[0].run.push("fault exit-guide 22".to_owned());
    let steps = [("envelope", Some(Outcome::Pass)), ("guide-adjust", Some(Outcome::Inconclusive))];
    check_of(wide, "after-repair", 0, Outcome::Inconclusive, &[], &steps);
}

/// The reference is sampled, and the head switch triggers: phase and rate are told without a channel more.
#[test]
fn a_drum_that_hunts_is_found_with_the_head_switch_on_the_trigger_input() {
    let text = DECK.replace("point = \"audio-left\"\nexpected_v = 1.3", "point = \"reference\"\nexpected_v = 5.0");
    let mut hunting = Scenario::parse(&text).unwrap_or_else(|faults| panic!("{faults}"));
    hunting.stages[0].run.push("fault drum-hunting 6e-4".to_owned());
    let steps = [("drum-lock", Some(Outcome::Fail)), ("wow-flutter", LEFT_OUT)];
    check_of(hunting, "full-check", 0, Outcome::Fail, &["drum-hunts"], &steps);
}

/// Many machines have one sound channel: its level peak proves the head, with the screw turned past it and back.
#[test]
fn a_deck_with_one_sound_channel_passes_after_a_repair() {
    let mut mono = deck("full-check");
    mono.machine.audio.stereo = false;
    let passes = |procedure| (procedure, Some(Outcome::Pass));
    let steps = [passes("audio-head"), passes("audio-azimuth"), passes("tracking-centre")];
    check_of(mono, "after-repair", 0, Outcome::Pass, &[], &steps);
}

/// One compiles a procedure while the others wait for it, each on a clock of its own: none of these clocks may run on.
#[test]
fn benches_that_share_a_library_all_run_the_same() {
    let library = Arc::new(Library::open(&[]).expect("the shipped procedures load"));
    let scenario = Scenario::parse(DECK).unwrap_or_else(|faults| panic!("{faults}"));
    let one = || {
        let run = run(&scenario, "wow-flutter", &library).unwrap_or_else(|error| panic!("wow-flutter: {error}"));
        (run.took_s.to_bits(), text::run(&run.report))
    };
    let all: Vec<_> = std::thread::scope(|threads| {
        let started: Vec<_> = (0..3).map(|_| threads.spawn(one)).collect();
        started.into_iter().map(|thread| thread.join().expect("no panic")).collect()
    });
    assert!(all.windows(2).all(|pair| pair[0] == pair[1]), "{all:#?}");
}
