//! Keys by relays: presses, ways, stop, and what a bad box does.

use crate::common::{Instrument, Knobs, Say, chain, run};
use core::time::Duration;
use std::sync::{Arc, Mutex};
use tapewright_clock::{Clock, Instant};
use tapewright_formats::{Mode, TrackingPress, UnableCode};
use tapewright_instrument::transport::{RecordGrant, TransportTable};
use tapewright_instrument::{RelayTransport, TransportControl, TransportError};

const TABLE: &str = r#"
pulse-s = 0.3
[keys]
stop = { relays = [1], settle-s = 4.0 }
play = { relays = [2], settle-s = 8.0 }
still = { relays = [3], via = "play", settle-s = 2.0 }
advance = { relays = [4], via = "still", again = true, lands-in = "still", settle-s = 0.5 }
record = { relays = [2, 9], settle-s = 8.0 }
[tracking]
up = [5]
down = [6]
settle-s = 0.5
"#;

/// What the box did: relay, whether it closed, when.
#[derive(Default)]
struct Box9 {
    closed: [bool; 10],
    log: Vec<(Vec<usize>, bool, Instant)>,
    /// A relay that never closes, and one that never opens.
    dead: Option<usize>,
    stuck: Option<usize>,
}

impl Box9 {
    fn set(&mut self, relays: Vec<usize>, closed: bool, now: Instant) {
        for &relay in &relays {
            let fails = if closed { self.dead } else { self.stuck } == Some(relay);
            self.closed[relay] = if fails { self.closed[relay] } else { closed };
        }
        self.log.push((relays, closed, now));
    }

    fn presses(&self) -> Vec<Vec<usize>> {
        self.log.iter().filter(|(_, closed, _)| *closed).map(|(relays, ..)| relays.clone()).collect()
    }
}

fn relays(list: &str) -> Vec<usize> {
    list.trim_start_matches("(@").trim_end_matches(')').split(',').map(|n| n.parse().unwrap()).collect()
}

type Started = (RelayTransport, Arc<Mutex<Box9>>, Arc<Mutex<Knobs>>);

async fn start(clock: &Clock) -> Started {
    let state = Arc::new(Mutex::new(Box9::default()));
    let inside = Arc::clone(&state);
    let (instrument, knobs) = Instrument::new(Box::new(move |unit, now| {
        let mut state = inside.lock().unwrap();
        let (header, data) = unit.split_once(' ').unwrap_or((unit, ""));
        match header {
            "ROUTe:OPEN:ALL" => {
                state.closed = [false; 10];
                Say::Nothing
            }
            "ROUTe:CLOSe" => {
                state.set(relays(data), true, now);
                Say::Nothing
            }
            "ROUTe:OPEN" => {
                state.set(relays(data), false, now);
                Say::Nothing
            }
            "ROUTe:CLOSe?" => Say::Line(
                relays(data).iter().map(|&r| u8::from(state.closed[r]).to_string()).collect::<Vec<_>>().join(","),
            ),
            _ => Say::Error(-113, "Undefined header"),
        }
    }));
    let table = TransportTable::parse(TABLE).unwrap();
    let transport = RelayTransport::start(instrument.link(clock), table, clock.clone()).await.unwrap();
    (transport, state, knobs)
}

#[test]
fn keys_are_pressed_for_their_time_and_the_machine_gets_its_own() {
    run(async |clock| {
        let (mut transport, state, _) = start(&clock).await;
        assert_eq!(state.lock().unwrap().presses(), [vec![1]], "stop comes first");
        assert_eq!(transport.mode(), Some(Mode::Stop));
        let took = transport.go(Mode::Play).await.unwrap();
        assert!((8.3..8.6).contains(&took), "{took}");
        {
            let state = state.lock().unwrap();
            let [.., (_, true, pressed), (_, false, let_go)] = state.log.as_slice() else {
                panic!("a press and a release")
            };
            let pulse = let_go.since(*pressed).as_secs_f64();
            assert!((0.29..0.35).contains(&pulse), "{pulse}");
        }
        // Still toggles: from play one press, from still none, from stop by way of play.
        transport.go(Mode::Still).await.unwrap();
        assert_eq!(transport.go(Mode::Still).await.unwrap(), 0.0);
        transport.go(Mode::Advance).await.unwrap();
        transport.go(Mode::Advance).await.unwrap();
        assert_eq!(transport.mode(), Some(Mode::Still));
        transport.stop().await.unwrap();
        transport.go(Mode::Still).await.unwrap();
        let presses: Vec<usize> = state.lock().unwrap().presses().into_iter().map(|p| p[0]).collect();
        assert_eq!(presses, [1, 2, 3, 4, 4, 1, 2, 3]);
    });
}

