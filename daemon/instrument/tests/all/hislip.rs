//! HiSLIP against bytes written by hand from the layout of the standard (IVI-6.1, 2.3): right ones,
//! wrong order, oversized, cut off.

use core::time::Duration;
use tapewright_clock::{Clock, WallTime};
use tapewright_instrument::Address;
use tapewright_instrument::link::{Hislip, Link, LinkError, connect};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

/// The far end: both connections, and what it may do with them.
struct Far {
    sync: TcpStream,
    asynchronous: TcpStream,
}

const NOTHING: [u8; 8] = [0; 8];

/// A header by hand.
fn head(kind: u8, control: u8, parameter: [u8; 4], length: [u8; 8]) -> Vec<u8> {
    [&b"HS"[..], &[kind, control], &parameter, &length].concat()
}

/// A header and a payload under 256 bytes.
fn message(kind: u8, control: u8, parameter: [u8; 4], payload: &[u8]) -> Vec<u8> {
    let length = u8::try_from(payload.len()).expect("a short payload");
    [head(kind, control, parameter, [0, 0, 0, 0, 0, 0, 0, length]), payload.to_vec()].concat()
}

async fn expect(stream: &mut TcpStream, due: &[u8]) {
    let mut got = vec![0; due.len()];
    stream.read_exact(&mut got).await.expect("the client sends");
    assert_eq!(got, due, "{} where {} was due", got.escape_ascii(), due.escape_ascii());
}

/// The first half of the opening, by the bytes of the standard.
async fn first_half(listener: &TcpListener) -> TcpStream {
    let (mut sync, _) = listener.accept().await.unwrap();
    expect(&mut sync, b"HS\x00\x00\x01\x00\x54\x57\0\0\0\0\0\0\0\x07hislip0").await;
    sync
}

async fn whole_opening(listener: &TcpListener) -> Far {
    let mut sync = first_half(listener).await;
    sync.write_all(b"HS\x01\x00\x01\x00\x00\x42\0\0\0\0\0\0\0\0").await.unwrap();
    let (mut asynchronous, _) = listener.accept().await.unwrap();
    expect(&mut asynchronous, b"HS\x11\x00\x00\x00\x00\x42\0\0\0\0\0\0\0\0").await;
    asynchronous.write_all(b"HS\x12\x00\x00\x00\x58\x58\0\0\0\0\0\0\0\0").await.unwrap();
    expect(&mut asynchronous, b"HS\x0f\x00\0\0\0\0\0\0\0\0\0\0\0\x08\0\0\0\0\x01\0\0\0").await;
    asynchronous.write_all(b"HS\x10\x00\0\0\0\0\0\0\0\0\0\0\0\x08\0\0\0\0\0\0\x04\0").await.unwrap();
    Far { sync, asynchronous }
}

/// Runs a far end and a client against each other, each to its end; what the far end gives back lives as long.
fn run<T>(far: impl AsyncFnOnce(TcpListener) -> T, near: impl AsyncFnOnce(Address, Clock)) {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = format!("hislip://{}/hislip0", listener.local_addr().unwrap()).parse().unwrap();
        let (_far, ()) = tokio::join!(far(listener), near(address, Clock::real()));
    });
}

/// As [`run`], with the opening done.
fn opened(far: impl AsyncFnOnce(&mut Far), near: impl AsyncFnOnce(&mut dyn Link, &Clock)) {
    run(
        async |listener| {
            let mut open = whole_opening(&listener).await;
            far(&mut open).await;
            open
        },
        async |address, clock| near(&mut *connect(&address, &clock).await.unwrap(), &clock).await,
    );
}

fn soon(clock: &Clock) -> tapewright_clock::Instant {
    clock.now() + Duration::from_secs(10)
}

async fn until_end(link: &mut dyn Link, clock: &Clock) -> Vec<u8> {
    let mut got = Vec::new();
    while got.is_empty() || link.message_ended() != Some(true) {
        got.extend(link.receive(soon(clock)).await.unwrap());
    }
    got
}

