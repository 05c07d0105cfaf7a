//! Serial captures over a pseudo-terminal that keeps a real baud rate: how long they take, over the time
//! that their bytes take on the wire.
//!
//! Three ratios. Two from the simulator's own count of bytes: over the codes of the blocks alone, each once, and
//! over all bytes that went over the line in both directions. The second says what is lost in waiting, the
//! first what is spent on words, on repetition and on waiting together. A byte takes ten bits. The waiting is the
//! instrument's: the record takes 1 ms to fill, and a message, or what waited for the record, 2 ms to its answer.
//! The third is over the same captures on a virtual clock, where
//! nothing takes time but bytes and the instrument: what is over 1 there is lost on this side of the line.
//!
//! The first capture, which sets up and reads all back, is not counted; each later one is, with its arming, the state,
//! scaling and codes of both channels, error queue and proof.

use sim_instrument::scenario::Scenario;
use sim_instrument::serve::serve_pty;
use std::io::Write;
use tapewright::simulated::{self, SimPeer};
use tapewright_clock::{Clock, WallTime};
use tapewright_formats::Signal;
use tapewright_instrument::link::{InProcess, Link};
use tapewright_instrument::{Address, CaptureRequest, Scope, link};

/// A row of the table: bits a second, model of the scope, points, captures, whether blocks are read twice.
const ROWS: [(u32, &str, u32, u32, bool); 9] = [
    (9_600, "modest", 2_500, 2, false),
    (9_600, "modest", 2_500, 1, true),
    (115_200, "modest", 2_500, 5, false),
    (115_200, "modest", 2_500, 5, true),
    (115_200, "large", 25_000, 1, false),
    (921_600, "modest", 2_500, 20, false),
    (921_600, "modest", 2_500, 20, true),
    (921_600, "large", 25_000, 4, false),
    (921_600, "large", 25_000, 4, true),
];

fn say(text: &str) {
    // Where nobody reads there is nobody to tell.
    drop(writeln!(std::io::stdout(), "{text}"));
}

/// All rows.
pub(crate) fn serial_captures() {
    say("serial captures in a set-up that stands, 2 channels, records of 1 ms, 2 ms from a message to its answer;");
    say("time over that of the codes, each once, and over that of all bytes in both directions (`twice`: as read):");
    say("over that of the same on a virtual clock: bytes and the instrument's own waits, and nothing else");
    say("   baud  scope   points  read   ms each  messages  x codes  x all bytes  x virtual");
    for (baud, model, points, count, twice) in ROWS {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
        let (took_s, codes, all, messages) = runtime.block_on(row(&Clock::real(), baud, model, points, count, twice));
        let start = Clock::virtual_from(WallTime(0));
        let (least_s, ..) = runtime.block_on(row(&start, baud, model, points, count, twice));
        let byte_s = 10.0 / f64::from(baud);
        say(&format!(
            "{baud:>7}  {model:<6}  {points:>6}  {:<5} {:>8.1}  {:>8.1}  {:>7.3}  {:>11.3}  {:>9.3}",
            if twice { "twice" } else { "once" },
            took_s * 1e3 / f64::from(count),
            messages as f64 / f64::from(count),
            took_s / (codes as f64 * byte_s),
            took_s / (all as f64 * byte_s),
            took_s / least_s,
        ));
    }
}

/// Seconds, bytes of codes, all bytes, and messages of captures in a set-up that stands.
async fn row(clock: &Clock, baud: u32, model: &str, points: u32, count: u32, twice: bool) -> (f64, u64, u64, u64) {
    let text = tapewright::demo::VC_07.replace("model = \"modest\"", &format!("model = \"{model}\""));
    let mut scenario = Scenario::parse(&text).expect("the shipped scenario");
    scenario.scope.port.baud = Some(baud);
    let sim = scenario.bench().expect("a right machine");
    let dialect = simulated::dialect(&scenario).expect("a dialect");
    let hookup = simulated::hookup(&scenario, &dialect);
    // It is served for as long as this is held.
    let mut pty = None;
    let link: Box<dyn Link> = if clock.is_virtual() {
        Box::new(InProcess::new(SimPeer(sim.scope_port()), clock.clone(), "the scope").with_baud(baud))
    } else {
        let pty = pty.insert(serve_pty(sim.scope_port(), clock.clone()).expect("a pseudo-terminal"));
        let address: Address = format!("serial://{}?baud={baud}", pty.path().display()).parse().expect("an address");
        link::connect(&address, clock).await.expect("the link opens")
    };
    let mut scope = Scope::open(link, dialect, clock.clone()).await.expect("the scope opens");
    scope.set_read_twice(twice);
    let request =
        CaptureRequest { least_points: points, ..CaptureRequest::free([Signal::Rf, Signal::ControlTrack], 1e-3) };
    drop(scope.acquire(&hookup, &request).await.expect("a first one, which sets up"));
    let counted = || {
        let counters = sim.scope_port().counters();
        (counters.bytes_in + counters.bytes_out, counters.messages)
    };
    let (from, before) = (clock.now(), counted());
    let captures = scope.acquire(&hookup, &CaptureRequest { count, ..request }).await.expect("captures");
    let took_s = clock.now().since(from).as_secs_f64();
    let codes = captures.iter().flat_map(|c| &c.traces).map(|t| t.codes.len() as u64).sum();
    let (all, messages) = counted();
    (took_s, codes, all - before.0, messages - before.1)
}
