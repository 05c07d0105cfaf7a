//! What a run gives: the verdict, what is refused in it, and what the limits stop.

mod support;

use std::task::Poll;
use support::{Bench, act, acts, block_on, engine, play, prepare};
use tapewright_clock::Clock;
use tapewright_formats::{Finding, Outcome, UnableCode, Unit};
use tapewright_host::{Call, Cancel, Ended, Failure, Fault, Limits, Log, RunError, Setting, Value, Verdict};

fn verdict(name: &str, bench: Bench, limits: Limits) -> Verdict {
    play(act(name), bench, limits).0.expect("whatever the component does, there is a verdict")
}

/// An act that must end as the procedure's fault, with this reason.
fn faulty(name: &str, limits: Limits, reason: &str) -> Verdict {
    let verdict = verdict(name, Bench::default(), limits);
    assert_eq!(verdict.outcome, Outcome::Unable, "{name}: {verdict:?}");
    assert_eq!(verdict.ended, Ended::Fault, "{name}");
    let last = verdict.unables.last().expect("it says why");
    assert_eq!(last.code, UnableCode::ProcedureFault, "{name}");
    assert!(last.why.contains(reason), "{name}: `{}` does not say `{reason}`", last.why);
    verdict
}

#[test]
fn a_good_run_passes_and_says_by_what() {
    let bench = Bench::default();
    let shown = bench.shown.clone();
    let verdict = verdict("good", bench, Limits::default());
    assert_eq!((verdict.outcome, verdict.ended), (Outcome::Pass, Ended::Finished), "{verdict:?}");
    let measured = &verdict.measurements[0];
    assert_eq!((measured.name.as_str(), measured.unit), ("control-track.level", Unit::Volt));
    assert!((measured.value - 2.0).abs() < 1e-9, "{measured:?}");
    assert_eq!(measured.outcome, Some(Outcome::Pass));
    assert_eq!(measured.contributions.len(), 1);
    assert_eq!(verdict.findings[0].finding, Finding::ControlTrackPresent);
    assert_eq!(verdict.figures[0].series[0].values.len(), 3);
    assert!(verdict.notes[0].contains("vhs-525-sp"), "{:?}", verdict.notes);
    assert!(verdict.fuel > 10_000 && verdict.fuel < 10_000_000, "fuel {}", verdict.fuel);
    assert_eq!(*shown.lock().expect("nobody panics with it"), [0.0, 1.0 / 3.0, 2.0 / 3.0]);
}

#[test]
fn the_host_decides_by_the_limits_in_force() {
    for (level_v, outcome) in
        [(0.2, Outcome::Fail), (0.5, Outcome::Inconclusive), (0.8, Outcome::Marginal), (2.0, Outcome::Pass)]
    {
        let verdict = verdict("good", Bench { level_v, ..Bench::default() }, Limits::default());
        assert_eq!(verdict.outcome, outcome, "{level_v} V: {:?}", verdict.measurements);
    }
    let stricter = [
        act("good"),
        vec![Setting { name: "least-level".into(), value: Value::Number(10.0), source: "this shop".into() }],
    ]
    .concat();
    let verdict = play(stricter, Bench::default(), Limits::default()).0.expect("a verdict");
    assert_eq!(verdict.outcome, Outcome::Fail);
    assert_eq!(verdict.measurements[0].limits.as_ref().expect("it is judged").source, "this shop");
}

#[test]
fn a_verdict_that_contradicts_itself_is_refused() {
    for (name, reason) in [
        ("lie", "it declared `pass`, and its own measurements make `fail`"),
        ("hide an unable", "it declared `pass`, and its own measurements make `unable`"),
        ("pass on nothing", "it declared `pass`, judged nothing, and did not say why"),
        ("nan", "measurement `level`: NaN is not a finite number"),
        ("infinite", "measurement `level`: inf is not a finite number"),
        ("outside", "does not hold the value 0.6"),
        ("unit", "`furlong` is not a unit; known: 1, V,"),
        ("narrow", "an interval of coverage 0.5 is judged, at least 0.95 is needed"),
        ("cross", "its range of reject does not hold its range of good"),
        ("endless limit", "its good limit has no end"),
        ("nameless limit", "its limits do not say where they come from"),
        ("finding", "`machine.haunted` is not a finding"),
        ("code", "`no-wish` is not a code of unable"),
        ("contribution", "contribution `gain` is to measurement 7, of 0"),
        ("press nothing", "it asked for 0 presses of a tracking key"),
        ("press for ever", "it asked for 2147483648 presses of a tracking key"),
        ("request", "request: a span of NaN is not between 0 and"),
    ] {
        faulty(name, Limits::default(), reason);
    }
    assert_eq!(verdict("fail honestly", Bench::default(), Limits::default()).outcome, Outcome::Fail);
}

