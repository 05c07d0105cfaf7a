//! Raw TCP beside a bare blocking socket in the same run: short queries a second, and blocks of 1 MB and 100 MB.
//! Ratios, reported and not judged: `cargo bench -p tapewright-tests --bench tcp`.

use std::alloc::{GlobalAlloc, Layout, System};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use tapewright_clock::Clock;
use tapewright_instrument::scpi::{Message, Profile, Session};
use tapewright_instrument::{Address, link};

/// Queries of a round; rounds of each kind, one after the other, so that what else the computer does strikes all alike.
const QUERIES: u32 = 4_000;
const ROUNDS: usize = 7;

fn say(text: &str) {
    // Where nobody reads there is nobody to tell.
    drop(writeln!(std::io::stdout(), "{text}"));
}

/// The system's allocator; it knows what is held, and the most that ever was.
struct Counting;

static HELD: AtomicUsize = AtomicUsize::new(0);
static MOST: AtomicUsize = AtomicUsize::new(0);

fn count(more: usize, less: usize) {
    let held = HELD.fetch_add(more, Ordering::Relaxed) + more;
    MOST.fetch_max(held, Ordering::Relaxed);
    HELD.fetch_sub(less, Ordering::Relaxed);
}

#[expect(unsafe_code, reason = "an allocator is an unsafe trait; this one only counts and hands on")]
// SAFETY: every call goes to the system's allocator with what it was given.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count(layout.size(), 0);
        // SAFETY: as the caller promised.
        unsafe { System.alloc(layout) }
    }

    unsafe fn alloc_zeroed(&self, layout: Layout) -> *mut u8 {
        count(layout.size(), 0);
        // SAFETY: as the caller promised.
        unsafe { System.alloc_zeroed(layout) }
    }

    unsafe fn dealloc(&self, place: *mut u8, layout: Layout) {
        count(0, layout.size());
        // SAFETY: as the caller promised.
        unsafe { System.dealloc(place, layout) }
    }

    unsafe fn realloc(&self, place: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        // Old and new may stand side by side for a moment.
        count(size, layout.size());
        // SAFETY: as the caller promised.
        unsafe { System.realloc(place, layout, size) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

/// Answers each connection: `PING?`, `BLOCK? n`, and what a session asks to know its place.
fn instrument() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("an address").port();
    std::thread::spawn(move || {
        let data = (0..100_000_000_u32).map(|i| i.wrapping_mul(2_654_435_761).to_be_bytes()[0]);
        let data: Arc<Vec<u8>> = Arc::new(data.collect());
        for stream in listener.incoming() {
            let stream = stream.expect("a connection");
            let data = data.clone();
            std::thread::spawn(move || serve(stream, &data));
        }
    });
    port
}

/// Serves one connection.
fn serve(mut stream: TcpStream, data: &[u8]) {
    stream.set_nodelay(true).expect("small messages leave at once");
    let mut lines = BufReader::new(stream.try_clone().expect("a second handle"));
    let mut line = String::new();
    while lines.read_line(&mut line).is_ok_and(|count| count > 0) {
        let text = line.trim();
        let sent = if text == "PING?" {
            stream.write_all(b"1\n")
        } else if let Some(count) = text.strip_prefix("BLOCK? ") {
            let count: usize = count.parse().expect("a number");
            let head = format!("#9{count:09}");
            stream
                .write_all(head.as_bytes())
                .and_then(|()| stream.write_all(&data[..count]))
                .and_then(|()| stream.write_all(b"\n"))
        } else if let Some(mask) = text.strip_prefix("*ESE ").and_then(|rest| rest.strip_suffix(";*ESE?")) {
            stream.write_all(format!("{mask}\n").as_bytes())
        } else if text == "*ESR?" {
            stream.write_all(b"0\n")
        } else if text == "SYSTem:ERRor?" {
            stream.write_all(b"0,\"No error\"\n")
        } else {
            Ok(())
        };
        if sent.is_err() {
            break;
        }
        line.clear();
    }
}

/// Microseconds a query over a bare socket.
fn bare_query_us(stream: &mut TcpStream, clock: &Clock) -> f64 {
    let mut answer = [0; 64];
    let from = clock.now();
    for _ in 0..QUERIES {
        stream.write_all(b"PING?\n").expect("it sends");
        let mut got = 0;
        while got == 0 || answer[got - 1] != b'\n' {
            got += stream.read(&mut answer[got..]).expect("it answers");
        }
    }
    clock.now().since(from).as_secs_f64() * 1e6 / f64::from(QUERIES)
}

/// Milliseconds a block over a bare socket.
fn bare_block_ms(stream: &mut TcpStream, clock: &Clock, size: usize, count: u32) -> f64 {
    let from = clock.now();
    for _ in 0..count {
        stream.write_all(format!("BLOCK? {size}\n").as_bytes()).expect("it sends");
        let mut block = vec![0; size + 12];
        stream.read_exact(&mut block).expect("a block");
        assert_eq!(block.last(), Some(&b'\n'));
    }
    clock.now().since(from).as_secs_f64() * 1e3 / f64::from(count)
}

async fn session(port: u16, clock: &Clock) -> Session {
    let address: Address = format!("tcp://127.0.0.1:{port}").parse().expect("an address");
    let link = link::connect(&address, clock).await.expect("it connects");
    let mut session = Session::new(link, clock.clone(), Profile { most_block: 1 << 30, ..Profile::default() });
    session.synchronise().await.expect("it finds its place");
    session
}

/// Microseconds a query of a session.
async fn our_query_us(session: &mut Session, clock: &Clock) -> f64 {
    let ping = Message::new("PING?").expect("a header");
    let from = clock.now();
    for _ in 0..QUERIES {
        assert_eq!(session.query(&ping).await.expect("an answer"), "1");
    }
    clock.now().since(from).as_secs_f64() * 1e6 / f64::from(QUERIES)
}

/// Milliseconds a block of a session, and the most that was held for it, over its size.
async fn our_block_ms(session: &mut Session, clock: &Clock, size: usize, count: u32) -> (f64, f64) {
    let message = Message::new("BLOCK?").expect("a header").integer(size as i64);
    let held = HELD.load(Ordering::Relaxed);
    MOST.store(held, Ordering::Relaxed);
    let from = clock.now();
    for _ in 0..count {
        assert_eq!(session.query_block(&message, size).await.expect("a block").len(), size);
    }
    let took_ms = clock.now().since(from).as_secs_f64() * 1e3 / f64::from(count);
    (took_ms, MOST.load(Ordering::Relaxed).saturating_sub(held) as f64 / size as f64)
}

/// Microseconds a query of the outside VISA client, where `tests/outside/run.sh` has made its virtual environment.
fn outside_query_us(port: u16) -> Option<f64> {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let python = root.join("target/outside-venv/bin/python");
    let mut command = std::process::Command::new(python);
    command.arg(root.join("tests/outside/speed_check.py")).args([port.to_string(), QUERIES.to_string()]);
    let told = command.output().ok().filter(|output| output.status.success())?;
    let rate: f64 = String::from_utf8_lossy(&told.stdout).trim().parse().ok()?;
    Some(1e6 / rate)
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn main() {
    let clock = Clock::real();
    let port = instrument();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("it connects");
    stream.set_nodelay(true).expect("small messages leave at once");
    let mut session = runtime.block_on(session(port, &clock));
    // A round of each first, that nothing is new to either.
    bare_query_us(&mut stream, &clock);
    runtime.block_on(our_query_us(&mut session, &clock));
    let (mut bare_us, mut ours_us, mut theirs_us) = (Vec::new(), Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        bare_us.push(bare_query_us(&mut stream, &clock));
        ours_us.push(runtime.block_on(our_query_us(&mut session, &clock)));
        theirs_us.extend(outside_query_us(port));
    }
    let (bare_us, ours_us) = (median(bare_us), median(ours_us));
    say(&format!("short queries, medians of {ROUNDS} rounds of {QUERIES}:"));
    say(&format!("bare blocking socket: {:.0} a second", 1e6 / bare_us));
    say(&format!("session: {:.0} a second, ratio {:.2}", 1e6 / ours_us, bare_us / ours_us));
    if theirs_us.is_empty() {
        say("outside VISA client: not there; `tests/outside/run.sh` installs it");
    } else {
        let theirs_us = median(theirs_us);
        say(&format!(
            "outside VISA client: {:.0} a second; the session's are {:.2} times as many",
            1e6 / theirs_us,
            theirs_us / ours_us
        ));
    }
    for (size, count) in [(1_000_000, 30), (100_000_000, 1)] {
        let (mut bare_ms, mut ours_ms, mut most_held) = (Vec::new(), Vec::new(), 0.0_f64);
        for _ in 0..ROUNDS {
            bare_ms.push(bare_block_ms(&mut stream, &clock, size, count));
            let (took_ms, held) = runtime.block_on(our_block_ms(&mut session, &clock, size, count));
            ours_ms.push(took_ms);
            most_held = most_held.max(held);
        }
        let (bare_ms, ours_ms) = (median(bare_ms), median(ours_ms));
        say(&format!(
            "block of {size} bytes: {ours_ms:.2} ms, bare socket {bare_ms:.2} ms: ratio {:.2}; held at most {most_held:.2} of it",
            ours_ms / bare_ms
        ));
    }
}
