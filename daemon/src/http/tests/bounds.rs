//! What is bounded, and how the server ends.

use super::*;
use crate::http::{ClientError, Cursor, limits};

const LONG: Duration = Duration::from_secs(30);

#[test]
fn one_waiting_too_many_is_answered_at_once() {
    let mut server = start();
    std::thread::scope(|scope| {
        let waiting: Vec<_> = (0..limits::WAITING)
            .map(|_| {
                let client = server.client();
                scope.spawn(move || client.events("bench-1", Cursor::default(), LONG))
            })
            .collect();
        for _ in 0..limits::WAITING {
            assert_eq!(server.asked.blocking_recv(), Some(LONG));
        }
        let page = server.client().events("bench-1", Cursor::default(), LONG).expect("it answers");
        assert_eq!((page.events.len(), server.asked.blocking_recv()), (0, Some(Duration::ZERO)));
        server.client().stop("bench-1").expect("a stop is heard");
        server.push();
        for thread in waiting {
            assert_eq!(thread.join().expect("it ran").expect("it answers").events.len(), 1);
        }
    });
}

#[test]
fn one_request_too_many_is_told_to_come_again() {
    let server = start();
    let (address, token) = (server.address, server.token());
    let mut slow: Vec<TcpStream> = Vec::new();
    while slow.len() < limits::REQUESTS {
        let mut stream = TcpStream::connect(address).expect("it connects");
        let line = "GET /v1/benches/bench-1/readings HTTP/1.1";
        write!(stream, "{line}\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n\r\n").expect("it sends");
        slow.push(stream);
        // Each one is looked at before the next: none takes another's place.
        while server.bench.came.load(Ordering::SeqCst) < slow.len() {
            std::thread::yield_now();
        }
    }
    let busy = match server.client().benches() {
        Err(ClientError::Refused { status, body, .. }) => (status, body),
        other => panic!("it was to be refused: {other:?}"),
    };
    assert_eq!((busy.0, busy.1.hint.as_str()), (503, "ask again in a second"));
    server.bench.gate.add_permits(slow.len());
    for stream in &mut slow {
        let mut start = [0; 12];
        stream.read_exact(&mut start).expect("it is answered");
        assert_eq!(&start, b"HTTP/1.1 200");
    }
    assert!(server.client().benches().is_ok(), "and there is room again");
}

#[test]
fn one_connection_too_many_waits_for_a_place() {
    let server = start();
    let mut silent: Vec<TcpStream> =
        (0..limits::CONNECTIONS).map(|_| TcpStream::connect(server.address).expect("it connects")).collect();
    let (address, token) = (server.address, server.token());
    let mut late = TcpStream::connect(address).expect("the system takes it");
    write!(late, "GET /v1/benches HTTP/1.1\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n\r\n")
        .expect("it sends");
    late.set_read_timeout(Some(Duration::from_millis(300))).expect("it is set");
    let mut start = [0; 12];
    let waited = late.read(&mut start).expect_err("it is not answered yet");
    assert!(matches!(waited.kind(), std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut), "{waited}");
    silent.pop();
    late.set_read_timeout(None).expect("it is set");
    late.read_exact(&mut start).expect("it is answered");
    assert_eq!(&start, b"HTTP/1.1 200");
}

#[test]
fn the_end_sends_waiting_clients_home_and_cuts_off_the_rest() {
    let mut server = start();
    let (address, token) = (server.address, server.token());
    // One that never finishes its request, and one that is being answered for ever.
    let mut half = TcpStream::connect(address).expect("it connects");
    half.write_all(b"GET /v1/benches HTTP/1.1\r\nHos").expect("it sends");
    let mut slow = TcpStream::connect(address).expect("it connects");
    let line = "GET /v1/benches/bench-1/readings HTTP/1.1";
    write!(slow, "{line}\r\nHost: {address}\r\nAuthorization: Bearer {token}\r\n\r\n").expect("it sends");
    let client = server.client();
    let waiting = std::thread::spawn(move || client.events("bench-1", Cursor { life: None, after: 0 }, LONG));
    assert_eq!(server.asked.blocking_recv(), Some(LONG));
    server.end();
    let page = waiting.join().expect("it ran").expect("it is sent home with an answer");
    assert_eq!((page.events.len(), page.next.after, page.restarted), (0, 0, false));
    let mut rest = Vec::new();
    let cut = slow.read_to_end(&mut rest);
    assert!(rest.is_empty(), "{cut:?}");
    assert!(TcpStream::connect(address).is_err(), "nobody listens any more");
}
