//! The daemon's scope against the simulator, by front end, trigger and detection, and with link faults.
//!
//! The simulated scope is without noise and errors here, so what a sample must be follows exactly from
//! the machine's volts at the instant that the simulator's own log gives: within half a step.

mod support;

use proptest::prelude::*;
use sim_instrument::serve::{serve_hislip, serve_pty, serve_tcp};
use sim_instrument::source::Point as Touch;
use support::{FRONT_ENDS, Rig, block_on, scenario};
use tapewright_clock::Clock;
use tapewright_formats::Signal;
use tapewright_instrument::{
    Address, Capture, CaptureRequest, Coupling, Detection, Edge, Scope, ScopeError, Slope, Trigger, link,
};

/// A rig whose scope makes no errors, with everything coupled directly.
fn rig(front_end: &str, scaling: &str, seed: u64) -> Rig {
    let mut scenario = scenario(front_end, scaling, seed, "");
    scenario.scope.specs = scenario.scope.specs.without_errors();
    let mut rig = Rig::new(&scenario);
    for point in &mut rig.hookup.points {
        point.coupling = Some(Coupling::Dc);
        point.middle_v.get_or_insert(0.0);
        if point.signal == Signal::HeadSwitch {
            point.middle_v = Some(2.5);
        }
    }
    rig
}

/// The bandwidth and the greatest rate of the modest scope: what the simulator samples with.
const BANDWIDTH_HZ: f64 = 60e6;
const GREATEST_RATE_HZ: f64 = 100e6;

/// Compares a capture with what the machine had at the instants of the simulator's last acquisition.
///
/// # Errors
/// The first code that is not right.
fn compare(rig: &Rig, capture: &Capture) -> Result<(), String> {
    let acquisition = rig.sim.acquisitions().pop().ok_or("the simulator has acquired nothing")?;
    let peak = capture.setup.detection == Detection::Peak;
    if peak != acquisition.peak {
        return Err("pairs and samples are mixed up".to_owned());
    }
    for trace in &capture.traces {
        let (gain_v, dt_s) = (trace.gain_v.abs(), acquisition.dt_s);
        let each = if peak { 2 } else { 1 };
        let count = trace.codes.len() / each;
        if trace.codes.len() != acquisition.points as usize {
            return Err(format!("{} codes, {} taken", trace.codes.len(), acquisition.points));
        }
        if (trace.dt_s - dt_s).abs() > 1e-9 * dt_s {
            return Err(format!("dt is {} s, was {dt_s} s", trace.dt_s));
        }
        let first_s = trace.t0_s - if peak { 0.5 * dt_s } else { 0.0 };
        if (first_s - (acquisition.first_s - acquisition.trigger_s)).abs() > 0.5 * dt_s + 20e-9 {
            let was_s = acquisition.first_s - acquisition.trigger_s;
            return Err(format!("the first point is at {first_s} s, was at {was_s} s (dt {dt_s} s)"));
        }
        let touch = Touch::Signal(trace.signal);
        let true_v: Vec<f64> = rig.sim.with_deck(rig.clock.now(), |deck| {
            if peak {
                let mut pairs = vec![(0.0, 0.0); count];
                let underlying_s = (1.0 / GREATEST_RATE_HZ).min(dt_s);
                deck.extremes(touch, acquisition.first_s, dt_s, underlying_s, BANDWIDTH_HZ, &mut pairs);
                pairs.into_iter().flat_map(|(low, high)| [low, high]).collect()
            } else {
                let mut volts = vec![0.0; count];
                deck.samples(touch, acquisition.first_s, dt_s, BANDWIDTH_HZ, &mut volts);
                volts
            }
        });
        for (i, (&code, volts)) in trace.codes.iter().zip(true_v).enumerate() {
            let got_v = trace.volts(code);
            // The simulator adds the times of a record in chunks: a last bit of time moves a carrier.
            if (got_v - volts).abs() > 0.5 * gain_v * (1.0 + 1e-3) + 1e-9 {
                return Err(format!("{} point {i}: {got_v} V, was {volts} V (a step is {gain_v} V)", trace.signal));
            }
        }
    }
    Ok(())
}

fn edge() -> Trigger {
    Trigger::Edge(Edge { signal: Signal::HeadSwitch, slope: Slope::Rising, level_v: None })
}

