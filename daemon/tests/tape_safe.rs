//! A scrap tape before a precious one: what is measured, what the operator sees, and what the job then allows.

mod support;

use sim_instrument::scenario::{Scenario, Stage};
use support::{Rig, block_on, scenario};
use tapewright::bench::events::BenchEvent;
use tapewright::records::{Job, JobEvent, JobOpened, ScrapTapeRan};
use tapewright::report::run_report::RunReport;
use tapewright::report::{chain, text};
use tapewright::run::RunError;
use tapewright::run::spec::RunSpec;
use tapewright_formats::{Finding, Outcome, SignalForm};

/// Its stages, counted from 1: a loop before the take-up reel, an edge that curls, a slow capstan, a tape that comes out harmed, and
/// the machine as it should be.
const FILE: &str = "take-up-weak";
/// The last of them.
const WELL: usize = 5;

async fn job(rig: &Rig) -> Job {
    let opened = JobOpened {
        machine: rig.scenario.machine.name.clone(),
        format: rig.scenario.machine.format.clone(),
        symptom: "after a repair".to_owned(),
    };
    rig.data.start_job(opened).await.expect("a job")
}

async fn run(rig: &Rig, spec: RunSpec, job: &Job) -> Result<RunReport, RunError> {
    let (_, task) = rig.bench.start(RunSpec { job: Some(job.id.to_string()), ..spec }).await?;
    task.await.expect("no panic")
}

/// Plays a stage with more commands before it: the report, and the job afterwards.
fn play(scenario: Scenario, stage: usize, more: &[&str]) -> (RunReport, Job) {
    block_on(async {
        let rig = Rig::new(scenario).await;
        let attending = rig.attended();
        let spec = rig.stage(stage, &[]);
        for command in more {
            rig.tell(command);
        }
        let job = job(&rig).await;
        let report = run(&rig, spec, &job).await.expect("the tool works");
        let job = rig.data.job(&job.id).await.expect("the job");
        attending.abort();
        rig.bench.close().await;
        (report, job)
    })
}