#[test]
fn stop_comes_before_anything() {
    run(async |clock| {
        let (mut transport, state, _) = start(&clock).await;
        let handle = transport.stop_handle();
        let began = clock.now();
        let later = clock.clone();
        tokio::spawn(async move {
            later.sleep(Duration::from_secs(2)).await;
            handle.request();
        });
        let error = transport.go(Mode::Play).await.unwrap_err();
        assert_eq!(error.unable_code(), UnableCode::Cancelled);
        let pressed =
            state.lock().unwrap().log.iter().rev().find(|(relays, closed, _)| *closed && relays == &[1]).unwrap().2;
        let after = pressed.since(began).as_secs_f64();
        assert!((2.0..2.1).contains(&after), "stop was pressed {after} s after the start, 2 s were asked for");
        // Nothing moves until somebody has seen that it stopped.
        let presses = state.lock().unwrap().presses().len();
        assert!(matches!(transport.go(Mode::Play).await, Err(TransportError::Stopped { .. })));
        assert!(!state.lock().unwrap().presses()[presses..].contains(&vec![2]));
        transport.stop().await.unwrap();
        transport.go(Mode::Play).await.unwrap();
    });
}

#[test]
fn a_dropped_press_is_let_go_before_the_next() {
    run(async |clock| {
        let (mut transport, state, knobs) = start(&clock).await;
        let gone = clock.deadline(clock.now() + Duration::from_millis(100), transport.go(Mode::Play)).await;
        assert!(gone.is_none());
        assert!(state.lock().unwrap().closed[2]);
        assert_eq!(transport.mode(), None);
        let heard = knobs.lock().unwrap().heard.len();
        transport.go(Mode::Play).await.unwrap();
        let heard = knobs.lock().unwrap().heard[heard..].to_vec();
        let place = |text: &str| heard.iter().position(|message| message.starts_with(text)).unwrap();
        assert!(place("ROUTe:OPEN:ALL") < place("ROUTe:CLOSe (@1)"), "{heard:?}");
        assert_eq!(
            state.lock().unwrap().presses(),
            [vec![1], vec![2], vec![1], vec![2]],
            "a stop makes the start known"
        );
    });
}

#[test]
fn recording_needs_its_grant_and_bad_relays_are_named() {
    run(async |clock| {
        let (mut transport, state, _) = start(&clock).await;
        assert!(matches!(transport.go(Mode::Record).await, Err(TransportError::NoGrant)));
        assert_eq!(state.lock().unwrap().presses().len(), 1, "nothing was pressed");
        transport.record(&RecordGrant::for_scratch_tape("scrap 3")).await.unwrap();
        assert_eq!(state.lock().unwrap().presses().last().unwrap(), &[2, 9]);
        let error = transport.go(Mode::Cue).await.unwrap_err();
        assert_eq!(
            chain(&error),
            "the key table has no way to `cue`; it has stop, play, still, advance, record: add its key to the table, or work it by hand"
        );
        state.lock().unwrap().dead = Some(2);
        let error = transport.go(Mode::Play).await.unwrap_err();
        assert!(
            error
                .to_string()
                .starts_with("relay 2 of in-process link to scripted instrument is open after it was told to close"),
            "{error}"
        );
        assert_eq!(error.unable_code(), UnableCode::ModeNotReached);
        state.lock().unwrap().dead = None;
        state.lock().unwrap().stuck = Some(2);
        let error = transport.go(Mode::Play).await.unwrap_err();
        assert!(
            error.to_string().contains("is closed after it was told to open; every relay was told to open"),
            "{error}"
        );
        assert_eq!(transport.mode(), None);
    });
}

