//! Tracking keys that relays press: what is configured, what is pressed, what ends the presses (and every other wait for
//! the machine), and that it can be judged again.

mod support;

use core::sync::atomic::{AtomicU32, Ordering};
use core::time::Duration;
use std::sync::Arc;
use support::program::{check_code, err, out, run, serve, start, write_config};
use support::{Rig, block_on, scenario};
use tapewright::bench::events::{BenchEvent, EventLog};
use tapewright::bench::prompts::{Action, PromptDesk};
use tapewright::bench::transport_task::{DONE, Keys, KeysError, STILL_DWELL, TransportHandle};
use tapewright::report::chain;
use tapewright::run::rejudge::Rejudged;
use tapewright::run::spec::RunSpec;
use tapewright_clock::{Clock, WallTime};
use tapewright_formats::{Finding, Mode, Outcome, TapeKind, TrackingPress, UnableCode};
use tapewright_instrument::link::BoxFuture;
use tapewright_instrument::transport::RecordGrant;
use tapewright_instrument::{StopHandle, TransportControl, TransportError};

/// Relay numbers of the simulated machine's keys.
const STOP: usize = 1;
const UP: usize = 10;
const DOWN: usize = 11;

/// The deck of the scenario with tracking keys.
async fn rig() -> Rig {
    let mut scenario = scenario("x-position");
    scenario.machine.tracking.keys = true;
    Rig::new(scenario).await
}

/// What was pressed of the tracking keys, and whether the operator was asked for anything.
async fn pressed(rig: &Rig) -> (Vec<TrackingPress>, bool) {
    let events = rig.bench.shared().events.after(0, rig.clock.now()).await;
    let asked = events.iter().any(|e| matches!(e.event, BenchEvent::Prompted { .. }));
    let presses = events.into_iter().filter_map(|e| match e.event {
        BenchEvent::TrackingAsked { press } => Some(press),
        _ => None,
    });
    (presses.collect(), asked)
}

/// How often tracking keys went down.
fn tracking_presses(rig: &Rig) -> u64 {
    rig.presses(UP) + rig.presses(DOWN)
}

#[test]
fn a_run_by_the_keys_asks_nobody_leaves_the_centre_and_is_judged_again_the_same() {
    let folder = block_on(async {
        let rig = rig().await;
        let spec = rig.spec("tracking-centre", "harbour-1988");
        let (_, task) = rig.bench.start(spec).await.expect("it begins");
        let report = task.await.expect("no panic").expect("the tool works");
        let codes: Vec<UnableCode> = report.procedures.iter().flat_map(|p| &p.unable).map(|u| u.code).collect();
        assert_eq!(codes, [UnableCode::WrongTape], "{}", report.conclusion);
        let (presses, asked) = pressed(&rig).await;
        assert!(!asked, "nobody was asked");
        assert!(presses.len() > 10, "{presses:?}");
        assert_eq!((presses[0], presses[presses.len() - 1]), (TrackingPress::Centre, TrackingPress::Centre));
        rig.bench.close().await;
        rig.folder
    });
    let served = serve(&scenario("x-position"));
    let config = write_config(folder.path(), &served);
    let text = std::fs::read_to_string(&config).expect("it is there");
    std::fs::write(&config, text.replace("data = \"records\"", "data = \".\"")).expect("it is written");
    let config = config.display().to_string();
    let _daemon = start(config.as_ref());
    let listed = run(&["runs", "--json", "--config", &config]);
    let runs: serde_json::Value = serde_json::from_str(&out(&listed)).expect("JSON");
    let id = runs[0]["id"].as_str().unwrap_or_else(|| panic!("a run: {runs}")).to_owned();
    let rejudged = run(&["rejudge", &id, "--json", "--config", &config]);
    check_code(&rejudged, 0);
    let all: Vec<Rejudged> = serde_json::from_str(&out(&rejudged)).expect("JSON");
    assert_eq!((all[0].again, all[0].differences.len()), (Some(Outcome::Unable), 0), "{all:?}");
}

