//! What a bench promises whatever happens: stop, dwell, tapes that are not to be hurt, one run at a time.

mod support;

use core::time::Duration;
use support::{Rig, block_on, vc_07};
use tapewright::bench::events::BenchEvent;
use tapewright::bench::prompts::{Action, Question};
use tapewright::bench::transport_task::STILL_DWELL;
use tapewright::records::{JobEvent, JobOpened, RunEvent, ScrapTapeRan};
use tapewright::report::chain;
use tapewright::report::run_report::RunReport;
use tapewright::run::RunError;
use tapewright_formats::{Mode, Outcome, UnableCode};

/// Relay numbers of the simulated machine's keys.
const STOP: usize = 1;
const RECORD: usize = 9;

/// Waits until the bench is in a mode; the virtual clock makes a wait of minutes cost nothing.
async fn until_mode(rig: &Rig, mode: Mode, within: Duration) {
    let end = rig.clock.now() + within;
    while rig.bench.shared().transport.now() != mode {
        assert!(rig.clock.now() < end, "{mode} was not reached within {} s", within.as_secs());
        rig.clock.sleep(Duration::from_millis(50)).await;
    }
}

#[test]
fn stop_preempts_a_run() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        let attending = rig.attended();
        let (_, task) = rig.bench.start(rig.spec("first-look", "council-1991")).await.expect("it begins");
        until_mode(&rig, Mode::Still, Duration::from_secs(60)).await;
        let before = rig.presses(STOP);
        let asked = rig.clock.now();
        rig.bench.stop("the test says so");
        until_mode(&rig, Mode::Stop, Duration::from_secs(3)).await;
        assert!(rig.presses(STOP) > before, "the stop key was pressed");
        let report = task.await.expect("no panic").expect("the tool works");
        assert_eq!(report.verdict, Some(Outcome::Unable), "{}", report.conclusion);
        assert!(rig.clock.now().since(asked) < Duration::from_secs(15), "the run ended soon after");
        let codes: Vec<UnableCode> = report.procedures.iter().flat_map(|p| &p.unable).map(|u| u.code).collect();
        assert!(codes.contains(&UnableCode::Cancelled), "{codes:?}");
        assert_eq!(rig.bench.running(), None);
        // The bench is fit for the next run.
        let (_, task) = rig.bench.start(rig.spec("signal-presence", "council-1991")).await.expect("it begins again");
        let report = task.await.expect("no panic").expect("the tool works");
        assert_eq!(report.verdict, Some(Outcome::Pass), "{}", report.conclusion);
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn still_is_never_held_longer_than_the_dwell_limit() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        rig.tell("tape council-1991");
        let shared = rig.bench.shared().clone();
        shared.transport.go(Mode::Still).await.expect("still is reached");
        let since = rig.clock.now();
        let presses = rig.presses(STOP);
        // A question that nobody answers, asked while the picture stands.
        let question = Question {
            name: "look".to_owned(),
            text: "Look at the picture.".to_owned(),
            action: Action::Answer,
            choices: Vec::new(),
            deadline_s: 3600.0,
        };
        let asking = tokio::spawn({
            let shared = shared.clone();
            async move { shared.ask(question).await }
        });
        rig.clock.sleep(STILL_DWELL - Duration::from_secs(1)).await;
        assert_eq!(shared.transport.now(), Mode::Still, "not before the limit");
        until_mode(&rig, Mode::Stop, Duration::from_secs(5)).await;
        assert!(rig.clock.now().since(since) <= STILL_DWELL + Duration::from_secs(4));
        assert_eq!(rig.presses(STOP), presses + 1);
        let told = shared.events.latest(|e| matches!(e, BenchEvent::Trouble { .. })).expect("it is said");
        let BenchEvent::Trouble { text } = told.event else { panic!("trouble was asked for") };
        assert!(text.contains("still was held"), "{text}");
        assert!(!asking.is_finished(), "the question still waits");
        asking.abort();
        rig.bench.close().await;
    });
}

