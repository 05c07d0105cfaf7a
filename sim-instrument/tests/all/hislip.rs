//! The HiSLIP server against bytes written by hand from the layout of the standard (IVI-6.1, 2.3).

use crate::support::bench;
use sim_instrument::SimBench;
use sim_instrument::serve::serve_hislip;
use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;
use tapewright_clock::Clock;

/// Longest that anything may take before the test fails rather than hangs.
const LIMIT: Duration = Duration::from_secs(20);
const NONE: [u8; 4] = [0; 4];
/// Numbers of the first three messages.
const IDS: [[u8; 4]; 3] = [[255, 255, 255, 0], [255, 255, 255, 2], [255, 255, 255, 4]];

fn run(test: impl FnOnce(SimBench, SocketAddr) + Send + 'static) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
    let (bench, _) = bench(|_| {});
    runtime.expect("a runtime").block_on(async {
        let ports = bench.clone();
        let any = "127.0.0.1:0".parse().expect("an address");
        let server = serve_hislip(move || ports.scope_port(), any, Clock::real()).await.expect("it listens");
        let address = server.address();
        tokio::task::spawn_blocking(move || test(bench, address)).await.expect("the test's part ends well");
    });
}

fn connect(address: SocketAddr) -> TcpStream {
    let stream = TcpStream::connect(address).expect("it accepts");
    stream.set_read_timeout(Some(LIMIT)).expect("a socket has time-outs");
    stream
}

fn send(stream: &mut TcpStream, kind: u8, control: u8, parameter: [u8; 4], payload: &[u8]) {
    let length = u8::try_from(payload.len()).expect("a short payload");
    let head = [&b"HS"[..], &[kind, control], &parameter, &[0, 0, 0, 0, 0, 0, 0, length]].concat();
    stream.write_all(&[&head[..], payload].concat()).expect("it takes it");
}

/// Type, control code, parameter and payload of the next message.
fn next(stream: &mut TcpStream) -> (u8, u8, [u8; 4], Vec<u8>) {
    let mut head = [0; 16];
    stream.read_exact(&mut head).expect("a header");
    assert_eq!(&head[..2], b"HS");
    let length = usize::from_be_bytes(head[8..].try_into().expect("eight bytes"));
    let mut payload = vec![0; length];
    stream.read_exact(&mut payload).expect("the payload");
    (head[2], head[3], head[4..8].try_into().expect("four bytes"), payload)
}

fn expect(stream: &mut TcpStream, kind: u8, parameter: [u8; 4], payload: &[u8]) {
    let (is, _, id, bytes) = next(stream);
    assert_eq!((is, id, bytes.escape_ascii().to_string()), (kind, parameter, payload.escape_ascii().to_string()));
}

/// Both channels of a session.
fn session(address: SocketAddr) -> (TcpStream, TcpStream) {
    let mut sync = connect(address);
    send(&mut sync, 0, 0, [1, 0, b'z', b'z'], b"hislip0");
    let (kind, control, [major, minor, high, low], _) = next(&mut sync);
    assert_eq!((kind, control, major, minor), (1, 0, 1, 0), "version 1.0, synchronised mode");
    let mut asynchronous = connect(address);
    send(&mut asynchronous, 17, 0, [0, 0, high, low], b"");
    assert_eq!(next(&mut asynchronous).0, 18);
    (sync, asynchronous)
}

fn ended(stream: &mut TcpStream) {
    assert_eq!(stream.read(&mut [0]).expect("an orderly end"), 0);
}

