//! Events: numbered, waited for, and resumed without loss.

use super::*;
use crate::bench::events::KEPT_EVENTS;
use crate::http::{Cursor, limits};

const LONG: Duration = Duration::from_secs(30);

#[test]
fn a_client_that_loses_its_connections_loses_no_event() {
    const EVENTS: u64 = 2_500;
    let server = start();
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for number in 0..EVENTS {
                server.push();
                if number % 16 == 0 {
                    std::thread::yield_now();
                }
            }
        });
        let client = server.client();
        let (mut from, mut seen) = (Cursor::default(), Vec::new());
        while (seen.len() as u64) < EVENTS {
            // Each time, another asks for the same and hangs up before its answer.
            let (address, token, after) = (server.address, server.token(), from.after);
            let mut lost = TcpStream::connect(address).expect("it connects");
            let line = format!("GET /v1/benches/bench-1/events?after={after}&wait_s=9 HTTP/1.1");
            write!(lost, "{line}\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n\r\n").expect("it sends");
            drop(lost);
            let page = client.events("bench-1", from, LONG).expect("it answers");
            assert!(page.events.len() <= limits::EVENTS);
            assert_eq!((page.missed, page.restarted), (0, false));
            seen.extend(page.events.iter().map(|event| event.number));
            from = page.next;
        }
        assert!(seen.iter().copied().eq(1..=EVENTS), "each once, in order");
    });
}

#[test]
fn a_wait_ends_with_the_event_that_is_waited_for() {
    let mut server = start();
    let client = server.client();
    std::thread::scope(|scope| {
        let page = scope.spawn(|| client.events("bench-1", Cursor::default(), LONG));
        assert_eq!(server.asked.blocking_recv(), Some(LONG), "it waits");
        server.bench.log.push(BenchEvent::Stopped { because: "a key".into() });
        let page = page.join().expect("it ran").expect("it answers");
        assert_eq!(page.events.len(), 1);
        assert_eq!(page.events[0].body["event"], "stopped");
        assert_eq!(page.events[0].body["because"], "a key");
    });
    let client = server.client();
    let none = client.events("bench-1", Cursor { life: None, after: 1 }, Duration::ZERO).expect("it answers");
    assert_eq!((none.events.len(), none.next.after, none.missed, none.restarted), (0, 1, 0, false));
}

#[test]
fn what_is_no_longer_kept_is_counted() {
    let server = start();
    for _ in 0..KEPT_EVENTS + 7 {
        server.push();
    }
    let page = server.client().events("bench-1", Cursor { life: None, after: 2 }, LONG).expect("it answers");
    assert_eq!((page.missed, page.events[0].number, page.restarted), (5, 8, false));
}

#[test]
fn a_client_of_an_earlier_life_begins_anew() {
    let server = start();
    for _ in 0..3 {
        server.push();
    }
    let client = server.client();
    let now = client.events("bench-1", Cursor::default(), LONG).expect("it answers").next;
    let life = now.life.expect("the daemon says it");
    for earlier in [Cursor { life: Some(life - 1), after: 2 }, Cursor { life: None, after: 90 }] {
        let page = client.events("bench-1", earlier, Duration::ZERO).expect("it answers");
        assert_eq!((page.restarted, page.events.len(), page.next), (true, 3, now));
    }
}
