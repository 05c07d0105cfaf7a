//! Live sessions: what they show, what they may not, and what ends them. And that recording is refused.

mod support;

use std::sync::{Arc, LazyLock};
use support::{Bench, act, block_on, engine, virtual_clock};
use tapewright_formats::{Mode, Outcome, UnableCode};
use tapewright_host::{
    Call, Cancel, Ended, Limits, Live, LiveError, LiveRun, Log, MemoryCaptures, Permission, Procedure, Run, Services,
    Setting,
};
use tapewright_test_guests::guest;

static WATCHER: LazyLock<Procedure> = LazyLock::new(|| {
    let load = || block_on(engine().load(guest("watcher").bytes)).expect("it is a procedure");
    std::thread::spawn(load).join().expect("it loads")
});

async fn begin(settings: Vec<Setting>, limits: Limits, cancel: &Cancel) -> Result<Live, LiveError> {
    let services: Box<dyn Services> = Box::new(Bench::default());
    let run = LiveRun { settings, limits, services, clock: virtual_clock(), cancel: cancel.clone() };
    engine().live(&WATCHER, run).await
}

/// The second look of an act, after one that may have gone well.
fn looked(name: &str) -> LiveError {
    block_on(async {
        let mut live = begin(act(name), Limits::of_a_look(), &Cancel::default()).await.expect("it begins");
        for _ in 0..2 {
            if let Err(error) = live.look(None).await {
                return error;
            }
        }
        panic!("{name} went well")
    })
}

#[test]
fn a_session_shows_one_reading_a_look_and_hears_words() {
    assert!(WATCHER.is_live());
    assert!(!support::acts().is_live());
    block_on(async {
        let mut live = begin(act("good"), Limits::of_a_look(), &Cancel::default()).await.expect("it begins");
        for look in 1..=50 {
            let reading = live.look((look == 7).then_some("again")).await.expect("a reading");
            assert_eq!(reading.headline, format!("LOOK {look}"));
            assert_eq!(reading.says, if look < 7 { "" } else { "again" });
            assert!((reading.gauges[0].value - 1.0).abs() < 1e-9, "{reading:?}");
        }
    });
}

#[test]
fn a_look_that_fails_does_not_end_it() {
    block_on(async {
        let mut live =
            begin(act("fail every second"), Limits::of_a_look(), &Cancel::default()).await.expect("it begins");
        live.look(None).await.expect("the first");
        let error = live.look(None).await.expect_err("the second");
        assert!(error.goes_on() && error.to_string().contains("no edge came"), "{error}");
        live.look(None).await.expect("the third");
    });
}

#[test]
fn what_a_session_may_not_ends_it_or_is_told() {
    for (name, goes_on, expected) in [
        ("spin", false, "used up its fuel"),
        ("report", false, "called report.found in a live session"),
        ("trap", false, "the second look is too much"),
        ("nan", false, "holds a number that is none"),
        ("long", false, "bytes in a text"),
        ("many", false, "100 gauges"),
        ("beyond", false, "shows gauge 5 large"),
        ("record", true, "not declared scratch"),
    ] {
        let error = looked(name);
        assert_eq!(error.goes_on(), goes_on, "{name}: {error}");
        assert!(error.to_string().contains(expected), "{name}: `{error}` does not say `{expected}`");
    }
}

#[test]
fn an_ended_session_stays_ended() {
    block_on(async {
        let mut live = begin(act("trap"), Limits::of_a_look(), &Cancel::default()).await.expect("it begins");
        live.look(None).await.expect_err("it traps");
        assert!(matches!(live.look(None).await, Err(LiveError::Ended { .. })));
        let cancel = Cancel::default();
        let mut live = begin(act("good"), Limits::of_a_look(), &cancel).await.expect("it begins");
        cancel.cancel();
        assert!(matches!(live.look(None).await, Err(LiveError::Cancelled)));
        assert!(matches!(live.look(None).await, Err(LiveError::Ended { .. })));
    });
}

#[test]
fn a_session_that_cannot_begin_says_why() {
    block_on(async {
        let error =
            begin(act("will not begin"), Limits::of_a_look(), &Cancel::default()).await.expect_err("it will not");
        assert!(error.to_string().contains("nothing to watch"), "{error}");
        let run = LiveRun {
            settings: Vec::new(),
            limits: Limits::of_a_look(),
            services: Box::new(Bench::default()),
            clock: virtual_clock(),
            cancel: Cancel::default(),
        };
        let error = engine().live(support::acts(), run).await.expect_err("it has none");
        assert!(matches!(error, LiveError::NotLive(_)), "{error}");
    });
}

#[test]
fn recording_on_a_tape_that_is_not_scratch_is_told_as_refused() {
    assert!(WATCHER.permissions.contains(&Permission::Recording), "{:?}", WATCHER.permissions);
    let calls: Arc<std::sync::Mutex<Vec<Call>>> = Arc::default();
    let run = Run {
        settings: Vec::new(),
        limits: Limits::default(),
        services: Box::new(Bench::default()),
        log: Box::new(Arc::clone(&calls)) as Box<dyn Log>,
        captures: Box::new(MemoryCaptures::default()),
        clock: virtual_clock(),
        cancel: Cancel::default(),
    };
    let verdict = block_on(engine().run(&WATCHER, run)).expect("a verdict");
    assert_eq!((verdict.outcome, verdict.ended), (Outcome::Unable, Ended::Finished));
    assert_eq!(verdict.unables[0].code, UnableCode::WrongTape, "{verdict:?}");
    assert!(verdict.notes.is_empty(), "it went no further: {:?}", verdict.notes);
    let calls = calls.lock().expect("nobody panics with it");
    let asked = calls.iter().find(|call| call.name == "recording.record-for").expect("it is written down");
    assert_eq!(asked.args, serde_json::json!(2.5));
    assert_eq!(asked.result["err"]["code"], "wrong-tape", "{asked:?}");
    // The transport's own modes have no way round: `record` is none of them.
    assert!(!WATCHER.description.modes.contains(&Mode::Record));
}