#[test]
fn messages_replies_and_the_status_byte() {
    opened(
        async |far| {
            expect(&mut far.sync, &message(7, 0, [255, 255, 255, 0], b"*IDN?\n")).await;
            far.sync.write_all(&message(6, 0, [255, 255, 255, 0], b"a,b,")).await.unwrap();
            far.sync.write_all(&message(7, 0, [255, 255, 255, 0], b"c,d\n")).await.unwrap();
            // The whole reply was read: RMT delivered.
            expect(&mut far.sync, &message(7, 1, [255, 255, 255, 2], b"X?\n")).await;
            expect(&mut far.asynchronous, &head(21, 0, [255, 255, 255, 2], NOTHING)).await;
            // A service request comes first.
            far.asynchronous.write_all(&head(20, 0x40, [0; 4], NOTHING)).await.unwrap();
            far.asynchronous.write_all(&head(22, 0x50, [0; 4], NOTHING)).await.unwrap();
            // END alone.
            far.sync.write_all(&message(7, 0, [255, 255, 255, 2], b"1")).await.unwrap();
            // More than fits: 1024 were agreed, 16 of them the header's.
            expect(&mut far.sync, &head(6, 1, [255, 255, 255, 4], [0, 0, 0, 0, 0, 0, 3, 0xF0])).await;
            expect(&mut far.sync, &[b'x'; 1008]).await;
            expect(&mut far.sync, &message(7, 0, [255, 255, 255, 6], b"xx\n")).await;
            // An empty end after the data.
            far.sync.write_all(&message(6, 0, [255, 255, 255, 6], b"2\n")).await.unwrap();
            far.sync.write_all(&head(7, 0, [255, 255, 255, 6], NOTHING)).await.unwrap();
            expect(&mut far.sync, &message(7, 0, [255, 255, 255, 8], b"Y?\n")).await;
            far.sync.write_all(&message(7, 0, [255, 255, 255, 8], b"3\n")).await.unwrap();
        },
        async |link, clock| {
            link.send(b"*IDN?\n", soon(clock)).await.unwrap();
            assert_eq!(until_end(link, clock).await, b"a,b,c,d\n");
            link.send(b"X?\n", soon(clock)).await.unwrap();
            assert_eq!(link.status_byte(soon(clock)).await.unwrap(), Some(0x50));
            assert_eq!(until_end(link, clock).await, b"1\n", "END stands for NL");
            link.send(&[&[b'x'; 1010][..], b"\n"].concat(), soon(clock)).await.unwrap();
            assert_eq!(link.receive(soon(clock)).await.unwrap(), b"2\n");
            assert_eq!(link.message_ended(), Some(false));
            link.send(b"Y?\n", soon(clock)).await.unwrap();
            assert_eq!(until_end(link, clock).await, b"3\n", "nothing is left of the reply before");
        },
    );
}

#[test]
fn a_late_reply_and_an_interrupted_one_are_dropped() {
    opened(
        async |far| {
            expect(&mut far.sync, &message(7, 0, [255, 255, 255, 0], b"A?\n")).await;
            expect(&mut far.sync, &message(7, 0, [255, 255, 255, 2], b"B?\n")).await;
            // The first one's reply, whole and in part.
            far.sync.write_all(&message(7, 0, [255, 255, 255, 0], b"late\n")).await.unwrap();
            far.sync.write_all(&message(6, 0, [255, 255, 255, 0], b"later")).await.unwrap();
            far.sync.write_all(&message(7, 0, [255, 255, 255, 2], b"b\n")).await.unwrap();
            expect(&mut far.sync, &message(7, 1, [255, 255, 255, 4], b"C?\n")).await;
            // Between the two notices nothing counts, whatever its number.
            far.asynchronous.write_all(&head(14, 0, [255, 255, 255, 4], NOTHING)).await.unwrap();
            expect(&mut far.asynchronous, &head(21, 0, [255, 255, 255, 4], NOTHING)).await;
            far.asynchronous.write_all(&head(22, 0, [0; 4], NOTHING)).await.unwrap();
            far.sync.write_all(&message(7, 0, [255, 255, 255, 4], b"void\n")).await.unwrap();
            far.sync.write_all(&head(13, 0, [255, 255, 255, 4], NOTHING)).await.unwrap();
            far.sync.write_all(&message(7, 0, [255, 255, 255, 4], b"c\n")).await.unwrap();
        },
        async |link, clock| {
            link.send(b"A?\n", soon(clock)).await.unwrap();
            link.send(b"B?\n", soon(clock)).await.unwrap();
            assert_eq!(until_end(link, clock).await, b"b\n");
            link.send(b"C?\n", soon(clock)).await.unwrap();
            assert_eq!(link.status_byte(soon(clock)).await.unwrap(), Some(0));
            assert_eq!(until_end(link, clock).await, b"c\n");
        },
    );
}

