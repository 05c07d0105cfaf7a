//! Raw TCP beside a bare blocking socket in the same run: short queries a second, and blocks of 1 MB and 100 MB.
//! Ratios, reported and not judged: `cargo bench -p tapewright-tests --bench tcp`.

use std::alloc::{GlobalAlloc, Layout, System};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use tapewright_clock::Clock;
use tapewright_instrument::scpi::{Message, Profile, Session};
use tapewright_instrument::{Address, link};

const QUERIES: u32 = 20_000;

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

/// Answers one connection after the other: `PING?`, `BLOCK? n`, and what a session asks to know its place.
fn instrument() -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("an address").port();
    std::thread::spawn(move || {
        let data: Vec<u8> = (0..100_000_000_u32).map(|i| i.wrapping_mul(2_654_435_761).to_be_bytes()[0]).collect();
        for stream in listener.incoming() {
            let mut stream = stream.expect("a connection");
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
    });
    port
}

/// Seconds that so many queries and one block take over a bare socket.
fn bare(port: u16, clock: &Clock, blocks: &[(usize, u32)]) -> (f64, Vec<f64>) {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).expect("it connects");
    stream.set_nodelay(true).expect("small messages leave at once");
    let mut answer = [0; 64];
    let from = clock.now();
    for _ in 0..QUERIES {
        stream.write_all(b"PING?\n").expect("it sends");
        let mut got = 0;
        while got == 0 || answer[got - 1] != b'\n' {
            got += stream.read(&mut answer[got..]).expect("it answers");
        }
    }
    let queries_s = clock.now().since(from).as_secs_f64();
    let mut block_s = Vec::new();
    for &(size, count) in blocks {
        let from = clock.now();
        for _ in 0..count {
            stream.write_all(format!("BLOCK? {size}\n").as_bytes()).expect("it sends");
            let mut block = vec![0; size + 12];
            stream.read_exact(&mut block).expect("a block");
            assert_eq!(block.last(), Some(&b'\n'));
        }
        block_s.push(clock.now().since(from).as_secs_f64() / f64::from(count));
    }
    (queries_s, block_s)
}

/// Seconds of the queries; seconds of each block, and the most that was held for it over its size.
async fn session(port: u16, clock: &Clock, blocks: &[(usize, u32)]) -> (f64, Vec<(f64, f64)>) {
    let address: Address = format!("tcp://127.0.0.1:{port}").parse().expect("an address");
    let link = link::connect(&address, clock).await.expect("it connects");
    let mut session = Session::new(link, clock.clone(), Profile { most_block: 1 << 30, ..Profile::default() });
    session.synchronise().await.expect("it finds its place");
    let ping = Message::new("PING?").expect("a header");
    let from = clock.now();
    for _ in 0..QUERIES {
        assert_eq!(session.query(&ping).await.expect("an answer"), "1");
    }
    let queries_s = clock.now().since(from).as_secs_f64();
    let mut block_s = Vec::new();
    for &(size, count) in blocks {
        let message = Message::new("BLOCK?").expect("a header").integer(size as i64);
        let held = HELD.load(Ordering::Relaxed);
        MOST.store(held, Ordering::Relaxed);
        let from = clock.now();
        for _ in 0..count {
            assert_eq!(session.query_block(&message, size).await.expect("a block").len(), size);
        }
        let took_s = clock.now().since(from).as_secs_f64() / f64::from(count);
        let most = MOST.load(Ordering::Relaxed).saturating_sub(held);
        block_s.push((took_s, most as f64 / size as f64));
    }
    (queries_s, block_s)
}

/// Queries a second of the outside VISA client, where `tests/outside/run.sh` has made its virtual environment.
fn outside(port: u16) -> Option<f64> {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let python = root.join("target/outside-venv/bin/python");
    let mut command = std::process::Command::new(python);
    command.arg(root.join("tests/outside/speed_check.py")).args([port.to_string(), "2000".to_owned()]);
    let told = command.output().ok().filter(|output| output.status.success())?;
    String::from_utf8_lossy(&told.stdout).trim().parse().ok()
}

fn main() {
    let clock = Clock::real();
    let port = instrument();
    let blocks = [(1_000_000, 200), (100_000_000, 5)];
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    // A round of each first, that nothing is new to either.
    drop(bare(port, &clock, &[(1_000_000, 5)]));
    let (bare_s, bare_block_s) = bare(port, &clock, &blocks);
    let (ours_s, our_block_s) = runtime.block_on(session(port, &clock, &blocks));
    let rate = |s: f64| f64::from(QUERIES) / s;
    say(&format!(
        "short queries: {:.0} a second, bare socket {:.0}: ratio {:.2}",
        rate(ours_s),
        rate(bare_s),
        bare_s / ours_s
    ));
    match outside(port) {
        Some(theirs) => say(&format!(
            "outside VISA client: {theirs:.0} short queries a second; ours are {:.1} times as many",
            rate(ours_s) / theirs
        )),
        None => say("outside VISA client: not there; `tests/outside/run.sh` installs it"),
    }
    for ((size, _), ((ours_s, held), bare_s)) in blocks.iter().zip(our_block_s.iter().zip(&bare_block_s)) {
        let (ours_ms, bare_ms) = (ours_s * 1e3, bare_s * 1e3);
        say(&format!(
            "block of {size} bytes: {ours_ms:.2} ms, bare socket {bare_ms:.2} ms: ratio {:.2}; held at most {held:.2} of it",
            ours_s / bare_s
        ));
    }
}
