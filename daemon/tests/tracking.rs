//! Tracking keys that relays press: what is configured, what is pressed, and that it can be judged again.

mod support;

use core::time::Duration;
use support::program::{check_code, err, out, run, serve, start, write_config};
use support::{Rig, block_on, scenario};
use tapewright::bench::events::BenchEvent;
use tapewright::run::rejudge::Rejudged;
use tapewright_formats::{Finding, Outcome, TapeKind, TrackingPress, UnableCode};

const STOP: usize = 1;

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
fn stop_comes_before_the_next_press() {
    block_on(async {
        let rig = rig().await;
        let spec = rig.spec("tracking-centre", "harbour-1988");
        assert_eq!(spec.tape, TapeKind::Other);
        let (_, task) = rig.bench.start(spec).await.expect("it begins");
        let end = rig.clock.now() + Duration::from_secs(120);
        while !pressed(&rig).await.0.iter().any(|press| matches!(press, TrackingPress::By(_))) {
            assert!(rig.clock.now() < end, "no key was pressed within 120 s");
            rig.clock.sleep(Duration::from_millis(20)).await;
        }
        let stops = rig.presses(STOP);
        rig.bench.stop("the test says so");
        let report = task.await.expect("no panic").expect("the tool works");
        assert!(rig.presses(STOP) > stops, "the stop key was pressed");
        assert_eq!(report.verdict, Some(Outcome::Unable), "{}", report.conclusion);
        assert!(!report.findings.contains(&Finding::TrackingCentred));
        rig.bench.close().await;
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