#[test]
fn a_device_clear_drops_what_was_on_its_way() {
    opened(
        async |far| {
            expect(&mut far.sync, &message(7, 0, [255, 255, 255, 0], b"A?\n")).await;
            far.sync.write_all(&message(6, 0, [255, 255, 255, 0], b"half of it")).await.unwrap();
            expect(&mut far.asynchronous, &head(19, 0, [0; 4], NOTHING)).await;
            far.asynchronous.write_all(&head(23, 0, [0; 4], NOTHING)).await.unwrap();
            far.sync.write_all(&message(7, 0, [255, 255, 255, 0], b" and the rest\n")).await.unwrap();
            expect(&mut far.sync, &head(8, 0, [0; 4], NOTHING)).await;
            far.sync.write_all(&head(9, 0, [0; 4], NOTHING)).await.unwrap();
            // Numbers start anew, and nothing counts as read.
            expect(&mut far.sync, &message(7, 0, [255, 255, 255, 0], b"B?\n")).await;
            far.sync.write_all(&message(7, 0, [255, 255, 255, 0], b"b\n")).await.unwrap();
        },
        async |link, clock| {
            link.send(b"A?\n", soon(clock)).await.unwrap();
            assert!(link.clear(soon(clock)).await.unwrap());
            link.send(b"B?\n", soon(clock)).await.unwrap();
            assert_eq!(until_end(link, clock).await, b"b\n");
        },
    );
}

/// An opening that must fail, and what is said of it.
fn refused(far: impl AsyncFnOnce(TcpListener), expected: &str) {
    run(far, async |address, clock| {
        let error = connect(&address, &clock).await.err().expect("it must not open");
        let Address::Hislip { port, .. } = address else { unreachable!("it is one") };
        let said = error.to_string().replace(&format!(":{port}"), ":[port]");
        assert_eq!(
            said,
            format!(
                "could not open hislip://127.0.0.1:[port]/hislip0: {expected}; check the name, the port, that HiSLIP is switched on in the instrument, and that it serves nobody else"
            )
        );
    });
}

#[test]
fn openings_that_fail_say_why() {
    refused(
        async |listener| {
            let mut sync = first_half(&listener).await;
            sync.write_all(&message(2, 4, [0; 4], b"full")).await.unwrap();
        },
        "the instrument gave the connection up: it serves as many clients as it can already (`full`)",
    );
    refused(
        async |listener| {
            let mut sync = first_half(&listener).await;
            sync.write_all(&message(7, 0, [0; 4], b"hello\n")).await.unwrap();
        },
        "DataEnd came where InitializeResponse was due",
    );
    refused(
        async |listener| {
            let mut sync = first_half(&listener).await;
            sync.write_all(&head(1, 2, [2, 0, 0, 1], NOTHING)).await.unwrap();
        },
        "it demands an encrypted connection, which is not spoken here",
    );
    refused(
        async |listener| {
            let mut sync = first_half(&listener).await;
            sync.write_all(b"Welcome to the instrument\n").await.unwrap();
        },
        "`Welc` came where a message of HiSLIP must start with `HS`",
    );
    refused(
        async |listener| {
            let mut sync = first_half(&listener).await;
            sync.write_all(&head(1, 0, [1, 0, 0, 1], NOTHING)[..9]).await.unwrap();
        },
        "the instrument closed the connection",
    );
    refused(
        async |listener| {
            let mut sync = first_half(&listener).await;
            sync.write_all(&head(1, 0, [1, 0, 0, 1], NOTHING)).await.unwrap();
            let (mut second, _) = listener.accept().await.unwrap();
            expect(&mut second, &head(17, 0, [0, 0, 0, 1], NOTHING)).await;
            second.write_all(&head(18, 0, [0; 4], NOTHING)).await.unwrap();
            expect(&mut second, &head(15, 0, [0; 4], [0, 0, 0, 0, 0, 0, 0, 8])).await;
            second.write_all(&message(16, 0, [0; 4], &[0, 0, 0, 9])).await.unwrap();
        },
        "it told its largest message in 4 bytes, where 8 are due",
    );
}