#[test]
fn end_ends_a_message_and_replies_carry_its_number() {
    run(|_, address| {
        let (mut sync, _asynchronous) = session(address);
        // END alone, NL and END, in two parts, and two messages in one.
        send(&mut sync, 7, 0, IDS[0], b"*ESE 5;*ESE?");
        expect(&mut sync, 7, IDS[0], b"5\n");
        send(&mut sync, 6, 1, IDS[1], b"*ESE 6;*E");
        send(&mut sync, 7, 0, IDS[2], b"SE?\n");
        expect(&mut sync, 7, IDS[2], b"6\n");
        send(&mut sync, 7, 1, IDS[0], b"*ESE 7\n*ESE?");
        expect(&mut sync, 7, IDS[0], b"7\n");
        send(&mut sync, 7, 1, IDS[1], b":SYST:ERR?\n");
        expect(&mut sync, 7, IDS[1], b"0,\"No error\"\n");
    });
}

#[test]
fn large_replies_come_in_parts_that_the_client_takes() {
    run(|_, address| {
        let (mut sync, mut asynchronous) = session(address);
        send(&mut asynchronous, 15, 0, NONE, &[0, 0, 0, 0, 0, 0, 4, 0]);
        let (kind, _, _, most) = next(&mut asynchronous);
        assert_eq!((kind, most.as_slice()), (16, &[0, 0, 0, 0, 0, 16, 0, 0][..]));
        send(&mut sync, 7, 0, IDS[0], b"*RST;:TIM:SCAL 1E-3;:SING;*OPC?\n");
        expect(&mut sync, 7, IDS[0], b"1\n");
        send(&mut sync, 7, 1, IDS[1], b":WAV:DATA?\n");
        let mut all = Vec::new();
        loop {
            let (kind, _, id, part) = next(&mut sync);
            assert_eq!(id, IDS[1]);
            assert!(part.len() <= 1024 - 16);
            all.extend(part);
            if kind == 7 {
                break;
            }
        }
        assert_eq!((all.len(), &all[..10]), (2511, &b"#800002500"[..]));
    });
}

#[test]
fn a_reply_that_was_not_read_is_interrupted() {
    run(|_, address| {
        let (mut sync, mut asynchronous) = session(address);
        send(&mut sync, 7, 0, IDS[0], b"*IDN?\n");
        let (kind, ..) = next(&mut sync);
        assert_eq!(kind, 7);
        // RMT not delivered: the client says that it has not read it.
        send(&mut sync, 7, 0, IDS[1], b"*ESE?\n");
        expect(&mut sync, 13, IDS[1], b"");
        expect(&mut asynchronous, 14, IDS[1], b"");
        expect(&mut sync, 7, IDS[1], b"0\n");
        send(&mut sync, 7, 1, IDS[2], b"SYST:ERR?\n");
        expect(&mut sync, 7, IDS[2], b"-410,\"Query INTERRUPTED\"\n");
    });
}

#[test]
fn the_status_byte_passes_what_is_under_way() {
    run(|_, address| {
        let (mut sync, mut asynchronous) = session(address);
        let mut ask = |delivered: u8| {
            send(&mut asynchronous, 21, delivered, IDS[0], b"");
            let (kind, status, ..) = next(&mut asynchronous);
            assert_eq!(kind, 22);
            status
        };
        assert_eq!(ask(0) & 16, 0, "no message available");
        send(&mut sync, 7, 0, IDS[0], b"*ESE?\n");
        expect(&mut sync, 7, IDS[0], b"0\n");
        assert_eq!(ask(0) & 16, 16, "the client has not said that it read it");
        assert_eq!(ask(1) & 16, 0);
        // Read by the status query's word: that is no interruption.
        send(&mut sync, 7, 0, IDS[1], b"NONSENSE\n");
        send(&mut sync, 7, 0, IDS[2], b"*ESE?\n");
        expect(&mut sync, 7, IDS[2], b"0\n");
        assert_eq!(ask(1) & 4, 4, "the error queue is not empty");
    });
}

