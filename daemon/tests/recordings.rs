//! Own recordings and interchange: what may be recorded on, and what an earlier run is good for.

mod support;

use sim_instrument::machine::{GuideCurve, TapeConfig};
use sim_instrument::scenario::Scenario;
use support::{Rig, block_on, vc_07};
use tapewright::report::chain;
use tapewright::report::run_report::RunReport;
use tapewright::report::text;
use tapewright_formats::{Finding, Outcome, TapeKind, UnableCode};

/// Relay of the record key.
const RECORD: usize = 9;

/// VC-07 with a tape that another machine recorded on a path that was bent at the exit.
fn scenario() -> Scenario {
    let mut scenario = vc_07();
    let bent = GuideCurve { entrance_um: 0.0, exit_um: 36.0 };
    let tape = TapeConfig { kind: TapeKind::Other, recorded_on: Some(bent), ..TapeConfig::default() };
    scenario.machine.tapes.insert("market-1990".to_owned(), tape);
    scenario
}

async fn run(rig: &Rig, what: &str, tape: &str, scratch: bool, against: Option<&str>) -> RunReport {
    let mut spec = rig.spec(what, tape);
    spec.scratch = scratch;
    spec.against = against.map(str::to_owned);
    // Only the alignment tape and the test's own have an even picture.
    spec.even_picture = true;
    let (_, task) = rig.bench.start(spec).await.expect("it begins");
    task.await.expect("no panic").expect("the tool works")
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
        let rig = Rig::new(scenario()).await;
        let attending = rig.attended();
        let report = run(&rig, "record-playback", "scrap", false, None).await;
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
        let rig = Rig::new(scenario()).await;
        rig.operator.begin(&rig.scenario.stages[1]);
        let attending = rig.attended();
        let reference = run(&rig, "envelope", "alignment", false, None).await;
        check(&reference, Outcome::Pass, &[]);
        // Without the earlier run the comparison is missing, and said so.
        let alone = run(&rig, "record-playback", "scrap", true, None).await;
        check(&alone, Outcome::Unable, &[]);
        let flat =
            alone.procedures[0].measurements.iter().find(|m| m.name == "head-a.flatness").expect("it is measured");
        assert_eq!(flat.outcome, Some(Outcome::Pass));
        let good = run(&rig, "record-playback", "scrap", true, Some(&reference.run)).await;
        check(&good, Outcome::Pass, &[]);
        assert_eq!(rig.presses(RECORD), 2);

        rig.tell("fault exit-guide 36");
        rig.tell("tape scrap");
        check(&run(&rig, "record-playback", "scrap", true, Some(&reference.run)).await, Outcome::Pass, &[]);
        check(&run(&rig, "envelope", "alignment", false, None).await, Outcome::Fail, &[Finding::EnvelopeExitSag]);
        rig.tell("fault head-b-gain 0.3");
        let weak = run(&rig, "record-playback", "scrap", true, Some(&reference.run)).await;
        check(&weak, Outcome::Fail, &[Finding::HeadBRecordsWeak]);
        // A run that played no reference tape is no reference.
        let other = run(&rig, "record-playback", "scrap", true, Some(&alone.run)).await;
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
        let rig = Rig::new(scenario()).await;
        rig.operator.begin(&rig.scenario.stages[1]);
        let attending = rig.attended();
        rig.tell("fault head-b-gain 0.3");
        let reference = run(&rig, "envelope", "alignment", false, None).await;
        check(&reference, Outcome::Fail, &[Finding::HeadBWeak]);
        let weak = run(&rig, "record-playback", "scrap", true, Some(&reference.run)).await;
        let procedure = &weak.procedures[0];
        let balance = procedure.measurements.iter().find(|m| m.name == "balance").expect("it is measured");
        assert_eq!(balance.outcome, Some(Outcome::Fail), "{}", text::run(&weak));
        assert_ne!(weak.verdict, Some(Outcome::Pass));
        let codes: Vec<UnableCode> = procedure.unable.iter().map(|u| u.code).collect();
        assert_eq!(codes, [UnableCode::NotPossible, UnableCode::NotPossible], "{}", text::run(&weak));
        // Well again with that reference: nothing is held against it.
        rig.tell("clear head-b-gain");
        let good = run(&rig, "record-playback", "scrap", true, Some(&reference.run)).await;
        check(&good, Outcome::Unable, &[]);
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn one_recording_on_two_paths_tells_that_they_differ() {
    block_on(async {
        let rig = Rig::new(scenario()).await;
        let attending = rig.attended();
        rig.tell("fault exit-guide 36");
        let there = run(&rig, "interchange", "market-1990", false, None).await;
        check(&there, Outcome::Unable, &[]);
        let again = run(&rig, "interchange", "market-1990", false, Some(&there.run)).await;
        check(&again, Outcome::Pass, &[]);
        rig.tell("clear exit-guide");
        let here = run(&rig, "interchange", "market-1990", false, Some(&there.run)).await;
        check(&here, Outcome::Fail, &[Finding::InterchangeDiffers]);
        // Another tape is no comparison.
        let other = run(&rig, "interchange", "council-1991", false, Some(&there.run)).await;
        assert_eq!(other.procedures[0].unable[0].code, UnableCode::WrongTape, "{}", text::run(&other));
        let mut spec = rig.spec("interchange", "market-1990");
        spec.against = Some("r20200101-000000-001".to_owned());
        let error = rig.bench.start(spec).await.map(|(run, _)| run).expect_err("there is no such run");
        assert!(chain(&error).contains("r20200101-000000-001"), "{}", chain(&error));
        attending.abort();
        rig.bench.close().await;
    });
}
