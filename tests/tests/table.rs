//! Every link with every dialect: the codes are the converter's own, bit for bit, and the volts are those that
//! the machine had, within half a step of the converter.

mod support;

use core::time::Duration;
use sim_instrument::Specs;
use sim_instrument::serve::{serve_hislip, serve_pty, serve_tcp};
use sim_instrument::source::Point as Touch;
use support::{FRONT_ENDS, Rig, block_on, scenario};
use tapewright_clock::Clock;
use tapewright_formats::Signal;
use tapewright_instrument::{
    Address, Capture, CaptureRequest, Coupling, Detection, Dialect, Edge, Scope, Slope, Trigger, link,
};

/// A way to the scope.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wire {
    InProcess,
    Tcp,
    Terminal,
    Hislip,
}

/// A bench with its scope open, and what serves its link.
struct Bench {
    name: String,
    rig: Rig,
    scope: Scope,
    _server: Option<Box<dyn core::any::Any>>,
}

/// Points of a deep record, and how many come in one reading: more than one reading, the last one shorter.
const DEEP: u32 = 120_000;
const A_READING: u32 = 50_000;

/// A bench of the large scope without errors, everything coupled directly, over one link.
async fn bench(wire: Wire, front_end: &str, scaling: &str) -> Bench {
    let mut scenario = scenario(front_end, scaling, 17, "");
    scenario.scope.specs = Specs::large().without_errors();
    let mut rig = Rig::new(&scenario);
    rig.dialect.limits.points_a_read = A_READING;
    for point in &mut rig.hookup.points {
        point.coupling = Some(Coupling::Dc);
        point.middle_v.get_or_insert(0.0);
        if point.signal == Signal::HeadSwitch {
            point.middle_v = Some(2.5);
        }
    }
    rig.sim.keep_taken(1);
    let name = format!("{wire:?} {front_end} {scaling}");
    if wire == Wire::InProcess {
        let scope = rig.open().await.unwrap_or_else(|error| panic!("{name}: {error}"));
        return Bench { name, rig, scope, _server: None };
    }
    rig.clock = Clock::real();
    let any = "127.0.0.1:0".parse().expect("an address");
    let (address, server): (String, Box<dyn core::any::Any>) = match wire {
        Wire::Terminal => {
            let pty = serve_pty(rig.sim.scope_port(), rig.clock.clone()).expect("a pseudo-terminal");
            (format!("serial://{}?baud=921600", pty.path().display()), Box::new(pty))
        }
        Wire::Tcp => {
            let server = serve_tcp(rig.sim.scope_port(), any, rig.clock.clone()).await.expect("a port");
            (format!("tcp://{}", server.address()), Box::new(server))
        }
        _ => {
            let sim = rig.sim.clone();
            let server = serve_hislip(move || sim.scope_port(), any, rig.clock.clone()).await.expect("a port");
            (format!("hislip://{}/hislip0", server.address()), Box::new(server))
        }
    };
    let address: Address = address.parse().expect("an address");
    let link = link::connect(&address, &rig.clock).await.unwrap_or_else(|error| panic!("{name}: {error}"));
    let scope = Scope::open(link, rig.dialect.clone(), rig.clock.clone()).await;
    let mut scope = scope.unwrap_or_else(|error| panic!("{name}: {}", tapewright::report::chain(&error)));
    scope.set_read_twice(wire == Wire::Terminal);
    Bench { name, rig, scope, _server: Some(server) }
}

