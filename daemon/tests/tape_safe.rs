//! A scrap tape before a precious one: what is measured, what the operator sees, and what the job then allows.

mod support;

use sim_instrument::scenario::Scenario;
use support::{Rig, block_on, vc_07};
use tapewright::records::{Job, JobOpened};
use tapewright::report::run_report::RunReport;
use tapewright::report::{chain, text};
use tapewright::run::RunError;
use tapewright_formats::{Finding, Outcome};

/// A quick machine whose operator answers as told.
fn scenario(answers: &[(&str, &str)]) -> Scenario {
    let mut scenario = vc_07();
    for (prompt, answer) in answers {
        scenario.operator.answers.insert((*prompt).to_owned(), (*answer).to_owned());
    }
    scenario
}

async fn job(rig: &Rig) -> Job {
    let opened = JobOpened {
        machine: rig.scenario.machine.name.clone(),
        format: rig.scenario.machine.format.clone(),
        symptom: "after a repair".to_owned(),
    };
    rig.data.start_job(opened).await.expect("a job")
}

async fn run(rig: &Rig, sequence: &str, tape: &str, job: &Job) -> Result<RunReport, RunError> {
    let mut spec = rig.spec(sequence, tape);
    spec.job = Some(job.id.to_string());
    let (_, task) = rig.bench.start(spec).await?;
    task.await.expect("no panic")
}

/// Runs tape-safe on a machine with a fault: the report, and the job afterwards.
fn play(scenario: Scenario, commands: &[&str]) -> (RunReport, Job) {
    block_on(async {
        let rig = Rig::new(scenario).await;
        let attending = rig.attended();
        for command in commands {
            rig.tell(command);
        }
        let job = job(&rig).await;
        let report = run(&rig, "tape-safe", "scrap", &job).await.expect("the tool works");
        let job = rig.data.job(&job.id).await.expect("the job");
        attending.abort();
        rig.bench.close().await;
        (report, job)
    })
}

#[test]
fn a_scrap_tape_that_comes_out_unharmed_opens_the_job_and_alignment_goes() {
    block_on(async {
        let rig = Rig::new(scenario(&[])).await;
        let attending = rig.attended();
        let job = job(&rig).await;
        let refused = |error: &RunError, word: &str| {
            let said = chain(error);
            assert!(matches!(error, RunError::NoAlignmentTape(_)) && said.contains(word), "{said}");
        };
        // Nobody's word is enough for the sequence that aligns.
        rig.operator.begin(&rig.scenario.stages[1]);
        refused(&run(&rig, "alignment", "alignment", &job).await.expect_err("no tape ran"), "tape-safe");
        let spec = rig.spec("alignment", "council-1991");
        let error = rig.bench.start(spec).await.map(|(run, _)| run).expect_err("another tape");
        assert!(chain(&error).contains("for a tape of kind `alignment`"), "{}", chain(&error));

        let report = run(&rig, "tape-safe", "scrap", &job).await.expect("the tool works");
        let all = text::run(&report);
        assert_eq!(report.verdict, Some(Outcome::Pass), "{all}");
        assert!(report.findings.contains(&Finding::TapeSafe), "{all}");
        let open = rig.data.job(&job.id).await.expect("the job");
        assert_eq!(open.tape_safe_by_run().map(ToString::to_string), Some(report.run.clone()));
        let report = run(&rig, "alignment", "alignment", &job).await.expect("now it goes in");
        let all = text::run(&report);
        // Each step is there or left out with its reason: no probe for it, or another kind of format.
        for (procedure, why) in [
            ("guide-adjust", None),
            ("tracking-centre", None),
            ("head-switch-point", Some("video is not hooked up")),
            ("audio-azimuth", Some("audio-left is not hooked up")),
            ("pilot-tracking", Some("vhs-525-sp has a control track")),
        ] {
            let step = report.procedures.iter().find(|p| p.procedure == procedure).unwrap_or_else(|| panic!("{all}"));
            assert_eq!(step.left_out.as_deref(), why, "{procedure}\n{all}");
        }
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn what_the_operator_sees_fails_it_and_closes_the_job() {
    for (prompt, answer, finding) in [
        ("take-up-in-play", "loop", Finding::TakeUpWeak),
        ("edges-in-play", "curls", Finding::TapeEdgeCurls),
        ("tape-afterwards", "harmed", Finding::TapeHarmed),
    ] {
        let (report, job) = play(scenario(&[(prompt, answer)]), &[]);
        let all = text::run(&report);
        assert_eq!(report.verdict, Some(Outcome::Fail), "{all}");
        assert!(report.findings.contains(&finding) && !report.findings.contains(&Finding::TapeSafe), "{all}");
        assert!(job.alignment_tape().is_err(), "{job:?}");
    }
}

#[test]
fn what_was_not_seen_is_not_claimed() {
    let (report, job) = play(scenario(&[("tension-in-play", "not-seen")]), &[]);
    assert_eq!(report.verdict, Some(Outcome::Unable), "{}", text::run(&report));
    assert!(job.tape_safe_by_run().is_none());
}

#[test]
fn a_tape_that_is_not_driven_evenly_is_not_safe() {
    for command in ["fault control-contact-open", "fault wrong-tape-speed 0.95", "fault transport-stuck"] {
        let (report, job) = play(scenario(&[]), &[command]);
        assert_ne!(report.verdict, Some(Outcome::Pass), "{command}\n{}", text::run(&report));
        assert!(job.tape_safe_by_run().is_none(), "{command}");
    }
}