#[test]
fn stop_and_cancel_come_before_the_next_press() {
    for cancelled in [false, true] {
        block_on(async {
            let rig = rig().await;
            let spec = rig.spec("tracking-centre", "harbour-1988");
            assert_eq!(spec.tape, TapeKind::Other);
            let (run, task) = rig.bench.start(spec).await.expect("it begins");
            let end = rig.clock.now() + Duration::from_secs(120);
            // Several at once, so that some are left.
            let several = |press: &TrackingPress| matches!(press, TrackingPress::By(_)) && press.presses() > 1;
            while !pressed(&rig).await.0.iter().any(several) {
                assert!(rig.clock.now() < end, "no key was pressed several times within 120 s");
                rig.clock.sleep(Duration::from_millis(20)).await;
            }
            let stops = rig.presses(STOP);
            if cancelled {
                assert!(rig.bench.cancel(&run), "it was running");
            } else {
                rig.bench.stop("the test says so");
            }
            let keys = tracking_presses(&rig);
            let report = task.await.expect("no panic").expect("the tool works");
            assert!(rig.presses(STOP) > stops, "the stop key was pressed");
            assert_eq!(tracking_presses(&rig), keys, "no tracking key was pressed any more, cancelled: {cancelled}");
            assert_eq!(report.verdict, Some(Outcome::Unable), "{}", report.conclusion);
            assert!(!report.findings.contains(&Finding::TrackingCentred));
            rig.bench.close().await;
            assert_eq!(tracking_presses(&rig), keys, "nor after the run");
        });
    }
}

#[test]
fn what_nobody_waits_for_any_more_ends_at_once_and_the_machine_stops() {
    for what in ["track", "go", "record"] {
        block_on(async {
            let rig = rig().await;
            rig.tell("tape harbour-1988");
            let transport = rig.bench.shared().transport.clone();
            if what == "track" {
                transport.go(Mode::Play).await.expect("play is reached");
            }
            let (before, keys) = (rig.presses(STOP), tracking_presses(&rig));
            let asked = async {
                match what {
                    "track" => transport.track(TrackingPress::By(200)).await.map(drop),
                    "go" => transport.go(Mode::Play).await.map(drop),
                    _ => {
                        let grant = RecordGrant::for_scratch_tape("the test's");
                        transport.record(grant, Duration::from_secs(600)).await
                    }
                }
            };
            let given_up = rig.clock.now() + Duration::from_millis(500);
            assert!(rig.clock.deadline(given_up, asked).await.is_none(), "{what}: it takes longer");
            let pressed = tracking_presses(&rig);
            assert_eq!(pressed > keys, what == "track", "{what}: {pressed} presses, {keys} before");
            while rig.presses(STOP) == before {
                let waited = rig.clock.now().since(given_up);
                assert!(waited < Duration::from_millis(300), "{what}: no stop {} ms later", waited.as_millis());
                rig.clock.sleep(Duration::from_millis(20)).await;
            }
            rig.clock.sleep(Duration::from_secs(2)).await;
            assert_eq!((transport.now(), tracking_presses(&rig)), (Mode::Stop, pressed), "{what}");
            // The bench is fit for what comes next.
            transport.go(Mode::Play).await.expect("play is reached");
            assert!(transport.track(TrackingPress::By(2)).await.expect("no relay fails"), "they are pressed");
            assert_eq!(tracking_presses(&rig), pressed + 2, "{what}");
            rig.bench.close().await;
        });
    }
}

#[test]
fn many_presses_do_not_hold_a_still_beyond_its_time() {
    block_on(async {
        let rig = rig().await;
        rig.tell("tape harbour-1988");
        let transport = rig.bench.shared().transport.clone();
        transport.go(Mode::Still).await.expect("still is reached");
        let since = rig.clock.now();
        rig.clock.sleep(STILL_DWELL - Duration::from_secs(20)).await;
        let error = transport.track(TrackingPress::By(200)).await.expect_err("they take 40 s, and 20 s are left");
        let held = rig.clock.now().since(since);
        assert!(held >= STILL_DWELL && held < STILL_DWELL + Duration::from_secs(3), "{} s", held.as_secs_f64());
        assert_eq!((error.code(), transport.now()), (UnableCode::NotPossible, Mode::Stop));
        let text = chain(&error);
        assert!(text.contains("tracking up, 200 times was given up: still had been held for 120 s"), "{text}");
        let events = rig.bench.shared().events.after(0, rig.clock.now()).await;
        let said: Vec<u64> = events
            .iter()
            .filter_map(|e| if let BenchEvent::DwellEnding { left_s } = e.event { Some(left_s) } else { None })
            .collect();
        assert_eq!(said, [30, 15, 10, 5, 4, 3, 2, 1], "it counts down through the presses");
        assert!(
            events.iter().any(|e| matches!(&e.event, BenchEvent::Trouble { text } if text.contains("still was held")))
        );
        let keys = tracking_presses(&rig);
        assert!((80..110).contains(&keys), "{keys} presses in 20 s");
        rig.clock.sleep(Duration::from_secs(60)).await;
        assert_eq!(tracking_presses(&rig), keys, "no tracking key was pressed any more");
        rig.bench.close().await;
    });
}