#[test]
fn each_limit_bites_and_says_so() {
    let base = Limits::default;
    for (name, limits, reason) in [
        ("spin", Limits { fuel: 50_000_000, ..base() }, "it used up its fuel of 50000000"),
        ("bomb", Limits { memory_bytes: 32 << 20, ..base() }, "bytes of memory and asked for"),
        ("good", Limits { memory_bytes: 1 << 16, ..base() }, "of 65536 allowed"),
        ("good", Limits { table_elements: 1, ..base() }, "of 1 allowed"),
        ("recurse", base(), "it trapped ("),
        ("flood", base(), "it made 20000 calls, and may make no more"),
        ("shout", base(), "it handed over more than 1048576 bytes in one call"),
        ("babble", base(), "it reported more than 8388608 bytes"),
        ("hoard captures", base(), "it holds 1000 captures, and may hold no more"),
        ("hoard codes", Limits { codes_held: 1 << 20, ..base() }, "codes, of 1048576 allowed"),
        ("panic", base(), "the tape is a ribbon"),
        ("wait", base(), "operator.ask gave no answer within 3605 s: the bench hangs"),
    ] {
        faulty(name, limits, reason);
    }
}

#[test]
fn captures_that_are_dropped_are_not_held() {
    let limits = Limits { codes_held: 1 << 20, captures_held: 2, ..Limits::default() };
    assert_eq!(verdict("drop captures", Bench::default(), limits).ended, Ended::Finished);
}

#[test]
fn a_prompts_answer_or_its_want_reaches_the_procedure() {
    let silent = Failure::new(UnableCode::Unattended, "nobody answered within 5 s");
    for (answer, code) in [(Ok("no".to_owned()), UnableCode::Declined), (Err(silent), UnableCode::Unattended)] {
        let verdict = verdict("wait", Bench { answer: Some(answer), ..Bench::default() }, Limits::default());
        assert_eq!((verdict.outcome, verdict.ended), (Outcome::Unable, Ended::Finished));
        assert_eq!(verdict.unables[0].code, code);
    }
}

#[test]
fn a_bench_that_cannot_say_what_is_hooked_up_ends_the_run_with_its_own_words() {
    let bench =
        Bench { hookup: Err(Failure::new(UnableCode::LinkLost, "the scope at CM-02 is gone")), ..Bench::default() };
    let verdict = verdict("good", bench, Limits::default());
    assert_eq!(verdict.outcome, Outcome::Unable);
    assert_eq!(verdict.unables[0].code, UnableCode::LinkLost);
    assert_eq!(verdict.unables[0].why, "the scope at CM-02 is gone");
}

#[test]
fn captures_that_make_no_sense_never_reach_a_procedure() {
    for (name, spoil) in [
        ("one trace too few", (|c| drop(c.traces.pop())) as fn(&mut tapewright_host::Capture)),
        ("time that stands still", |c| c.traces[0].info.dt_s = 0.0),
        ("gain that is none", |c| c.traces[0].info.gain_v = f64::NAN),
        ("no codes", |c| c.traces[0].codes = [].into()),
        ("codes beyond the converter", |c| c.traces[0].codes = [0, 500].into()),
        ("pairs", |c| c.traces[0].info.pairs = true),
        ("trigger that never was", |c| c.trigger_s = f64::INFINITY),
    ] {
        let verdict = verdict("good", Bench { spoil, ..Bench::default() }, Limits::default());
        assert_eq!(verdict.outcome, Outcome::Unable, "{name}");
        assert_eq!(verdict.unables[0].code, UnableCode::BadData, "{name}: {:?}", verdict.unables);
    }
}

