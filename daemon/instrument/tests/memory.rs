//! How much memory a block takes: never what its header claims before the bytes came, and never twice its size. And
//! that nothing is kept of what was parsed, whatever it was.

use core::alloc::Layout;
use core::cell::Cell;
use core::time::Duration;
use std::alloc::{GlobalAlloc, System};
use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use tapewright_clock::{Clock, Instant, WallTime};
use tapewright_instrument::Address;
use tapewright_instrument::link::{self, InProcess, Link, Peer};
use tapewright_instrument::scpi::{Message, Profile, Session};

#[path = "../../../tests/fuzz/src/instrument.rs"]
#[expect(unreachable_pub, reason = "a module of the crate of the fuzz targets")]
mod fuzzed;

thread_local! {
    /// Bytes that this thread holds: taken less given back.
    static HERE: Cell<isize> = const { Cell::new(0) };
}

/// Counts what is held, and the most that ever was.
struct Counting;

static HELD: AtomicUsize = AtomicUsize::new(0);
static MOST: AtomicUsize = AtomicUsize::new(0);

fn count(more: usize, less: usize) {
    let held = HELD.fetch_add(more, Ordering::SeqCst) + more - less;
    HELD.fetch_sub(less, Ordering::SeqCst);
    MOST.fetch_max(held, Ordering::SeqCst);
    // No count while the thread's own storage is being torn down.
    let _ = HERE.try_with(|here| here.set(here.get() + more as isize - less as isize));
}