/// What is asked: its name and the request.
fn requests() -> [(&'static str, CaptureRequest); 3] {
    let edge = Trigger::Edge(Edge { signal: Signal::HeadSwitch, slope: Slope::Rising, level_v: None });
    let both = || vec![Signal::Rf, Signal::ControlTrack];
    [
        (
            "samples",
            CaptureRequest {
                trigger: edge,
                before_s: 0.5e-3,
                least_points: 4000,
                ..CaptureRequest::free(both(), 2e-3)
            },
        ),
        (
            "peak detect",
            CaptureRequest { trigger: edge, detection: Detection::Peak, ..CaptureRequest::free(both(), 20e-3) },
        ),
        ("deep", CaptureRequest { trigger: edge, least_points: DEEP, ..CaptureRequest::free(vec![Signal::Rf], 12e-3) }),
    ]
}

/// Compares a capture with the converter's own codes and with the machine's volts.
///
/// # Errors
/// The first code or volt that is not right.
fn compare(rig: &Rig, capture: &Capture) -> Result<(), String> {
    let taken = rig.sim.taken().pop().ok_or("the simulator has taken nothing")?;
    let specs = Specs::large();
    let (peak, dt_s) = (taken.acquisition.peak, taken.acquisition.dt_s);
    let each = if peak { 2 } else { 1 };
    for trace in &capture.traces {
        let channel = rig.dialect.input(&trace.channel).and_then(|input| input.number).ok_or("no such channel")?;
        let codes = taken.codes.get(channel as usize - 1).and_then(Option::as_ref).ok_or("the channel was off")?;
        if trace.pairs != peak || (trace.dt_s - dt_s).abs() > 1e-7 * dt_s {
            return Err(format!("pairs {} every {} s, were {peak} every {dt_s} s", trace.pairs, trace.dt_s));
        }
        let first_s = trace.t0_s - if peak { 0.5 * dt_s } else { 0.0 };
        let place = (first_s - (taken.acquisition.first_s - taken.acquisition.trigger_s)) / dt_s;
        let first = place.round().max(0.0) as usize;
        if (place - first as f64).abs() > 0.5 + 20e-9 / dt_s {
            return Err(format!("the first point is off by {place} points"));
        }
        let own = codes.get(first * each..first * each + trace.codes.len()).ok_or("more codes than were taken")?;
        let shift = if rig.dialect.signed { 128 } else { 0 };
        if let Some(i) = own.iter().zip(&trace.codes).position(|(own, got)| i16::from(*own) - shift != *got) {
            return Err(format!("{} code {i} is {}, was {}", trace.signal, trace.codes[i], i16::from(own[i]) - shift));
        }
        let from_s = taken.acquisition.first_s + first as f64 * dt_s;
        let count = trace.codes.len() / each;
        let touch = Touch::Signal(trace.signal);
        let true_v: Vec<f64> = rig.sim.with_deck(rig.clock.now(), |deck| {
            if peak {
                let mut pairs = vec![(0.0, 0.0); count];
                let underlying_s = (1.0 / specs.rate_greatest_hz).min(dt_s);
                deck.extremes(touch, from_s, dt_s, underlying_s, specs.bandwidth_hz, &mut pairs);
                pairs.into_iter().flat_map(|(low, high)| [low, high]).collect()
            } else {
                let mut volts = vec![0.0; count];
                deck.samples(touch, from_s, dt_s, specs.bandwidth_hz, &mut volts);
                volts
            }
        });
        let half_v = 0.5 * trace.gain_v.abs() * (1.0 + 2e-3) + 1e-9;
        let wrong = trace.codes.iter().zip(&true_v).position(|(code, v)| (trace.volts(*code) - v).abs() > half_v);
        if let Some(i) = wrong {
            let (got_v, was_v) = (trace.volts(trace.codes[i]), true_v[i]);
            return Err(format!("{} point {i}: {got_v} V, was {was_v} V (half a step: {half_v} V)", trace.signal));
        }
    }
    Ok(())
}

async fn take(bench: &mut Bench, what: &str, request: &CaptureRequest) {
    let captures = bench.scope.acquire(&bench.rig.hookup, request).await;
    let captures = captures.unwrap_or_else(|e| panic!("{} {what}: {}", bench.name, tapewright::report::chain(&e)));
    assert_eq!(captures.len(), 1);
    let capture = &captures[0];
    assert!(capture.triggered && capture.traces.len() == request.signals.len());
    let most = capture.traces.iter().map(|trace| trace.codes.len()).max().unwrap_or_default();
    assert!(most as u32 >= request.least_points, "{} {what}: {most} codes", bench.name);
    compare(&bench.rig, capture).unwrap_or_else(|why| panic!("{} {what}: {why}", bench.name));
}

/// All of it over one link; the machines run side by side, so that they are waited for once.
fn table(wire: Wire) {
    block_on(async {
        let mut benches = Vec::new();
        for (front_end, scaling) in FRONT_ENDS {
            benches.push(bench(wire, front_end, scaling).await);
        }
        for (key, wait_s) in [("key play", 3), ("key still", 1)] {
            for bench in &benches {
                bench.rig.tell(key);
            }
            if wire != Wire::InProcess {
                Clock::real().sleep(Duration::from_secs(wait_s)).await;
            }
            for bench in &mut benches {
                if wire == Wire::InProcess {
                    bench.rig.clock.sleep(Duration::from_secs(wait_s)).await;
                }
                for (what, request) in requests() {
                    if key == "key play" || what == "samples" {
                        take(bench, &format!("{key}, {what}"), &request).await;
                    }
                }
            }
        }
    });
}

#[test]
fn in_process() {
    table(Wire::InProcess);
}

#[test]
fn over_tcp() {
    table(Wire::Tcp);
}

#[test]
fn over_a_pseudo_terminal() {
    table(Wire::Terminal);
}

#[test]
fn over_hislip() {
    table(Wire::Hislip);
}

/// A scope that has no preamble: a header of the channel tells the record's time, and no word tells the data's form.
#[test]
fn a_header_in_place_of_a_preamble() {
    block_on(async {
        let mut bench = bench(Wire::InProcess, "family-a", "A4").await;
        let shipped = Dialect::shipped("channel-timebase-waveform").and_then(|whole| whole.with_variant("a4-header"));
        let mut dialect = shipped.expect("a shipped variant");
        dialect.limits = bench.rig.dialect.limits.clone();
        dialect.inputs = bench.rig.dialect.inputs.clone();
        bench.rig.dialect = dialect;
        bench.scope = bench.rig.open().await.expect("it opens");
        bench.name.push_str(" header");
        bench.rig.tell("key play");
        bench.rig.clock.sleep(Duration::from_secs(3)).await;
        for (what, request) in requests() {
            take(&mut bench, what, &request).await;
        }
    });
}

/// A spoilt reading in the middle of a deep record: only that one is asked for again, over every link's session
/// and in every dialect, since the record is still in the scope.
#[test]
fn after_a_fault_only_the_missing_part_is_read_again() {
    for (front_end, scaling) in FRONT_ENDS {
        block_on(async {
            let mut bench = bench(Wire::InProcess, front_end, scaling).await;
            bench.rig.tell("key play");
            bench.rig.clock.sleep(Duration::from_secs(3)).await;
            let (_, request) = requests()[2].clone();
            let port = bench.rig.sim.scope_port();
            let before = port.counters().bytes_out;
            // The first whole reading has gone: the next reply that is longer than a line is cut.
            let clock = bench.rig.clock.clone();
            let cut = tokio::spawn(async move {
                while port.counters().bytes_out < before + u64::from(A_READING) {
                    clock.sleep(Duration::from_millis(1)).await;
                }
                port.set_faults(|faults| {
                    faults.cut = 1.0;
                    faults.replies_left = Some(1);
                });
                port
            });
            take(&mut bench, "deep, with a fault", &request).await;
            let port = cut.await.expect("it cut a reply");
            let (faults, sent) = (port.counters().faults, port.counters().bytes_out - before);
            assert!(faults > 0, "{}: no reply was cut", bench.name);
            let most = u64::from(DEEP) * 5 / 4 + 2 * u64::from(A_READING);
            assert!(sent < most, "{}: {sent} bytes for {DEEP} codes", bench.name);
            assert_eq!(bench.rig.sim.acquisitions().len(), 1, "{}: it was not acquired anew", bench.name);
        });
    }
}
