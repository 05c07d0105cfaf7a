//! Own recordings and interchange: what may be recorded on, and what an earlier run is good for.

mod support;

use support::{Rig, block_on, scenario};
use tapewright::report::chain;
use tapewright::report::run_report::RunReport;
use tapewright::report::text;
use tapewright::run::RunError;
use tapewright::run::spec::RunSpec;
use tapewright_formats::{Finding, Outcome, UnableCode};

/// Relay of the record key.
const RECORD: usize = 9;

/// Its stages, counted from 1: the reference, a good own recording, a weak one, one on a bent path, the reference on that.
const OWN: &str = "own-recording-weak";
/// Its stages: a first visit, a second one, one with the guide moved, and a tape that is bent itself at two visits.
const MOVED: &str = "guide-moved";

async fn run(rig: &Rig, spec: RunSpec) -> RunReport {
    let (_, task) = rig.bench.start(spec).await.expect("it begins");
    task.await.expect("no panic").expect("the tool works")
}

/// Plays the first stages of the scenario's file one after the other.
async fn play(rig: &Rig, stages: usize) -> Vec<RunReport> {
    let mut reports = Vec::new();
    for number in 1..=stages {
        let spec = rig.stage(number, &reports);
        reports.push(run(rig, spec).await);
    }
    reports
}

#[track_caller]
fn check(report: &RunReport, verdict: Outcome, there: &[Finding]) {
    let text = text::run(report);
    assert_eq!(report.verdict, Some(verdict), "{text}");
    for finding in there {
        assert!(report.findings.contains(finding), "`{finding}` is missing\n{text}");
    }
}

#[test]
fn nothing_is_recorded_on_a_tape_that_nobody_declared_scratch() {
    block_on(async {
        let rig = Rig::new(scenario(OWN)).await;
        let attending = rig.attended();
        let report = run(&rig, RunSpec { scratch: false, ..rig.stage(2, &[]) }).await;
        check(&report, Outcome::Unable, &[]);
        assert_eq!(report.procedures[0].unable[0].code, UnableCode::WrongTape);
        assert_eq!(rig.presses(RECORD), 0, "the key was not pressed");
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn an_own_recording_plays_flat_on_a_bent_path_and_is_held_against_the_reference_tape() {
    block_on(async {
        let rig = Rig::new(scenario(OWN)).await;
        let attending = rig.attended();
        let reports = play(&rig, 5).await;
        check(&reports[0], Outcome::Pass, &[]);
        check(&reports[1], Outcome::Pass, &[]);
        check(&reports[2], Outcome::Fail, &[Finding::HeadBRecordsWeak]);
        assert!(!reports[2].findings.contains(&Finding::HeadARecordsWeak), "{}", text::run(&reports[2]));
        check(&reports[3], Outcome::Pass, &[]);
        check(&reports[4], Outcome::Fail, &[Finding::EnvelopeExitSag]);
        assert_eq!(rig.presses(RECORD), 3);
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn an_own_recording_without_a_reference_does_not_pass_and_is_none_itself() {
    block_on(async {
        let rig = Rig::new(scenario(OWN)).await;
        let attending = rig.attended();
        // Without the earlier run the comparison is missing, and said so.
        let alone = run(&rig, rig.stage(2, &[])).await;
        check(&alone, Outcome::Unable, &[]);
        let flat =
            alone.procedures[0].measurements.iter().find(|m| m.name == "head-a.flatness").expect("it is measured");
        assert_eq!(flat.outcome, Some(Outcome::Pass));
        // A run that played no reference tape is no reference.
        let other = run(&rig, rig.stage(2, &[alone])).await;
        let codes: Vec<UnableCode> = other.procedures[0].unable.iter().map(|u| u.code).collect();
        assert_eq!(codes, [UnableCode::WrongTape]);
        attending.abort();
        rig.bench.close().await;
    });
}

/// A head that was too weak before both runs keeps its ratio to the reference: the balance tells, and the run that failed is no
/// reference.
#[test]
fn a_head_that_is_weak_with_the_reference_tape_too_does_not_pass() {
    block_on(async {
        let rig = Rig::new(scenario(OWN)).await;
        let attending = rig.attended();
        rig.tell("fault head-b-gain 0.3");
        let reference = play(&rig, 1).await;
        check(&reference[0], Outcome::Fail, &[Finding::HeadBWeak]);
        let weak = run(&rig, rig.stage(3, &reference)).await;
        let procedure = &weak.procedures[0];
        let balance = procedure.measurements.iter().find(|m| m.name == "balance").expect("it is measured");
        assert_eq!(balance.outcome, Some(Outcome::Fail), "{}", text::run(&weak));
        assert_ne!(weak.verdict, Some(Outcome::Pass));
        let codes: Vec<UnableCode> = procedure.unable.iter().map(|u| u.code).collect();
        assert_eq!(codes, [UnableCode::NotPossible, UnableCode::NotPossible], "{}", text::run(&weak));
        // Well again with that reference: nothing is held against it.
        rig.tell("clear head-b-gain");
        let good = run(&rig, rig.stage(2, &reference)).await;
        check(&good, Outcome::Unable, &[]);
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn a_guide_that_moved_between_two_visits_is_told_from_a_tape_that_is_bent() {
    block_on(async {
        let rig = Rig::new(scenario(MOVED)).await;
        let attending = rig.attended();
        let reports = play(&rig, 5).await;
        check(&reports[0], Outcome::Unable, &[]);
        check(&reports[1], Outcome::Pass, &[]);
        check(&reports[2], Outcome::Fail, &[Finding::InterchangeDiffers]);
        // The bent tape sags, as it did before: nothing has changed.
        let bent = &reports[4];
        check(bent, Outcome::Fail, &[]);
        assert!(!bent.findings.contains(&Finding::InterchangeDiffers), "{}", text::run(bent));
        let changes: Vec<Option<Outcome>> =
            bent.procedures[0].measurements.iter().filter(|m| m.name.ends_with(".change")).map(|m| m.outcome).collect();
        assert_eq!(changes, [Some(Outcome::Pass); 4], "{}", text::run(bent));
        // Another tape is no comparison.
        let first = Some(reports[0].run.clone());
        let other = run(&rig, RunSpec { against: first, ..rig.stage(4, &[]) }).await;
        assert_eq!(other.procedures[0].unable[0].code, UnableCode::WrongTape, "{}", text::run(&other));
        let spec = RunSpec { against: Some("r20200101-000000-001".to_owned()), ..rig.stage(1, &[]) };
        let error = rig.bench.start(spec).await.map(|(run, _)| run).expect_err("there is no such run");
        let said = chain(&error);
        assert!(matches!(error, RunError::Spec(_)) && said.contains("r20200101-000000-001"), "{said}");
        attending.abort();
        rig.bench.close().await;
    });
}