#[test]
fn frame_advance_does_not_start_the_dwell_anew() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        rig.tell("tape council-1991");
        let shared = rig.bench.shared().clone();
        shared.transport.go(Mode::Still).await.expect("still is reached");
        let since = rig.clock.now();
        while shared.transport.now() != Mode::Stop {
            assert!(rig.clock.now().since(since) <= STILL_DWELL + Duration::from_secs(10), "it goes on for ever");
            rig.clock.sleep(Duration::from_secs(10)).await;
            if shared.transport.now() == Mode::Still && rig.clock.now().since(since) < STILL_DWELL {
                shared.transport.go(Mode::Advance).await.expect("one frame on");
            }
        }
        rig.bench.close().await;
    });
}

#[test]
fn recording_needs_a_tape_that_was_declared_scratch() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        rig.tell("tape scrap");
        let error = rig.bench.shared().transport.go(Mode::Record).await.expect_err("nobody declared the tape scratch");
        assert!(chain(&error).contains("scratch"), "{}", chain(&error));
        assert_eq!(rig.presses(RECORD), 0, "the key was not pressed");
        let mut spec = rig.spec("first-look", "alignment");
        spec.scratch = true;
        let error = rig.bench.start(spec).await.map(|(run, _)| run).expect_err("an alignment tape is never scratch");
        assert!(chain(&error).contains("never recorded on"), "{}", chain(&error));
        rig.bench.close().await;
    });
}

#[test]
fn an_alignment_tape_waits_for_a_scrap_tape() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        let opened = JobOpened {
            machine: rig.scenario.machine.name.clone(),
            format: rig.scenario.machine.format.clone(),
            symptom: "bands of snow".to_owned(),
        };
        let job = rig.data.start_job(opened).await.expect("a job");
        // The scripted operator declares nothing yet, and so answers no.
        let attending = rig.attended();
        let spec = || {
            let mut spec = rig.spec("signal-presence", "alignment");
            spec.job = Some(job.id.to_string());
            spec
        };
        let keys: Vec<u64> = (2..=9).map(|relay| rig.presses(relay)).collect();
        let (run, task) = rig.bench.start(spec()).await.expect("it is asked for");
        let error = task.await.expect("no panic").expect_err("no scrap tape ran");
        assert!(matches!(error, RunError::NoAlignmentTape(_)), "{}", chain(&error));
        let after: Vec<u64> = (2..=9).map(|relay| rig.presses(relay)).collect();
        assert_eq!(after, keys, "no key but stop was pressed");
        let run = run.parse().expect("a run's name");
        let journal = rig.data.read_run(&run).await.expect("the journal");
        let closed = journal.events().any(|e| matches!(e, RunEvent::RunClosed(c) if c.outcome == Outcome::Unable));
        assert!(closed, "the journal is closed with unable");
        // A scrap tape came out without a mark.
        let ran = ScrapTapeRan { safely: true, by: "the test".to_owned(), run: None };
        rig.data.add_to_job(&job.id, JobEvent::ScrapTapeRan(ran)).await.expect("it is noted");
        let (_, task) = rig.bench.start(spec()).await.expect("it begins");
        let report = task.await.expect("no panic").expect("the tool works");
        assert_eq!(report.verdict, Some(Outcome::Pass), "{}", report.conclusion);
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn cancel_closes_the_journal_with_unable() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        let attending = rig.attended();
        let (run, task) = rig.bench.start(rig.spec("first-look", "council-1991")).await.expect("it begins");
        until_mode(&rig, Mode::Play, Duration::from_secs(60)).await;
        assert!(!rig.bench.cancel("some other run"), "only the named run is cancelled");
        assert!(rig.bench.cancel(&run));
        let report = task.await.expect("no panic").expect("the tool works");
        assert_eq!(report.verdict, Some(Outcome::Unable), "{}", report.conclusion);
        assert_eq!(rig.bench.shared().transport.now(), Mode::Stop);
        let journal = rig.data.read_run(&run.parse().expect("a name")).await.expect("the journal");
        assert!(journal.ended());
        let closed: Vec<Outcome> = journal
            .events()
            .filter_map(|e| match e {
                RunEvent::RunClosed(closed) => Some(closed.outcome),
                _ => None,
            })
            .collect();
        assert_eq!(closed, [Outcome::Unable]);
        attending.abort();
        rig.bench.close().await;
    });
}

