//! The servers, end to end on loopback and over a real pseudo-terminal, on the real clock.

use crate::support::bench;
use sim_instrument::SimBench;
use sim_instrument::serve::{serve_pty, serve_tcp};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::time::Duration;
use tapewright_clock::Clock;

/// Longest that a reply may take before the test fails rather than hangs.
const LIMIT: Duration = Duration::from_secs(20);

fn run(test: impl AsyncFnOnce(SimBench, Clock)) {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
    let (bench, _) = bench(|_| {});
    runtime.expect("a runtime").block_on(test(bench, Clock::real()));
}

/// Asks over anything that reads and writes.
fn talk(mut stream: impl Read + Write) {
    let mut ask = |message: &str, block: bool| {
        stream.write_all(message.as_bytes()).expect("it takes the message");
        let mut reader = BufReader::with_capacity(1, &mut stream);
        let mut got = Vec::new();
        if block {
            let mut head = [0; 10];
            reader.read_exact(&mut head).expect("a header");
            let count: usize = String::from_utf8_lossy(&head[2..]).parse().expect("eight digits");
            got = vec![0; count + 1];
            reader.read_exact(&mut got).expect("the block");
        } else {
            reader.read_until(b'\n', &mut got).expect("a line");
        }
        got
    };
    assert!(ask("*IDN?\n", false).starts_with(b"Simulated Instruments,"));
    assert_eq!(ask("*RST;:TIM:SCAL 1E-3;:SING;*OPC?\r\n", false), b"1\n");
    let data = ask(":WAV:DATA?\n", true);
    assert_eq!(data.len(), 2501);
    assert!(data.iter().any(|code| *code != data[0]), "the carrier shows");
    assert_eq!(ask("NONSENSE;*ESE?\n*ESE?\n", false), b"0\n");
    assert_eq!(ask("SYST:ERR?\n", false), b"-113,\"Undefined header;NONSENSE\"\n");
    assert_eq!(ask("SYST:ERR?\n", false), b"0,\"No error\"\n");
}

#[test]
fn tcp_serves_one_client_after_the_other() {
    run(async |bench, clock| {
        let server =
            serve_tcp(bench.scope_port(), "127.0.0.1:0".parse().expect("an address"), clock).await.expect("it listens");
        let address = server.address();
        let client = tokio::task::spawn_blocking(move || {
            for _ in 0..2 {
                let stream = TcpStream::connect(address).expect("it accepts");
                stream.set_read_timeout(Some(LIMIT)).expect("a socket has time-outs");
                talk(stream);
            }
            // A second client waits until the first has gone.
            let first = TcpStream::connect(address).expect("it accepts");
            let mut second = TcpStream::connect(address).expect("it accepts");
            second.write_all(b"*OPC?\n").expect("it takes the message");
            second.set_read_timeout(Some(Duration::from_millis(200))).expect("a socket has time-outs");
            let mut byte = [0; 2];
            assert!(second.read_exact(&mut byte).is_err(), "it waits");
            drop(first);
            second.set_read_timeout(Some(LIMIT)).expect("a socket has time-outs");
            second.read_exact(&mut byte).expect("now it is served");
            assert_eq!(&byte, b"1\n");
        });
        client.await.expect("the client is content");
    });
}

#[test]
fn a_closed_port_hangs_up() {
    run(async |bench, clock| {
        let server = serve_tcp(bench.scope_port(), "127.0.0.1:0".parse().expect("an address"), clock.clone())
            .await
            .expect("it listens");
        let address = server.address();
        let stream = tokio::task::spawn_blocking(move || {
            let mut stream = TcpStream::connect(address).expect("it accepts");
            stream.set_read_timeout(Some(LIMIT)).expect("a socket has time-outs");
            stream.write_all(b"*OPC?\n").expect("it takes the message");
            let mut byte = [0; 2];
            stream.read_exact(&mut byte).expect("it is served");
            stream
        });
        let mut stream = stream.await.expect("the client is content");
        bench.command(clock.now(), "link closed").expect("a fault");
        let ended = tokio::task::spawn_blocking(move || stream.read(&mut [0; 9]).map_err(|error| error.kind()));
        assert_eq!(ended.await.expect("it returns"), Ok(0));
    });
}

#[test]
fn an_address_in_use_is_told() {
    run(async |bench, clock| {
        let server = serve_tcp(bench.scope_port(), "127.0.0.1:0".parse().expect("an address"), clock.clone())
            .await
            .expect("it listens");
        let error = serve_tcp(bench.scope_port(), server.address(), clock).await.expect_err("it is taken");
        assert!(error.to_string().starts_with(&format!("listening on {} failed", server.address())), "{error}");
    });
}

#[test]
fn a_pseudo_terminal_is_a_serial_device() {
    run(async |bench, clock| {
        let pty = serve_pty(bench.scope_port(), clock).expect("this system has pseudo-terminals");
        let path = pty.path().to_owned();
        let (sender, receiver) = std::sync::mpsc::channel();
        // A read of a terminal has no time-out of its own: the thread is given up if it hangs.
        std::thread::spawn(move || {
            for _ in 0..2 {
                talk(std::fs::File::options().read(true).write(true).open(&path).expect("it opens"));
            }
            sender.send(()).expect("the test waits");
        });
        let done = tokio::task::spawn_blocking(move || receiver.recv_timeout(LIMIT));
        assert_eq!(done.await.expect("it returns"), Ok(()));
    });
}