/// Bytes that the far end sends on the synchronous channel instead of a reply, and what the link says.
fn spoilt(bytes: &[u8], came: &[u8], expected: &str) {
    opened(
        async |far| {
            expect(&mut far.sync, &message(7, 0, [255, 255, 255, 0], b"A?\n")).await;
            far.sync.write_all(bytes).await.unwrap();
            far.sync.shutdown().await.unwrap();
            // The far end stays until the client has seen it.
            drop(far.asynchronous.read(&mut [0]).await);
        },
        async |link, clock| {
            link.send(b"A?\n", soon(clock)).await.unwrap();
            let mut got = Vec::new();
            let error = loop {
                match link.receive(soon(clock)).await {
                    Ok(bytes) => got.extend(bytes),
                    Err(error) => break error,
                }
            };
            assert_eq!(got, came);
            let said = error.to_string();
            let (_, why) = said.split_once("hislip0").expect("it names the link");
            assert_eq!(why, expected);
            // Nothing more is believed before it is opened anew.
            if !matches!(error, LinkError::Protocol { .. }) || said.contains("must start") {
                let again = link.receive(soon(clock)).await.expect_err("it is closed");
                assert!(matches!(again, LinkError::Closed { .. }), "{again}");
            }
        },
    );
}

#[test]
fn spoilt_streams_are_errors() {
    const GONE: &str =
        " is closed: the instrument closed the connection; check the cable and the power, then try again";
    let odd = |why: &str| {
        format!(": {why}; switch the instrument off and on, and check in its menu that this is its address")
    };
    let id = [255, 255, 255, 0];
    spoilt(b"", b"", GONE);
    spoilt(&head(7, 0, id, [0, 0, 0, 0, 0, 0, 0, 5])[..15], b"", GONE);
    spoilt(&[head(7, 0, id, [0, 0, 0, 0, 0, 0, 0, 5]), b"cut".to_vec()].concat(), b"cut", GONE);
    spoilt(&head(7, 0, id, [255; 8]), b"", GONE);
    spoilt(
        &[head(7, 0, id, [255; 8]), b"x".to_vec()].concat(),
        b"",
        &odd("it announced 18446744073709551615 bytes in one message, where at most 16777216 were agreed"),
    );
    // A text without end, of a message that is no data: bounded, and over when the stream is.
    spoilt(&[head(3, 1, id, [255; 8]), vec![b'x'; 200_000]].concat(), b"", GONE);
    // A maker's own message is passed over.
    spoilt(&[message(200, 0, id, b"whatever"), message(7, 0, id, b"a\n")].concat(), b"a\n", GONE);
    spoilt(
        b"HT\x07\0\xff\xff\xff\0\0\0\0\0\0\0\0\x01x",
        b"",
        &odd("`HT\\x07\\x00` came where a message of HiSLIP must start with `HS`"),
    );
    spoilt(
        &message(3, 4, id, b"at most 1 KiB"),
        b"",
        &odd("the instrument complains: a message was too large for it (`at most 1 KiB`)"),
    );
}

#[test]
fn a_virtual_clock_is_refused() {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    runtime.block_on(async {
        let error = Hislip::open("127.0.0.1", 1, "hislip0", Clock::virtual_from(WallTime(0))).await.err().unwrap();
        assert!(matches!(error, LinkError::NeedsRealClock { .. }), "{error}");
    });
}