/// Waits until a word is in the run's journal. It gives way without time passing, and so comes back while the
/// runner still waits for the disk.
async fn until_written(rig: &Rig, run: &str, word: &str) {
    let file = rig.folder.path().join(format!("runs/{run}.journal"));
    let mut seen = 0;
    loop {
        let length = std::fs::metadata(&file).expect("the journal").len();
        if length != seen {
            seen = length;
            let text = std::fs::read_to_string(&file).expect("the journal");
            if text.contains(word) {
                return;
            }
            assert!(!text.contains("run-closed"), "the run ended without `{word}`");
        }
        tokio::task::yield_now().await;
    }
}

/// The steps after the first that did not run: the next is cancelled, the rest were not looked at, and the records
/// say the same.
async fn check_cancelled(rig: &Rig, report: &RunReport, ran: usize) {
    let steps: Vec<&str> = report.procedures.iter().map(|p| p.procedure.as_str()).collect();
    assert_eq!(steps, ["signal-presence", "control-track", "still-against-play", "envelope"]);
    assert_eq!(report.verdict, Some(Outcome::Unable), "{}", report.conclusion);
    let (next, rest) = report.procedures[ran..].split_first().expect("a step is left");
    let codes: Vec<UnableCode> = next.unable.iter().map(|u| u.code).collect();
    assert_eq!((next.verdict, codes), (Some(Outcome::Unable), vec![UnableCode::Cancelled]));
    for step in rest {
        assert!(step.verdict.is_none(), "{}", step.procedure);
        assert_eq!(step.left_out.as_deref(), Some("the run was cancelled before it"));
    }
    let reading = rig.data.read_run(&report.run.parse().expect("a name")).await.expect("the journal");
    assert_eq!(&RunReport::from_journal(&report.run, &reading).expect("known verdicts"), report);
}

#[test]
fn a_stop_between_two_steps_is_no_pass() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        let attending = rig.attended();
        let (run, task) = rig.bench.start(rig.spec("first-look", "council-1991")).await.expect("it begins");
        until_written(&rig, &run, "procedure-verdict").await;
        rig.bench.stop("the test says so");
        let report = task.await.expect("no panic").expect("the tool works");
        assert_eq!(report.procedures[0].verdict, Some(Outcome::Pass), "{}", report.conclusion);
        check_cancelled(&rig, &report, 1).await;
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn a_run_that_is_cancelled_before_it_begins_lists_every_step() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        let attending = rig.attended();
        let keys: Vec<u64> = (2..=9).map(|relay| rig.presses(relay)).collect();
        let (run, task) = rig.bench.start(rig.spec("first-look", "council-1991")).await.expect("it begins");
        assert!(rig.bench.cancel(&run));
        let report = task.await.expect("no panic").expect("the tool works");
        check_cancelled(&rig, &report, 0).await;
        let after: Vec<u64> = (2..=9).map(|relay| rig.presses(relay)).collect();
        assert_eq!(after, keys, "no key but stop was pressed");
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn a_stop_ends_a_run_that_waits_for_its_first_answers() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        let opened = JobOpened {
            machine: rig.scenario.machine.name.clone(),
            format: rig.scenario.machine.format.clone(),
            symptom: "bands of snow".to_owned(),
        };
        let job = rig.data.start_job(opened).await.expect("a job");
        for (prompt, tape, acknowledge) in [("cautions", "council-1991", false), ("scrap-tape", "alignment", true)] {
            let mut spec = rig.spec("first-look", tape);
            (spec.acknowledge, spec.job) = (acknowledge, Some(job.id.to_string()));
            let keys: Vec<u64> = (2..=9).map(|relay| rig.presses(relay)).collect();
            let (_, task) = rig.bench.start(spec).await.expect("it begins");
            let open = || rig.bench.shared().prompts.open();
            while open().is_empty() {
                rig.clock.sleep(Duration::from_millis(50)).await;
            }
            assert_eq!(open()[0].question.name, prompt);
            let asked = rig.clock.now();
            rig.bench.stop("the test says so");
            let report = task.await.expect("no panic").expect("the tool works");
            assert!(rig.clock.now().since(asked) < Duration::from_secs(15), "{prompt}: the run ended soon after");
            check_cancelled(&rig, &report, 0).await;
            assert!(open().is_empty(), "nobody is asked any more");
            let after: Vec<u64> = (2..=9).map(|relay| rig.presses(relay)).collect();
            assert_eq!(after, keys, "no key but stop was pressed");
        }
        // That nobody answered is no word on the tape.
        assert!(rig.data.job(&job.id).await.expect("the job").scrap_tape.is_none());
        rig.bench.close().await;
    });
}

