//! The demonstration's verdicts come from the scenario's faults: with a fault taken out of the file,
//! the machine behaves otherwise and the daemon says otherwise.

mod support;

use sim_instrument::scenario::{Scenario, Stage};
use support::{Rig, block_on, vc_07};
use tapewright::report::run_report::RunReport;
use tapewright_formats::{Finding, Outcome, UnableCode};

/// Plays one stage in process.
fn play(scenario: &Scenario, stage: usize) -> RunReport {
    block_on(async {
        let rig = Rig::new(scenario.clone()).await;
        let attending = rig.attended();
        let stage: &Stage = &scenario.stages[stage];
        for command in &stage.run {
            rig.tell(command);
        }
        rig.operator.begin(stage);
        let tape = stage.tape.clone().expect("the stage names its tape");
        let (_, task) = rig.bench.start(rig.spec("first-look", &tape)).await.expect("it begins");
        let report = task.await.expect("no panic").expect("the tool works");
        attending.abort();
        rig.bench.close().await;
        report
    })
}

/// The scenario without the commands that a test takes out of a stage.
fn without(stage: usize, taken_out: &[&str]) -> Scenario {
    let mut scenario = vc_07();
    let before = scenario.stages[stage].run.len();
    scenario.stages[stage].run.retain(|command| !taken_out.contains(&command.as_str()));
    assert_eq!(scenario.stages[stage].run.len() + taken_out.len(), before, "the stage had what is taken out");
    scenario
}

#[track_caller]
fn check(report: &RunReport, verdict: Outcome, there: &[Finding], not_there: &[Finding]) {
    let text = tapewright::report::text::run(report);
    assert_eq!(report.verdict, Some(verdict), "{text}");
    for finding in there {
        assert!(report.findings.contains(finding), "`{finding}` is missing\n{text}");
    }
    for finding in not_there {
        assert!(!report.findings.contains(finding), "`{finding}` is not true\n{text}");
    }
}

#[test]
fn as_it_came_in_the_control_pulses_are_lost() {
    let report = play(&vc_07(), 0);
    check(&report, Outcome::Fail, &[Finding::ControlTrackAbsent, Finding::RfPresent], &[Finding::ControlTrackPresent]);
    assert_eq!(report.faults.first().map(String::as_str), Some("control-track-lost"));
}

#[test]
fn without_the_open_contact_the_exit_guide_is_found() {
    let report = play(&without(0, &["fault control-contact-open"]), 0);
    // An ordinary tape cannot tell the machine's path from the one it was recorded on: unable, not fail.
    let there = [Finding::ControlTrackPresent, Finding::EnvelopeExitSag, Finding::MachineOrTape];
    check(&report, Outcome::Unable, &there, &[Finding::ControlTrackAbsent, Finding::TapeSlip]);
    let guides: Vec<UnableCode> = report.procedures.iter().flat_map(|p| &p.unable).map(|u| u.code).collect();
    assert_eq!(guides, [UnableCode::WrongTape]);
    assert!(!report.faults.iter().any(|fault| fault == "control-track-lost"), "{:?}", report.faults);
}

#[test]
fn without_any_fault_an_ordinary_tape_blames_nothing() {
    let report = play(&without(0, &["fault control-contact-open", "fault exit-guide 36"]), 0);
    let not_there = [Finding::ControlTrackAbsent, Finding::TapeSlip, Finding::EnvelopeExitSag];
    // By pairs the curve is not surely flat, and only an alignment tape may judge: never a pass by chance.
    check(&report, Outcome::Unable, &[Finding::ControlTrackPresent, Finding::RfPresent], &not_there);
    assert!(report.faults.is_empty(), "{:?}", report.faults);
}

/// The second stage on a bench of its own: the alignment tape in a machine with these faults only.
fn alignment(faults: &[&str]) -> RunReport {
    let mut scenario = vc_07();
    scenario.stages[1].run = faults.iter().map(|&fault| fault.to_owned()).collect();
    play(&scenario, 1)
}

#[test]
fn the_alignment_tape_passes_a_machine_without_faults() {
    let not_there = [Finding::ControlTrackAbsent, Finding::TapeSlip, Finding::EnvelopeExitSag];
    check(&alignment(&[]), Outcome::Pass, &[Finding::ControlTrackPresent], &not_there);
}

#[test]
fn the_alignment_tape_fails_a_wrong_exit_guide() {
    let report = alignment(&["fault exit-guide 36"]);
    let not_there = [Finding::ControlTrackAbsent, Finding::TapeSlip, Finding::MachineOrTape];
    check(&report, Outcome::Fail, &[Finding::EnvelopeExitSag], &not_there);
    assert_eq!(report.faults.first().map(String::as_str), Some("exit-guide"));
}

#[test]
fn one_seed_gives_one_report() {
    let mut reports = [play(&vc_07(), 0), play(&vc_07(), 0)];
    for report in &mut reports {
        // Names of runs are drawn anew each time, so that records of two benches never meet.
        report.run.clear();
    }
    assert_eq!(reports[0], reports[1]);
}