#[test]
fn tracking_keys_are_pressed_one_by_one_and_the_mode_stays() {
    run(async |clock| {
        let (mut transport, state, _) = start(&clock).await;
        transport.go(Mode::Play).await.unwrap();
        let before = state.lock().unwrap().presses().len();
        for press in [TrackingPress::Centre, TrackingPress::By(2), TrackingPress::By(-1)] {
            transport.track(press).await.unwrap();
        }
        assert_eq!(transport.mode(), Some(Mode::Play));
        let state = state.lock().unwrap();
        assert_eq!(state.presses()[before..], [vec![5, 6], vec![5], vec![5], vec![6]]);
        assert_eq!(state.closed, [false; 10], "every key is let go");
        let times: Vec<Instant> =
            state.log.iter().filter(|(r, closed, _)| *closed && r == &[5]).map(|(.., at)| *at).collect();
        assert!(
            times[1].since(times[0]) >= Duration::from_millis(800),
            "a press is let go and settles before the next"
        );
    });
}

#[test]
fn stop_comes_before_the_next_tracking_press() {
    run(async |clock| {
        let (mut transport, state, _) = start(&clock).await;
        transport.go(Mode::Play).await.unwrap();
        let (handle, later) = (transport.stop_handle(), clock.clone());
        tokio::spawn(async move {
            later.sleep(Duration::from_secs(1)).await;
            handle.request();
        });
        let error = transport.track(TrackingPress::By(9)).await.unwrap_err();
        assert_eq!(error.unable_code(), UnableCode::Cancelled);
        let presses = state.lock().unwrap().presses();
        assert_eq!(presses[presses.len() - 3..], [vec![5], vec![5], vec![1]]);
        assert!(matches!(transport.track(TrackingPress::Centre).await, Err(TransportError::TrackingStopped { .. })));
    });
}

#[test]
fn tables_are_checked() {
    let check = |from: &str, to: &str, expected: &str| {
        let error = TransportTable::parse(&TABLE.replacen(from, to, 1)).unwrap_err().to_string();
        assert!(error.contains(expected), "{error}");
    };
    check(
        "stop = { relays = [1]",
        "cue = { relays = [7]",
        "`keys.stop` is missing: nothing may move that cannot be stopped",
    );
    check("pulse-s = 0.3", "pulse-s = 3.0", "`pulse-s` is 3: expected 0.02 to 1.5");
    check("relays = [2]", "relays = []", "`keys.play.relays` is []: expected relay numbers from 1");
    check("relays = [3]", "relays = [3], x = 1", "line 6: unknown field `x`");
    check("relays = [4]", "relays = [1]", "close the same relays");
    check("settle-s = 8.0", "settle-s = -1.0", "`keys.play.settle-s` is -1: expected 0 to 600");
    check("via = \"play\"", "via = \"cue\"", "`keys.still.via` is `cue`: expected a mode with a key");
    check("via = \"play\"", "via = \"advance\"", "`keys.still.via` is `advance`");
    check("play = {", "dance = {", "dance");
    check("down = [6]\n", "", "`tracking.down` is []: expected relay numbers from 1; give both `up` and `down`");
    check("up = [5]\n", "", "`tracking.up` is []");
    check("down = [6]", "down = [5]", "relay 5 is in `tracking.down` and in `tracking.up`");
    check(
        "up = [5]",
        "up = [2]",
        "relay 2 is in `tracking.up` and in `keys.play`: a tracking key needs relays of its own",
    );
    check("down = [6]", "down = [6]\ncentre = [0]", "`tracking.centre` is [0]");
    check("settle-s = 0.5\n", "settle-s = -0.5\n", "`tracking.settle-s` is -0.5: expected 0 to 60");
}