#[test]
fn a_machine_that_does_not_stop_is_no_pass() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        let attending = rig.attended();
        let (run, task) = rig.bench.start(rig.spec("signal-presence", "council-1991")).await.expect("it begins");
        // From here on the keys do nothing any more.
        until_mode(&rig, Mode::Play, Duration::from_secs(60)).await;
        rig.tell("fault transport-stuck");
        let report = task.await.expect("no panic").expect("the tool works");
        assert_eq!(report.procedures[0].verdict, Some(Outcome::Pass), "the procedure saw nothing of it");
        assert_eq!(report.verdict, Some(Outcome::Unable), "{}", report.conclusion);
        let alarm = report.alarm.clone().expect("the alarm is kept");
        assert!(alarm.contains("V of RF: stop the machine by hand"), "{alarm}");
        assert!(report.next.starts_with(&alarm) && report.conclusion.contains(&alarm), "{}", report.next);
        let reading = rig.data.read_run(&run.parse().expect("a name")).await.expect("the journal");
        assert_eq!(RunReport::from_journal(&run, &reading).expect("known verdicts"), report);
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn two_starts_on_one_bench() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        let attending = rig.attended();
        let (first, second) = (rig.spec("signal-presence", "council-1991"), rig.spec("first-look", "council-1991"));
        let (a, b) = tokio::join!(rig.bench.start(first), rig.bench.start(second));
        let (run, task) = a.expect("the first begins");
        let error = b.map(|(run, _)| run).expect_err("the second is told");
        assert!(matches!(error, RunError::Busy { .. }), "{}", chain(&error));
        let again = rig.bench.start(rig.spec("first-look", "council-1991")).await.map(|(run, _)| run);
        assert!(matches!(again, Err(RunError::Busy { run: busy, .. }) if busy == run));
        task.await.expect("no panic").expect("the tool works");
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn records_read_back_equal() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        let attending = rig.attended();
        rig.tell("fault control-contact-open");
        let (run, task) = rig.bench.start(rig.spec("first-look", "harbour-1988")).await.expect("it begins");
        let live = task.await.expect("no panic").expect("the tool works");
        assert!(live.procedures.iter().any(|p| p.left_out.is_some()), "a step was left out");
        assert!(live.procedures.iter().any(|p| !p.measurements.is_empty()), "something was measured");
        let reading = rig.data.read_run(&run.parse().expect("a name")).await.expect("the journal");
        let read = RunReport::from_journal(&run, &reading.sound().expect("an unbroken chain")).expect("known verdicts");
        assert_eq!(read, live);
        attending.abort();
        rig.bench.close().await;
    });
}

#[test]
fn a_bench_that_ends_stops_the_tape() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        let attending = rig.attended();
        let (_, task) = rig.bench.start(rig.spec("first-look", "council-1991")).await.expect("it begins");
        until_mode(&rig, Mode::Play, Duration::from_secs(60)).await;
        rig.bench.close().await;
        assert_eq!(rig.bench.shared().transport.now(), Mode::Stop);
        let report = task.await.expect("no panic").expect("the tool works");
        assert_eq!(report.verdict, Some(Outcome::Unable));
        attending.abort();
    });
}

#[test]
fn a_run_that_the_disk_ends_is_a_failure_of_the_tool() {
    block_on(async {
        let rig = Rig::new(vc_07()).await;
        let attending = rig.attended();
        // Where captures would go lie files: none can be kept.
        for first in 0..=255_u8 {
            std::fs::write(rig.folder.path().join(format!("captures/{first:02x}")), "").expect("a file");
        }
        let (run, task) = rig.bench.start(rig.spec("signal-presence", "council-1991")).await.expect("it begins");
        let error = task.await.expect("no panic").expect_err("the tool failed");
        assert!(matches!(error, RunError::Host { .. }), "{error}");
        let reading = rig.data.read_run(&run.parse().expect("a name")).await.expect("it reads");
        let report = RunReport::from_journal(&run, &reading).expect("a report");
        assert_eq!((report.verdict, report.tool_failed), (Some(Outcome::Unable), true));
        assert!(report.next.contains("has room and can be written"), "{}", report.next);
        attending.abort();
        rig.bench.close().await;
    });
}