#[test]
fn a_device_clear_forgets_messages_and_keeps_settings() {
    run(|_, address| {
        let (mut sync, mut asynchronous) = session(address);
        send(&mut sync, 7, 0, IDS[0], b"*ESE 9\n");
        send(&mut sync, 7, 0, IDS[1], b"*ESE?\n");
        expect(&mut sync, 7, IDS[1], b"9\n");
        send(&mut sync, 6, 1, IDS[2], b"*ESE 12;");
        send(&mut asynchronous, 19, 0, NONE, b"");
        expect(&mut asynchronous, 23, NONE, b"");
        send(&mut sync, 7, 0, IDS[2], b"this is void\n");
        send(&mut sync, 8, 0, NONE, b"");
        expect(&mut sync, 9, NONE, b"");
        send(&mut sync, 7, 0, IDS[0], b"*ESE?;:SYST:ERR?\n");
        expect(&mut sync, 7, IDS[0], b"9;0,\"No error\"\n");
    });
}

#[test]
fn what_is_out_of_order_is_refused() {
    run(|_, address| {
        // Data before anything.
        let mut stream = connect(address);
        send(&mut stream, 7, 0, IDS[0], b"*IDN?\n");
        let (kind, code, ..) = next(&mut stream);
        assert_eq!((kind, code), (2, 2));
        ended(&mut stream);
        // Data before the second channel is there.
        let mut stream = connect(address);
        send(&mut stream, 0, 0, [1, 0, 0, 0], b"hislip0");
        assert_eq!(next(&mut stream).0, 1);
        send(&mut stream, 7, 0, IDS[0], b"*IDN?\n");
        let (kind, code, ..) = next(&mut stream);
        assert_eq!((kind, code), (2, 2));
        ended(&mut stream);
        // The second channel of a session that is not there.
        let mut stream = connect(address);
        send(&mut stream, 17, 0, [0, 0, 0x77, 0x77], b"");
        let (kind, code, ..) = next(&mut stream);
        assert_eq!((kind, code), (2, 3));
        // Something else than HiSLIP, in a session.
        let (mut sync, _asynchronous) = session(address);
        sync.write_all(b"*IDN?\n*IDN?\n*IDN?\n").expect("it takes it");
        let (kind, code, ..) = next(&mut sync);
        assert_eq!((kind, code), (2, 1));
        // Four are served, the fifth is not; one that goes makes room.
        let four: Vec<_> = (0..4).map(|_| session(address)).collect();
        let mut fifth = connect(address);
        send(&mut fifth, 0, 0, [1, 0, 0, 0], b"hislip0");
        let (kind, code, ..) = next(&mut fifth);
        assert_eq!((kind, code), (2, 4));
        drop(four);
    });
}

#[test]
fn a_claimed_length_takes_no_memory() {
    run(|_, address| {
        let (mut sync, mut asynchronous) = session(address);
        // A message of 2 MiB is passed over as a whole.
        let head = [&b"HS\x07\0"[..], &IDS[0], &[0, 0, 0, 0, 0, 0x20, 0, 0]].concat();
        sync.write_all(&head).expect("it takes it");
        sync.write_all(&vec![b'A'; 2 << 20]).expect("it takes it");
        let (kind, code, ..) = next(&mut sync);
        assert_eq!((kind, code), (3, 4));
        send(&mut sync, 7, 0, IDS[1], b"*ESE?\n");
        expect(&mut sync, 7, IDS[1], b"0\n");
        // One that claims all that can be written leaves the other channel usable.
        let head = [&b"HS\x07\x01"[..], &IDS[2], &[255; 8]].concat();
        sync.write_all(&head).expect("it takes it");
        sync.write_all(b"*IDN?\n").expect("it takes it");
        let (kind, code, ..) = next(&mut sync);
        assert_eq!((kind, code), (3, 4));
        send(&mut asynchronous, 21, 0, IDS[2], b"");
        assert_eq!(next(&mut asynchronous).0, 22);
        // A message of a type that version 1 does not have is passed over.
        let (mut sync, _asynchronous) = session(address);
        send(&mut sync, 99, 0, NONE, b"what is this");
        let (kind, code, ..) = next(&mut sync);
        assert_eq!((kind, code), (3, 1));
    });
}