#[expect(unsafe_code, reason = "an allocator is unsafe by its nature; this one only counts and passes on")]
// SAFETY: every call goes to the system's allocator unchanged.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count(layout.size(), 0);
        // SAFETY: as the caller promises.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, memory: *mut u8, layout: Layout) {
        count(0, layout.size());
        // SAFETY: as the caller promises.
        unsafe { System.dealloc(memory, layout) }
    }

    unsafe fn realloc(&self, memory: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        // Old and new may stand side by side for a moment.
        count(size, 0);
        count(0, layout.size());
        // SAFETY: as the caller promises.
        unsafe { System.realloc(memory, layout, size) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

/// Answers `BLOCK? n` with n bytes in chunks, and `CLAIM?` with a header and little behind it.
struct Source {
    left: usize,
    head: Vec<u8>,
    input: Vec<u8>,
}

impl Source {
    const fn new() -> Self {
        Self { left: 0, head: Vec::new(), input: Vec::new() }
    }
}

impl Peer for Source {
    fn write(&mut self, _now: Instant, bytes: &[u8]) {
        self.input.extend_from_slice(bytes);
        while let Some(end) = self.input.iter().position(|&byte| byte == b'\n') {
            let line: Vec<u8> = self.input.drain(..=end).collect();
            let text = String::from_utf8_lossy(&line).trim().to_owned();
            if text.starts_with("*ESE ") && text.ends_with("?") {
                let number = text.trim_start_matches("*ESE ").split(';').next().unwrap_or("0").to_owned();
                self.head = format!("{number}\n").into_bytes();
            } else if text == "*ESR?" {
                self.head = b"0\n".to_vec();
            } else if text == "SYSTem:ERRor?" {
                self.head = b"0,\"No error\"\n".to_vec();
            } else if text == "CLAIM?" {
                self.head = b"#9999999999little".to_vec();
            } else if let Some(count) = text.strip_prefix("BLOCK? ") {
                self.left = count.parse().expect("a number");
                self.head = format!("#9{:09}", self.left).into_bytes();
                self.left += 1;
            }
        }
    }

    fn read(&mut self, _now: Instant) -> Vec<u8> {
        if !self.head.is_empty() {
            return core::mem::take(&mut self.head);
        }
        let now = self.left.min(50_000);
        self.left -= now;
        let mut bytes = vec![b'x'; now];
        if now > 0 && self.left == 0 {
            bytes[now - 1] = b'\n';
        }
        bytes
    }

    fn next_output(&mut self, now: Instant) -> Option<Instant> {
        (self.left > 0 || !self.head.is_empty()).then_some(now + Duration::from_micros(1))
    }
}

/// Most bytes held beyond those at the start while `work` runs.
fn most(work: impl FnOnce()) -> usize {
    let before = HELD.load(Ordering::SeqCst);
    MOST.store(before, Ordering::SeqCst);
    work();
    MOST.load(Ordering::SeqCst) - before
}

/// One test at a time: all count in the same place.
static ALONE: Mutex<()> = Mutex::new(());

/// Asks for blocks over a link, of `sizes`, and looks at what is held for each.
fn check(runtime: &tokio::runtime::Runtime, link: Box<dyn Link>, clock: Clock, sizes: &[usize]) {
    let profile = Profile { most_block: 1 << 30, ..Profile::default() };
    let mut session = Session::new(link, clock, profile);
    let message = |text| Message::new(text).expect("a header");
    runtime.block_on(session.synchronise()).expect("it answers");
    for &size in sizes {
        let asked = message("BLOCK?").integer(size as i64);
        let held = most(|| {
            let block = runtime.block_on(session.query_block(&asked, 1 << 30)).expect("a block");
            assert_eq!(block.len(), size);
            assert!(block.iter().all(|&byte| byte == b'x'));
        });
        assert!(held < 7 * size / 4, "{held} bytes were held for a block of {size}");
    }
    let held = most(|| {
        let refused = runtime.block_on(session.query_block(&message("CLAIM?"), 1 << 30));
        assert!(refused.is_err());
    });
    assert!(held < 1 << 20, "{held} bytes were taken for a block that never came");
}

#[test]
fn a_block_takes_the_memory_of_its_bytes() {
    let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
    let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime without drivers");
    let clock = Clock::virtual_from(WallTime(0));
    let link = InProcess::new(Source::new(), clock.clone(), "a source");
    check(&runtime, Box::new(link), clock, &[1_000_000, 100_000_000]);
}

#[test]
fn a_block_over_tcp_takes_the_memory_of_its_bytes() {
    let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
    let clock = Clock::real();
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = format!("tcp://{}", listener.local_addr().expect("an address"));
    let now = clock.now();
    std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().expect("a connection");
        let mut source = Source::new();
        let mut bytes = [0; 4096];
        while let Ok(count) = stream.read(&mut bytes)
            && count > 0
        {
            source.write(now, &bytes[..count]);
            loop {
                let part = source.read(now);
                if part.is_empty() || stream.write_all(&part).is_err() {
                    break;
                }
            }
        }
    });
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let address: Address = address.parse().expect("an address");
    let link = runtime.block_on(link::connect(&address, &clock)).expect("it connects");
    check(&runtime, link, clock, &[1_000_000, 100_000_000]);
}

/// Parses a target's corpus over and over, at least so many inputs: as much is held after as before.
fn keeps_nothing(target: &str, parse: fn(&[u8]), inputs: usize) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/fuzz/corpus").join(target);
    let files = std::fs::read_dir(&folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let corpus: Vec<Vec<u8>> = files.map(|file| std::fs::read(file.unwrap().path()).unwrap()).collect();
    let all = || corpus.iter().for_each(|bytes| parse(bytes));
    // What is made once and kept is made the first time.
    all();
    let before = HERE.get();
    for _ in 0..inputs.div_ceil(corpus.len()) {
        all();
    }
    assert_eq!(HERE.get() - before, 0, "{target}: bytes are held that were not before");
}

#[test]
fn nothing_is_kept_of_what_was_parsed() {
    let _alone = ALONE.lock().unwrap_or_else(PoisonError::into_inner);
    keeps_nothing("replies", fuzzed::replies, 100_000);
    keeps_nothing("preambles", fuzzed::preambles, 20_000);
    keeps_nothing("blocks", fuzzed::blocks, 500);
    keeps_nothing("dialects", fuzzed::dialects, 60);
    // The count itself: something that is kept is seen.
    let before = HERE.get();
    let kept = vec![1_u8; 1000];
    assert_eq!(HERE.get() - before, 1000);
    drop(kept);
}