/// The requests: free, on an edge with a share before it, pairs, and a slow record of pairs.
fn requests() -> [(&'static str, CaptureRequest); 4] {
    let both = || vec![Signal::Rf, Signal::ControlTrack];
    [
        ("free", CaptureRequest::free(both(), 2e-3)),
        ("edge", CaptureRequest { trigger: edge(), before_s: 0.5e-3, ..CaptureRequest::free(both(), 2e-3) }),
        ("peak", CaptureRequest { trigger: edge(), detection: Detection::Peak, ..CaptureRequest::free(both(), 20e-3) }),
        ("slow", CaptureRequest { detection: Detection::Peak, deadline_s: 5.0, ..CaptureRequest::free(both(), 5.0) }),
    ]
}

#[test]
fn every_front_end_gives_what_the_machine_had() {
    for (front_end, scaling) in FRONT_ENDS {
        block_on(async {
            let rig = rig(front_end, scaling, 11);
            let mut scope = rig.open().await.expect("the scope opens");
            rig.play().await;
            for (name, request) in requests() {
                let captures = scope.acquire(&rig.hookup, &request).await;
                let captures = captures.unwrap_or_else(|error| panic!("{front_end} {scaling} {name}: {error}"));
                assert_eq!(captures.len(), 1);
                assert_eq!(captures[0].triggered, name != "free" && name != "slow", "{front_end} {scaling} {name}");
                assert_eq!(captures[0].traces.len(), 2);
                compare(&rig, &captures[0]).unwrap_or_else(|why| panic!("{front_end} {scaling} {name}: {why}"));
            }
        });
    }
}

#[test]
fn a_comparison_that_is_off_by_a_step_is_found() {
    block_on(async {
        let rig = rig("scpi-99", "", 5);
        let mut scope = rig.open().await.expect("the scope opens");
        rig.play().await;
        let mut captures = scope.acquire(&rig.hookup, &requests()[0].1).await.expect("a capture");
        compare(&rig, &captures[0]).expect("right");
        captures[0].traces[0].codes[100] += 2;
        compare(&rig, &captures[0]).expect_err("a wrong code");
    });
}

/// What a link does to a capture: it is right, or an error. Then the link is well, and the next is right.
async fn right_or_an_error(rig: &Rig, scope: &mut Scope, what: &str) -> Result<bool, String> {
    let request = &requests()[1].1;
    let came = match scope.acquire(&rig.hookup, request).await {
        Ok(captures) => {
            compare(rig, &captures[0]).map_err(|why| format!("`{what}`: a wrong capture: {why}"))?;
            true
        }
        Err(_) => false,
    };
    rig.tell("link clear");
    let captures = scope.acquire(&rig.hookup, request).await;
    let captures = captures
        .map_err(|error| format!("`{what}`: the session is not usable again: {}", tapewright::report::chain(&error)))?;
    compare(rig, &captures[0]).map_err(|why| format!("`{what}`: afterwards: {why}"))?;
    Ok(came)
}

/// Opens a scope in play, lets the fault strike, and judges.
fn check_fault(front_end: usize, seed: u64, what: &str) -> Result<bool, String> {
    let (name, scaling) = FRONT_ENDS[front_end];
    block_on(async {
        let rig = rig(name, scaling, seed);
        let mut scope = rig.open().await.map_err(|error| error.to_string())?;
        // Nothing but a second reading finds a garbled byte inside a block.
        scope.set_read_twice(true);
        rig.play().await;
        rig.tell(what);
        right_or_an_error(&rig, &mut scope, what).await.map_err(|why| format!("{name} {scaling} seed {seed}: {why}"))
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_spoilt_link_gives_a_right_capture_or_an_error(
        front_end in 0..FRONT_ENDS.len(),
        seed in 1..1_000_000_u64,
        rate in 1e-5..3e-3_f64,
        kind in 0..7_usize,
    ) {
        let what = match kind {
            0 => format!("link drop {rate}"),
            1 => format!("link garble {rate}"),
            2 => format!("link double {rate}"),
            3 => format!("link drop-in {rate}"),
            4 => format!("link garble-in {rate}"),
            5 => format!("link late {} 0.7", 100.0 * rate),
            _ => format!("link cut {}", 100.0 * rate),
        };
        if let Err(why) = check_fault(front_end, seed, &what) {
            prop_assert!(false, "{why}");
        }
    }
}

#[test]
fn a_fault_that_strikes_everything_is_an_error() {
    for what in ["link drop 0.2", "link garble 0.2", "link double 0.2", "link cut 1", "link silent", "link closed"] {
        for front_end in [0, 4] {
            let came = check_fault(front_end, 9, what).unwrap_or_else(|why| panic!("{why}"));
            assert!(!came, "`{what}` cannot give a capture");
        }
    }
}

#[test]
fn after_a_restart_the_next_capture_is_right() {
    for front_end in 0..FRONT_ENDS.len() {
        check_fault(front_end, 21, "restart scope").unwrap_or_else(|why| panic!("{why}"));
    }
}

#[test]
fn another_instrument_is_not_taken_for_the_first() {
    for (front_end, scaling) in FRONT_ENDS {
        block_on(async {
            let rig = rig(front_end, scaling, 3);
            let mut scope = rig.open().await.expect("the scope opens");
            rig.play().await;
            rig.tell("identity scope Other Instruments,OI-1,7,1.0");
            rig.tell("restart scope");
            let request = &requests()[0].1;
            let error = scope.acquire(&rig.hookup, request).await.map(|got| got.len()).expect_err("it is another one");
            let said = tapewright::report::chain(&error);
            assert!(said.contains("another instrument answers"), "{said}");
            assert!(matches!(error, ScopeError::Session { .. }));
            rig.tell("identity scope -");
            let captures = scope.acquire(&rig.hookup, request).await.expect("the first one is back");
            compare(&rig, &captures[0]).expect("right");
        });
    }
}

/// One free capture over a real link, on the real clock.
async fn over(mut rig: Rig, address: String) {
    let address: Address = address.parse().expect("an address");
    let link = link::connect(&address, &rig.clock).await.expect("the link opens");
    let mut scope = Scope::open(link, rig.dialect.clone(), rig.clock.clone()).await.expect("the scope opens");
    // Without a tape in play there is no RF; the scope's own test output is a signal at any time.
    rig.hookup.points.retain(|point| point.signal == Signal::Rf);
    rig.hookup.points[0].expected_v = Some(6.0);
    rig.hookup.points[0].middle_v = Some(1.5);
    rig.tell("probe CH1 test-output 1");
    let captures = scope.acquire(&rig.hookup, &CaptureRequest::free([Signal::Rf], 5e-3)).await.expect("a capture");
    let trace = &captures[0].traces[0];
    let acquisition = rig.sim.acquisitions().pop().expect("it acquired");
    assert_eq!(trace.codes.len(), acquisition.points as usize);
    for (i, &code) in trace.codes.iter().enumerate() {
        let at_s = acquisition.first_s + i as f64 * acquisition.dt_s;
        let phase = (at_s * 1000.0).rem_euclid(1.0);
        // An instant within a nanosecond of an edge may be on either side of it by the rounding of time.
        if [0.0, 0.5, 1.0].iter().any(|e| (phase - e).abs() < 1e-6) {
            continue;
        }
        let true_v = if phase < 0.5 { 3.0 } else { 0.0 };
        let got_v = trace.volts(code);
        assert!((got_v - true_v).abs() <= 0.5 * trace.gain_v.abs() * 1.001, "point {i}: {got_v} V, was {true_v} V");
    }
}

/// A rig on the real clock.
fn real_rig(front_end: &str, scaling: &str) -> Rig {
    let mut rig = rig(front_end, scaling, 4);
    rig.clock = Clock::real();
    rig
}

#[test]
fn over_a_pseudo_terminal() {
    block_on(async {
        let rig = real_rig("family-a", "A1");
        let pty = serve_pty(rig.sim.scope_port(), rig.clock.clone()).expect("a pseudo-terminal");
        let address = format!("serial://{}?baud=921600", pty.path().display());
        over(rig, address).await;
    });
}

#[test]
fn over_tcp() {
    block_on(async {
        let rig = real_rig("scpi-99", "");
        let any = "127.0.0.1:0".parse().expect("an address");
        let server = serve_tcp(rig.sim.scope_port(), any, rig.clock.clone()).await.expect("a port");
        let address = format!("tcp://{}", server.address());
        over(rig, address).await;
    });
}

#[test]
fn over_hislip() {
    block_on(async {
        let rig = real_rig("family-a", "A3");
        let any = "127.0.0.1:0".parse().expect("an address");
        let ports = rig.sim.clone();
        let server = serve_hislip(move || ports.scope_port(), any, rig.clock.clone()).await.expect("a port");
        let address = format!("hislip://{}/hislip0", server.address());
        over(rig, address).await;
    });
}
