//! The switching point: late, uneven, jittering; and a tape that was switched late.

use super::{Counts, Want, check, count, covered, run};
use tapewright_formats::{Finding, Outcome, UnableCode};
use tapewright_tests::machines::Random;

const SCENARIO: &str = include_str!("../../../sim-instrument/scenarios/head-switch-late.toml");
const PROCEDURE: &str = "head-switch-point";

const NOTHING_OFF: &[Finding] = &[
    Finding::HeadSwitchLate,
    Finding::HeadSwitchEarly,
    Finding::HeadSwitchUneven,
    Finding::HeadSwitchJitter,
    Finding::HeadSwitchMachineOrTape,
];

fn but(finding: Finding) -> Vec<Finding> {
    NOTHING_OFF.iter().copied().filter(|f| *f != finding).collect()
}

#[test]
fn a_late_switching_fails_and_a_right_one_passes() {
    let late = run(SCENARIO, 0, &[], PROCEDURE);
    let (verdict, there) = (Outcome::Fail, &[Finding::HeadSwitchLate][..]);
    check(&late, &Want { verdict, there, not_there: &but(Finding::HeadSwitchLate), unable: &[] });
    let right = run(SCENARIO, 1, &[], PROCEDURE);
    let (verdict, there) = (Outcome::Pass, &[Finding::HeadSwitchOnPoint][..]);
    check(&right, &Want { verdict, there, not_there: NOTHING_OFF, unable: &[] });
}

#[test]
fn each_fault_has_its_own_finding() {
    for (command, finding) in [
        ("fault head-switch-lines 11", Finding::HeadSwitchEarly),
        // Two lines after vertical sync began.
        ("fault head-switch-lines 0.5", Finding::HeadSwitchLate),
        ("fault head-switch-jitter 4e-5", Finding::HeadSwitchJitter),
    ] {
        let said = run(SCENARIO, 1, &[command], PROCEDURE);
        check(&said, &Want { verdict: Outcome::Fail, there: &[finding], not_there: &but(finding), unable: &[] });
    }
    let uneven = run(SCENARIO, 1, &["fault head-switch-b 2.2"], PROCEDURE);
    assert!(uneven.report.findings.contains(&Finding::HeadSwitchUneven), "{:?}", uneven.report.findings);
    assert!(!uneven.report.findings.contains(&Finding::HeadSwitchLate));
}

#[test]
fn a_tape_that_was_switched_late_blames_no_machine() {
    // The machine is right: its own switching shows 6.5 lines before the sync, wherever the tape's recorder switched.
    let unable = &[UnableCode::WrongTape];
    let right = run(SCENARIO, 2, &[], PROCEDURE);
    check(&right, &Want { verdict: Outcome::Unable, there: &[], not_there: NOTHING_OFF, unable });
    // And a machine that is off is not condemned on an ordinary tape.
    let off = run(SCENARIO, 2, &["fault head-switch-lines 2"], PROCEDURE);
    let there = &[Finding::HeadSwitchMachineOrTape];
    check(&off, &Want { verdict: Outcome::Unable, there, not_there: &but(there[0]), unable });
}

#[test]
fn video_that_does_not_follow_the_heads_gives_no_number() {
    // Without RF the machine mutes, and sends a picture of its own.
    let muted = run(SCENARIO, 1, &["fault preamp-dead"], PROCEDURE);
    let measured = muted.report.procedures.iter().map(|p| p.measurements.len()).sum::<usize>();
    assert_eq!((muted.report.verdict, measured), (Some(Outcome::Unable), 0), "{:?}", muted.report);
}

/// A random machine and scope.
fn machine(random: &mut Random, number: u64) -> String {
    let format = *random.one_of(&["vhs-525-sp", "vhs-625-sp", "vhs-625-lp", "s-vhs-525-sp", "beta-625", "8mm-625-sp"]);
    let (front, model) = *random.one_of(&[("family-a", "modest"), ("scpi-99", "modest"), ("scpi-99", "large")]);
    let picture = *random.one_of(&["bars", "grey", "black", "random", "bright-bottom"]);
    format!(
        "title = \"machine {number}\"\nseed = {number}\n[machine]\nname = \"VC-{number:02}\"\nformat = \"{format}\"\ntape = \"in\"\n\
         [machine.transport]\nthreading_s = 0.4\n[machine.drum]\nspin_up_s = 0.3\nlock_tau_s = 0.05\njitter_s = {drum}\n\
         [machine.capstan]\nrun_up_s = 0.1\nlock_tau_s = 0.05\n\
         [machine.head_switch]\nlines_before_sync = {lines}\nb_earlier_lines = {b}\njitter_s = {jitter}\nhigh_is_a = {high}\n\
         [machine.video]\nnoise_v = {noise}\ngain = {gain}\noffset_v = {offset}\nhum_v = {hum}\nline_jitter_s = 2e-8\n\
         [machine.tracking]\noffset_pitch = {tracking}\n\
         [tapes.in]\nkind = \"alignment\"\npicture = \"{picture}\"\n\
         [scope]\nfront_end = \"{front}\"\nmodel = \"{model}\"\n[scope.probes.CH1]\npoint = \"video\"\nfactor = 1.0\nexpected_v = 2.0\n\
         [scope.probes.EXT]\npoint = \"head-switch\"\nfactor = 10.0\nexpected_v = 5.0\n[operator]\nanswer = \"yes\"\n\
         [[stage]]\ntitle = \"as it is\"\ntape = \"in\"\ndeclares = [\"scrap-tape-ran-safely\"]\n",
        drum = random.between(0.0, 4e-6),
        lines = random.between(3.0, 12.0),
        b = random.between(-2.0, 2.0),
        jitter = random.between(1e-6, 15e-6),
        high = random.chance(0.5),
        noise = random.between(0.002, 0.03),
        gain = random.between(0.6, 1.4),
        offset = random.between(-0.2, 0.2),
        hum = random.between(0.0, 0.2),
        tracking = random.between(-0.15, 0.15),
    )
}

#[test]
fn intervals_hold_the_truth_over_random_machines() {
    let mut random = Random::new(31, 1);
    let (mut counts, mut off) = (Counts::new(), String::new());
    for number in 0..32 {
        let text = machine(&mut random, number);
        let said = run(&text, 0, &[], PROCEDURE);
        let measured = said.report.procedures.iter().map(|p| p.measurements.len()).sum::<usize>();
        assert!(measured > 0, "{}\n{text}", tapewright::report::text::run(&said.report));
        count(&said, &mut counts, &mut off);
    }
    let names = [
        "head-a.point",
        "head-b.point",
        "head-a.point-time",
        "head-b.point-angle",
        "difference",
        "head-a.jitter",
        "head-b.jitter",
    ];
    let names: Vec<String> = names.iter().map(|name| format!("{PROCEDURE}/{name}")).collect();
    covered(&counts, &names.iter().map(String::as_str).collect::<Vec<_>>(), 30, &off);
}