#[test]
fn a_scrap_tape_that_comes_out_unharmed_opens_the_job_and_alignment_goes() {
    block_on(async {
        let rig = Rig::new(scenario(FILE)).await;
        let attending = rig.attended();
        let job = job(&rig).await;
        let refused = |error: &RunError, word: &str| {
            let said = chain(error);
            assert!(matches!(error, RunError::NoAlignmentTape(_)) && said.contains(word), "{said}");
        };
        // Nobody's word is enough for the sequence that aligns.
        let declares = vec!["scrap-tape-ran-safely".to_owned()];
        rig.operator.begin(&Stage { declares, ..Stage::default() });
        refused(&run(&rig, rig.spec("alignment", "alignment"), &job).await.expect_err("no tape ran"), "tape-safe");
        let spec = rig.spec("alignment", "council-1991");
        let error = rig.bench.start(spec).await.map(|(run, _)| run).expect_err("another tape");
        assert!(chain(&error).contains("for a tape of kind `alignment`"), "{}", chain(&error));

        let report = run(&rig, rig.stage(WELL, &[]), &job).await.expect("the tool works");
        let all = text::run(&report);
        assert_eq!(report.verdict, Some(Outcome::Pass), "{all}");
        assert!(report.findings.contains(&Finding::TapeSafe), "{all}");
        let open = rig.data.job(&job.id).await.expect("the job");
        assert_eq!(open.tape_safe_by_run().map(ToString::to_string), Some(report.run.clone()));
        let report = run(&rig, rig.spec("alignment", "alignment"), &job).await.expect("now it goes in");
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
fn a_job_that_was_closed_meanwhile_takes_no_verdict_with_it() {
    block_on(async {
        let rig = Rig::new(scenario(FILE)).await;
        let attending = rig.attended();
        let job = job(&rig).await;
        let spec = RunSpec { job: Some(job.id.to_string()), ..rig.stage(WELL, &[]) };
        let (run, task) = rig.bench.start(spec).await.expect("it begins");
        let closed = JobEvent::JobClosed { conclusion: "fetched".to_owned() };
        rig.data.add_to_job(&job.id, closed).await.expect("it is closed");
        let report = task.await.expect("no panic").expect("the tool works");
        assert_eq!(report.verdict, Some(Outcome::Pass), "{}", text::run(&report));
        let reading = rig.data.read_run(&run.parse().expect("a name")).await.expect("the journal");
        assert!(reading.ended(), "the verdict is kept");
        let events = &rig.bench.shared().events;
        assert!(events.latest(|e| matches!(e, BenchEvent::RunClosed { .. })).is_some(), "whoever watches is told");
        let told = events.latest(|e| matches!(e, BenchEvent::Trouble { .. })).expect("it is said");
        let BenchEvent::Trouble { text } = told.event else { panic!("trouble was asked for") };
        assert!(text.contains("is closed, its machine left") && text.contains("open another job"), "{text}");
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn what_the_operator_sees_fails_it_and_closes_the_job() {
    for (stage, finding) in [(1, Finding::TakeUpWeak), (2, Finding::TapeEdgeCurls), (4, Finding::TapeHarmed)] {
        let (report, job) = play(scenario(FILE), stage, &[]);
        let all = text::run(&report);
        assert_eq!(report.verdict, Some(Outcome::Fail), "{all}");
        assert!(report.findings.contains(&finding) && !report.findings.contains(&Finding::TapeSafe), "{all}");
        assert!(job.alignment_tape().is_err(), "{job:?}");
    }
}

#[test]
fn a_machine_that_passed_once_and_then_did_not_takes_no_alignment_tape() {
    // A loop, an edge that curls, a slow capstan, and a run that could not measure.
    for (stage, more) in [(1, None), (2, None), (3, None), (WELL, Some("fault control-contact-open"))] {
        block_on(async {
            let rig = Rig::new(scenario(FILE)).await;
            let attending = rig.attended();
            let job = job(&rig).await;
            let ran =
                ScrapTapeRan { safely: true, by: "tape-safe".to_owned(), run: Some("r-1".parse().expect("a name")) };
            let open = rig.data.add_to_job(&job.id, JobEvent::ScrapTapeRan(ran)).await.expect("it is noted");
            assert!(open.alignment_tape().is_ok() && open.tape_safe_by_run().is_some());
            let spec = rig.stage(stage, &[]);
            more.into_iter().for_each(|command| rig.tell(command));
            let report = run(&rig, spec, &job).await.expect("the tool works");
            assert_ne!(report.verdict, Some(Outcome::Pass), "{}", text::run(&report));
            let closed = rig.data.job(&job.id).await.expect("the job");
            let why = closed.alignment_tape().expect_err("it is closed again").to_string();
            assert!(why.contains(&report.run), "{why}");
            // Nor does anybody's word put it into a sequence that does not ask for that run by itself.
            let declares = vec!["scrap-tape-ran-safely".to_owned()];
            rig.operator.begin(&Stage { declares, ..Stage::default() });
            let error = run(&rig, rig.spec("first-look", "alignment"), &job).await.expect_err("it is closed");
            let said = chain(&error);
            assert!(matches!(error, RunError::NoAlignmentTape(_)) && said.contains(&report.run), "{said}");
            attending.abort();
            rig.bench.close().await;
        });
    }
}

#[test]
fn a_run_belongs_to_the_job_of_its_own_machine() {
    block_on(async {
        let rig = Rig::new(scenario(FILE)).await;
        let job = job(&rig).await;
        let refused = async |spec: RunSpec, word: &str| {
            let error = rig.bench.start(spec).await.map(|(run, _)| run).expect_err("it is refused");
            assert!(matches!(error, RunError::Spec(_)) && chain(&error).contains(word), "{}", chain(&error));
        };
        let spec = RunSpec { job: Some(job.id.to_string()), ..rig.stage(WELL, &[]) };
        refused(RunSpec { machine: "another".to_owned(), ..spec.clone() }, "machine `another`").await;
        let other = tapewright_formats::formats().iter().find(|format| format.name != spec.format).expect("many");
        refused(RunSpec { format: other.name.to_owned(), ..spec.clone() }, "of the format").await;
        for none in ["j-none", "no job"] {
            refused(RunSpec { job: Some(none.to_owned()), ..spec.clone() }, "there is no job").await;
        }
        let left = JobEvent::JobClosed { conclusion: "mended".to_owned() };
        rig.data.add_to_job(&job.id, left).await.expect("it closes");
        refused(spec, "is closed").await;
        rig.bench.close().await;
    });
}

#[test]
fn what_was_not_seen_is_not_claimed() {
    let mut unseen = scenario(FILE);
    unseen.stages[WELL - 1].answers.insert("tension-in-play".to_owned(), "not-seen".to_owned());
    let (report, job) = play(unseen, WELL, &[]);
    assert_eq!(report.verdict, Some(Outcome::Unable), "{}", text::run(&report));
    assert!(job.tape_safe_by_run().is_none());
}

#[test]
fn a_tape_that_is_not_driven_evenly_is_not_safe() {
    // A capstan that is slow is in the control pulses, and no eye sees it.
    let (report, job) = play(scenario(FILE), 3, &[]);
    assert_eq!(report.verdict, Some(Outcome::Fail), "{}", text::run(&report));
    assert!(job.tape_safe_by_run().is_none());
    let (report, job) = play(scenario(FILE), WELL, &["fault control-missing 0.3"]);
    let all = text::run(&report);
    assert_eq!(report.verdict, Some(Outcome::Fail), "{all}");
    assert!(report.findings.contains(&Finding::ControlTrackMissing), "{all}");
    assert!(job.tape_safe_by_run().is_none(), "{all}");
    for command in ["fault control-contact-open", "fault transport-stuck"] {
        let (report, job) = play(scenario(FILE), WELL, &[command]);
        assert_ne!(report.verdict, Some(Outcome::Pass), "{command}\n{}", text::run(&report));
        assert!(job.tape_safe_by_run().is_none(), "{command}");
    }
}

#[test]
fn a_probe_at_the_control_head_itself_proves_a_tape_safe_too() {
    // Spikes of two millivolts hardly stand out of the extremes that pairs hold of a scope's noise.
    let at_head = || {
        let mut at_head = scenario(FILE);
        let control = &mut at_head.machine.control;
        (control.form, control.spike_v, control.spike_noise_v) = (SignalForm::Spike, 2e-3, 2e-5);
        let mut probes = at_head.scope.probes.iter_mut();
        let probe = probes.find(|probe| probe.label == "CH2").expect("the control track's");
        (probe.factor, probe.expected_v) = (1.0, Some(2e-3));
        at_head
    };
    let (report, job) = play(at_head(), WELL, &[]);
    assert_eq!(report.verdict, Some(Outcome::Pass), "{}", text::run(&report));
    assert!(job.tape_safe_by_run().is_some());
    for (command, want, found) in [
        ("fault control-missing 0.3", Outcome::Fail, &[Finding::ControlTrackMissing][..]),
        ("fault control-contact-open", Outcome::Unable, &[]),
    ] {
        let (report, job) = play(at_head(), WELL, &[command]);
        let all = text::run(&report);
        assert_eq!(report.verdict, Some(want), "{command}\n{all}");
        assert!(found.iter().all(|finding| report.findings.contains(finding)), "{command}\n{all}");
        assert!(job.tape_safe_by_run().is_none(), "{command}");
    }
}
