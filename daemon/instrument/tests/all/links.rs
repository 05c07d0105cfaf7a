//! Real links on a real clock: a pseudo terminal and a TCP socket on this machine.

use core::time::Duration;
use serialport::{SerialPort, TTYPort};
use std::io::{Read, Write};
use tapewright_clock::{Clock, WallTime};
use tapewright_instrument::Address;
use tapewright_instrument::link::{Link, LinkError, connect};

fn run<T>(work: impl AsyncFnOnce(Clock) -> T) -> T {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build().unwrap();
    runtime.block_on(async { work(Clock::real()).await })
}

/// Sends every byte value there and back, in one message of 100,000 bytes and more.
async fn echo(link: &mut dyn Link, clock: &Clock) {
    let sent: Vec<u8> = (0..100_000_u32).map(|i| (i * 31 % 256) as u8).collect();
    let until = clock.now() + Duration::from_secs(20);
    let mut got = Vec::new();
    for part in sent.chunks(1000) {
        link.send(part, until).await.unwrap();
        while got.len() < part.len() || !got.ends_with(part) {
            got.extend(link.receive(until).await.unwrap());
        }
    }
    assert_eq!(got, sent, "no byte is mapped, lost or added");
}

/// A pseudo terminal whose far end sends back what it hears, until it is told to end.
fn pty() -> (String, std::thread::JoinHandle<TTYPort>, std::sync::Arc<std::sync::atomic::AtomicBool>) {
    let (mut far, near) = TTYPort::pair().unwrap();
    let name = near.name().unwrap();
    let end = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
    let ends = std::sync::Arc::clone(&end);
    far.set_timeout(Duration::from_millis(20)).unwrap();
    drop(near);
    let thread = std::thread::spawn(move || {
        let mut chunk = [0; 512];
        while !ends.load(std::sync::atomic::Ordering::SeqCst) {
            // Until the near end is opened a read fails: that is no end.
            if let Ok(count) = far.read(&mut chunk) {
                far.write_all(&chunk[..count]).unwrap();
            }
        }
        far
    });
    (name, thread, end)
}

#[test]
fn a_serial_port_carries_every_byte() {
    run(async |clock| {
        let (name, thread, end) = pty();
        let address: Address = format!("serial://{name}?baud=115200").parse().unwrap();
        let mut link = connect(&address, &clock).await.unwrap();
        assert!((link.byte_s() - 10.0 / 115_200.0).abs() < 1e-12);
        let early = clock.now();
        let error = link.receive(early + Duration::from_millis(30)).await.unwrap_err();
        assert!(error.is_timeout(), "{error}");
        echo(&mut *link, &clock).await;
        // Nobody else gets it meanwhile.
        let error = connect(&address, &clock).await.err().unwrap();
        assert!(error.to_string().contains("no other program has it open"), "{error}");
        link.reopen().await.unwrap();
        echo(&mut *link, &clock).await;
        // Unplugged.
        end.store(true, std::sync::atomic::Ordering::SeqCst);
        drop(thread.join().unwrap());
        let error = link.receive(clock.now() + Duration::from_secs(5)).await.unwrap_err();
        assert!(matches!(error, LinkError::Closed { .. }), "{error}");
        let error = link.reopen().await.unwrap_err();
        assert!(error.to_string().starts_with(&format!("could not open serial://{name}?baud=115200: ")), "{error}");
    });
}

#[test]
fn a_socket_carries_every_byte() {
    run(async |clock| {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let port = listener.local_addr().unwrap().port();
        let far = tokio::spawn(async move {
            // Two connections, one after the other, then none.
            for _ in 0..2 {
                let (mut stream, _) = listener.accept().await.unwrap();
                let (mut read, mut write) = stream.split();
                tokio::io::copy(&mut read, &mut write).await.unwrap();
            }
        });
        let address: Address = format!("tcp://127.0.0.1:{port}").parse().unwrap();
        let mut link = connect(&address, &clock).await.unwrap();
        echo(&mut *link, &clock).await;
        link.reopen().await.unwrap();
        echo(&mut *link, &clock).await;
        drop(link);
        far.await.unwrap();
        let error = connect(&address, &clock).await.err().unwrap();
        assert!(error.to_string().starts_with(&format!("could not open tcp://127.0.0.1:{port}: ")), "{error}");
    });
}

#[test]
fn real_links_refuse_a_virtual_clock() {
    run(async |_| {
        let clock = Clock::virtual_from(WallTime(0));
        for address in ["tcp://127.0.0.1:1", "serial:///dev/nothing?baud=9600"] {
            let error = connect(&address.parse().unwrap(), &clock).await.err().unwrap();
            assert!(matches!(error, LinkError::NeedsRealClock { .. }), "{error}");
        }
        let error = connect(&"serial:///dev/nothing?baud=9600".parse().unwrap(), &Clock::real()).await.err().unwrap();
        assert!(error.to_string().contains("could not open serial:///dev/nothing?baud=9600: No such file or directory; check the cable and the name"), "{error}");
    });
}

#[test]
fn a_port_that_comes_back_under_its_name_is_found() {
    run(async |clock| {
        let folder = std::env::temp_dir().join(format!("tapewright-links-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let stays = folder.join("usb-Workbench_scope-if00");
        let plug = |name: &str| {
            drop(std::fs::remove_file(&stays));
            std::os::unix::fs::symlink(name, &stays).unwrap();
        };
        let (name, thread, end) = pty();
        plug(&name);
        let address: Address = format!("serial://{}?baud=115200", stays.display()).parse().unwrap();
        let mut link = connect(&address, &clock).await.unwrap();
        echo(&mut *link, &clock).await;
        // Unplugged: the name is gone too, until the device has announced itself again as another one.
        end.store(true, std::sync::atomic::Ordering::SeqCst);
        drop(thread.join().unwrap());
        std::fs::remove_file(&stays).unwrap();
        let error = link.receive(clock.now() + Duration::from_secs(5)).await.unwrap_err();
        assert!(matches!(error, LinkError::Closed { .. }), "{error}");
        let error = link.reopen().await.unwrap_err();
        assert!(matches!(error, LinkError::Open { .. }), "{error}");
        let (again, thread, end) = pty();
        plug(&again);
        link.reopen().await.unwrap();
        echo(&mut *link, &clock).await;
        end.store(true, std::sync::atomic::Ordering::SeqCst);
        drop(thread.join().unwrap());
        std::fs::remove_dir_all(&folder).unwrap();
    });
}