#[test]
fn a_cancelled_run_says_so_and_keeps_what_it_had() {
    block_on(async {
        let (engine, procedure) = (engine(), acts());
        for name in ["wait", "spin"] {
            let (mut run, _) = prepare(act(name), Bench::default(), Limits::default());
            let cancel = Cancel::default();
            (run.cancel, run.clock) = (cancel.clone(), Clock::real());
            let (running, cancelling) = (engine.run(procedure, run), async {
                // A procedure that computes yields, so this gets its turn.
                for _ in 0..3 {
                    tokio::task::yield_now().await;
                }
                cancel.cancel();
            });
            let verdict = tokio::join!(running, cancelling).0.expect("a verdict");
            assert_eq!((verdict.outcome, verdict.ended), (Outcome::Unable, Ended::Cancelled), "{name}");
            assert_eq!(verdict.unables.last().expect("it says why").code, UnableCode::Cancelled);
            assert_eq!(verdict.notes.len(), usize::from(name == "wait"));
        }
    });
}

#[test]
fn the_watchdog_stops_a_run_that_computes_for_too_long() {
    block_on(async {
        let (engine, procedure) = (engine(), acts());
        let (mut run, _) = prepare(act("spin"), Bench::default(), Limits { run_deadline_s: 0.05, ..Limits::default() });
        run.clock = Clock::real();
        let verdict = engine.run(procedure, run).await.expect("a verdict");
        assert_eq!(verdict.unables[0].why, "it ran for longer than 0.05 s");
        assert!(verdict.fuel < Limits::default().fuel);
    });
}

#[test]
fn virtual_time_stands_still_while_a_procedure_computes() {
    block_on(async {
        let (engine, procedure) = (engine(), acts());
        let (run, _) = prepare(act("spin"), Bench::default(), Limits { fuel: 500_000_000, ..Limits::default() });
        let clock = run.clock.clone();
        let verdict = engine.run(procedure, run).await.expect("a verdict");
        assert!(verdict.unables[0].why.contains("fuel"), "{:?}", verdict.unables);
        assert_eq!(clock.now().as_nanos(), 0);
    });
}

/// To the end of the queue. (The runtime's own `yield_now` waits for a turn of its timers as well.)
async fn give_way() {
    let mut gone = false;
    std::future::poll_fn(|context| {
        if std::mem::replace(&mut gone, true) {
            return Poll::Ready(());
        }
        context.waker().wake_by_ref();
        Poll::Pending
    })
    .await;
}

#[test]
fn a_busy_procedure_does_not_hold_up_the_others() {
    block_on(async {
        let (engine, procedure) = (engine(), acts());
        let (mut run, _) = prepare(act("spin"), Bench::default(), Limits { fuel: 200_000_000, ..Limits::default() });
        run.clock = Clock::real();
        // Two tasks on one thread: the run must give way to the other at each of its yields.
        let running = tokio::spawn(engine.run(procedure, run));
        let (turns, ended) = tokio::spawn(async move {
            let mut turns = 0_u32;
            while !running.is_finished() {
                give_way().await;
                turns += 1;
            }
            (turns, running.await)
        })
        .await
        .expect("it did not panic");
        assert!(turns >= 100, "the other task had {turns} turns in 200 yields");
        assert!(ended.expect("it did not panic").is_ok());
    });
}

#[test]
fn a_log_that_cannot_be_written_ends_the_run_without_a_verdict() {
    struct Full(u32);
    impl Log for Full {
        fn call(&mut self, call: &Call) -> Result<(), Fault> {
            if call.seq >= self.0 { Err("no space left on the disk".into()) } else { Ok(()) }
        }
    }
    block_on(async {
        let (engine, procedure) = (engine(), acts());
        for at in [0, 1, 4] {
            let (mut run, _) = prepare(act("good"), Bench::default(), Limits::default());
            run.log = Box::new(Full(at));
            match engine.run(procedure, run).await {
                Err(RunError::Broken { seq, source, .. }) => {
                    assert_eq!(seq, at);
                    assert_eq!(source.to_string(), "no space left on the disk");
                }
                other => panic!("{other:?}"),
            }
        }
    });
}