#[test]
fn a_still_that_is_left_in_time_is_not_stopped_on_the_way() {
    block_on(async {
        let rig = rig().await;
        rig.tell("tape harbour-1988");
        let transport = rig.bench.shared().transport.clone();
        transport.go(Mode::Still).await.expect("still is reached");
        let since = rig.clock.now();
        rig.clock.sleep(STILL_DWELL - Duration::from_millis(300)).await;
        let stops = rig.presses(STOP);
        transport.go(Mode::Play).await.expect("the key was pressed in time");
        assert!(rig.clock.now().since(since) > STILL_DWELL, "it settled beyond the limit");
        rig.clock.sleep(Duration::from_secs(10)).await;
        assert_eq!((transport.now(), rig.presses(STOP)), (Mode::Play, stops));
        rig.bench.close().await;
    });
}

/// Keys of the operator, without a machine.
fn by_operator(clock: &Clock) -> (TransportHandle, PromptDesk) {
    let desk = PromptDesk::default();
    let keys = Keys::Operator { settle: Duration::from_secs(2) };
    let events = EventLog::new(clock.clone());
    (TransportHandle::spawn(keys, clock.clone(), events, desk.clone(), Duration::ZERO), desk)
}

/// The mode that the operator is asked to press, and nothing else.
async fn asked_for(clock: &Clock, desk: &PromptDesk, mode: Mode) -> String {
    clock.sleep(Duration::from_millis(100)).await;
    let open = desk.open();
    let actions: Vec<&Action> = open.iter().map(|prompt| &prompt.question.action).collect();
    assert_eq!(actions, [&Action::PressKey { mode }]);
    open[0].id.clone()
}

#[test]
fn an_operator_who_presses_nothing_is_asked_to_stop_when_still_is_over() {
    block_on(async {
        let clock = Clock::virtual_from(WallTime(0));
        let (transport, desk) = by_operator(&clock);
        let go = |to: Mode| {
            tokio::spawn({
                let transport = transport.clone();
                async move { transport.go(to).await }
            })
        };
        let going = go(Mode::Still);
        desk.answer(&asked_for(&clock, &desk, Mode::Still).await, DONE).expect("it is open");
        going.await.expect("no panic").expect("still is reached");
        let since = clock.now();
        let going = go(Mode::Play);
        asked_for(&clock, &desk, Mode::Play).await;
        clock.sleep_until(since + STILL_DWELL).await;
        desk.answer(&asked_for(&clock, &desk, Mode::Stop).await, DONE).expect("it is open");
        let error = going.await.expect("no panic").expect_err("still was held too long");
        assert!(
            chain(&error).contains("going to play was given up: still had been held for 120 s"),
            "{}",
            chain(&error)
        );
        assert_eq!(transport.now(), Mode::Stop);
    });
}

/// Relays whose stop key fails.
struct StopFails {
    clock: Clock,
    stops: Arc<AtomicU32>,
}

impl TransportControl for StopFails {
    fn go(&mut self, _: Mode) -> BoxFuture<'_, Result<f64, TransportError>> {
        Box::pin(async { Ok(0.0) })
    }
    fn stop(&mut self) -> BoxFuture<'_, Result<f64, TransportError>> {
        Box::pin(async {
            self.clock.sleep(Duration::from_millis(50)).await;
            self.stops.fetch_add(1, Ordering::Relaxed);
            Err(TransportError::Relay { relay: 1, link: "the test's box".to_owned(), is: "open", told: "close" })
        })
    }
    fn record<'a>(&'a mut self, _: &'a RecordGrant) -> BoxFuture<'a, Result<f64, TransportError>> {
        Box::pin(async { Err(TransportError::NoGrant) })
    }
    fn has_tracking(&self) -> bool {
        false
    }
    fn track(&mut self, press: TrackingPress) -> BoxFuture<'_, Result<(), TransportError>> {
        Box::pin(async move { Err(TransportError::NoTracking { press }) })
    }
    fn mode(&self) -> Option<Mode> {
        None
    }
    fn stop_handle(&self) -> StopHandle {
        StopHandle::new()
    }
    fn describe(&self) -> String {
        "the test's box".to_owned()
    }
}

