//! Captures a second of live readings on a simulated scope over TCP, in real time: the scope, its machine and the
//! daemon share the processor, as they do in the demonstration.
//!
//! `cargo bench -p tapewright-tests --bench live`. The rate is the session's own, the median over what it says while
//! a tape plays; beside it the processor's time for each capture, simulator and all, which does not depend on what else
//! the computer does. A scope that takes a frame from its switching edge needs two to three frames for each (525 lines:
//! 10 to 15 a second), so beyond that nothing is to be won.

use core::time::Duration;
use sim_instrument::scenario::Scenario;
use sim_instrument::serve::serve_tcp;
use std::io::Write;
use std::sync::Arc;
use tapewright::bench::{Bench, Parts};
use tapewright::library::Library;
use tapewright::live::LiveSpec;
use tapewright::records::DataFolder;
use tapewright::simulated;
use tapewright_clock::Clock;
use tapewright_formats::{Mode, TapeKind};
use tapewright_instrument::{Address, link};

/// A row: the scope's model, what is on its tape, and whether control pulses are captured beside the RF.
const ROWS: [(&str, &str, bool); 4] = [
    ("modest", "alignment", false),
    ("modest", "alignment", true),
    ("modest", "council-1991", true),
    ("large", "council-1991", true),
];

/// How long each row is watched, once readings come.
const WATCHED: Duration = Duration::from_secs(8);

/// How long a row may take until readings come.
const PATIENCE: Duration = Duration::from_secs(30);

fn say(text: &str) {
    // Where nobody reads there is nobody to tell.
    drop(writeln!(std::io::stdout(), "{text}"));
}

fn main() {
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().expect("a runtime");
    say("live readings of guide-adjust over TCP, in real time, 525 lines:");
    say("scope   tape          control  captures a second: median  least  greatest  processor, ms each");
    for (model, tape, control) in ROWS {
        let (mut rates, each_ms) = runtime.block_on(row(model, tape, control));
        rates.sort_by(f64::total_cmp);
        let (least, greatest) = (rates.first().copied().unwrap_or(0.0), rates.last().copied().unwrap_or(0.0));
        let median = rates.get(rates.len() / 2).copied().unwrap_or(0.0);
        say(&format!(
            "{model:<7} {tape:<13} {control:<7}  {median:>25.1}  {least:>5.1}  {greatest:>8.1}  {each_ms:>18.1}"
        ));
    }
}

/// Seconds of the processor that this process took so far; the kernel counts them in hundredths.
fn processor_s() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // Behind the name, which may hold blanks: the 12th and 13th field are user and system time.
    let fields: Vec<&str> = stat.rsplit(')').next().unwrap_or_default().split_whitespace().collect();
    fields.iter().skip(11).take(2).filter_map(|ticks| ticks.parse::<f64>().ok()).sum::<f64>() / 100.0
}

/// The rates that a session says, and milliseconds of the processor for each capture.
async fn row(model: &str, tape: &str, control: bool) -> (Vec<f64>, f64) {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../sim-instrument/scenarios/guide-entrance-low.toml");
    let text = std::fs::read_to_string(path).expect("the scenario is there");
    let text = text.replace("model = \"modest\"", &format!("model = \"{model}\""));
    let mut scenario = Scenario::parse(&text).expect("a right scenario");
    if !control {
        scenario.scope.probes.retain(|probe| probe.label != "CH2");
    }
    let clock = Clock::real();
    let sim = scenario.bench().expect("a right machine");
    sim.command(clock.now(), &format!("tape {tape}")).expect("a tape goes in");
    let any = "127.0.0.1:0".parse().expect("an address");
    let scope = serve_tcp(sim.scope_port(), any, clock.clone()).await.expect("a port");
    let relays = serve_tcp(sim.relay_port(), any, clock.clone()).await.expect("a port");
    let connect = async |at: std::net::SocketAddr| {
        let address: Address = format!("tcp://{at}").parse().expect("an address");
        link::connect(&address, &clock).await.expect("the link opens")
    };
    let dialect = simulated::dialect(&scenario).expect("a dialect");
    let parts = Parts {
        name: "bench".to_owned(),
        scope: connect(scope.address()).await,
        hookup: simulated::hookup(&scenario, &dialect),
        dialect,
        read_twice: false,
        relays: Some((connect(relays.address()).await, simulated::keys(&scenario))),
        settle: Duration::from_secs(8),
        hands_clear: Duration::ZERO,
    };
    let folder = tempfile::tempdir().expect("a folder");
    let data = DataFolder::open(folder.path(), clock.clone()).await.expect("records");
    let library = Arc::new(Library::open(&[]).expect("a library"));
    let bench = Bench::open(parts, clock.clone(), data, library).await.expect("the bench opens");
    let spec = LiveSpec {
        procedure: "guide-adjust".to_owned(),
        machine: None,
        format: Some(scenario.machine.format.clone()),
        tape: Some(TapeKind::Other),
        tape_name: tape.to_owned(),
        even_picture: true,
        job: None,
        acknowledge: true,
    };
    bench.start_live(spec).await.expect("it begins");
    bench.live_key(Mode::Play).expect("a key");
    let (mut at, mut rates, mut end) = (0, Vec::new(), clock.now() + PATIENCE);
    let mut from_s = processor_s();
    while clock.now() < end {
        let frame = bench.live().after(bench.shared(), at, end).await;
        at = frame.number;
        let plays = frame.reading.as_ref().is_some_and(|reading| !reading.gauges.is_empty());
        if let (true, Some(rate)) = (plays, frame.captures_a_second) {
            if rates.is_empty() {
                end = clock.now() + WATCHED;
                from_s = processor_s();
            }
            rates.push(rate);
        }
    }
    let each_ms = 1e3 * (processor_s() - from_s) / rates.len().max(1) as f64;
    bench.live().end();
    bench.close().await;
    // The first two seconds' rate still holds the way into play.
    (rates.split_off(rates.len() / 3), each_ms)
}