#[test]
fn a_stop_that_fails_after_still_is_said_and_tried_again_and_others_are_heard_meanwhile() {
    block_on(async {
        let clock = Clock::virtual_from(WallTime(0));
        let events = EventLog::new(clock.clone());
        let stops = Arc::new(AtomicU32::new(0));
        let control = StopFails { clock: clock.clone(), stops: Arc::clone(&stops) };
        let keys = Keys::Relays(Box::new(control));
        let desk = PromptDesk::default();
        let transport = TransportHandle::spawn(keys, clock.clone(), events.clone(), desk, Duration::ZERO);
        transport.go(Mode::Still).await.expect("still is reached");
        clock.sleep(STILL_DWELL + Duration::from_secs(25)).await;
        assert_eq!(stops.load(Ordering::Relaxed), 3, "at once, and every 10 s");
        let told = events.latest(|e| matches!(e, BenchEvent::Trouble { .. })).expect("it is said");
        let BenchEvent::Trouble { text } = told.event else { panic!("trouble was asked for") };
        assert!(text.contains("relay 1 of the test's box is open") && text.contains("by hand"), "{text}");
        let heard = clock.deadline(clock.now() + Duration::from_secs(1), transport.go(Mode::Stop)).await;
        assert!(matches!(heard, Some(Err(KeysError::Relays { mode: Mode::Stop, .. }))), "{heard:?}");
    });
}

#[test]
fn keys_that_give_another_centre_each_time_give_no_offset() {
    block_on(async {
        // Without the fault this machine passes.
        for (fault, verdict) in [(None, Outcome::Pass), (Some("fault tracking-centre-wanders 0.1"), Outcome::Unable)] {
            let rig = rig().await;
            let attending = rig.attended();
            let spec = RunSpec { sequence: "tracking-centre".to_owned(), ..rig.stage(2, &[]) };
            fault.into_iter().for_each(|fault| rig.tell(fault));
            let (_, task) = rig.bench.start(spec).await.expect("it begins");
            let report = task.await.expect("no panic").expect("the tool works");
            assert_eq!(report.verdict, Some(verdict), "{}", report.conclusion);
            if fault.is_some() {
                let unable: Vec<_> = report.procedures.iter().flat_map(|p| &p.unable).collect();
                assert_eq!(unable.iter().map(|u| u.code).collect::<Vec<_>>(), [UnableCode::NotPossible], "{unable:?}");
                let why = &unable[0].why;
                assert!(why.contains("gave another place after the steps than before them, by"), "{why}");
                assert!(why.contains("see what both keys at once do on this machine"), "{why}");
                let by: f64 = why
                    .split("by ")
                    .nth(1)
                    .and_then(|t| t.split(' ').next())
                    .and_then(|t| t.parse().ok())
                    .expect("a number");
                assert!((by.abs() - 0.1).abs() < 0.02, "{why}");
                assert!(report.procedures.iter().all(|p| p.measurements.is_empty()), "{:?}", report.procedures);
                assert!(report.findings.is_empty(), "{:?}", report.findings);
            }
            attending.abort();
            rig.bench.close().await;
        }
    });
}

#[test]
fn tracking_relays_are_checked_before_anything_is_touched() {
    let served = serve(&scenario("x-position"));
    let folder = tempfile::tempdir().expect("a folder");
    let path = write_config(folder.path(), &served);
    let text = std::fs::read_to_string(&path).expect("it is there");
    let config = path.display().to_string();
    let check = |table: &str, fault: Option<&str>| {
        let with = text.replace("[bench.hookup]", &format!("[bench.relays.table.tracking]\n{table}\n[bench.hookup]"));
        std::fs::write(&path, with).expect("it is written");
        let checked = run(&["bench", "check", "--config", &config]);
        match fault {
            None => check_code(&checked, 0),
            Some(fault) => assert!(err(&checked).contains(fault), "{table}: {}{}", out(&checked), err(&checked)),
        }
    };
    check("up = [10]\ndown = [11]\nsettle-s = 0.1", None);
    check(
        "up = [10]\nsettle-s = 0.1",
        Some("bench `first`: relays: `tracking.down` is []: expected relay numbers from 1; give both"),
    );
    check("up = [10]\ndown = [10]\nsettle-s = 0.1", Some("relay 10 is in `tracking.down` and in `tracking.up`"));
    check("up = [2]\ndown = [11]\nsettle-s = 0.1", Some("relay 2 is in `tracking.up` and in `keys.play`"));
    check("up = [10]\ndown = [11]", Some("settle-s"));
}
