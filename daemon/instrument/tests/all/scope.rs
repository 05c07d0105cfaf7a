//! The scope room against a scripted scope, on virtual time.

use crate::common::{Knobs, chain, run};
use crate::fake_scope::{Shared, World, fake_scope};
use std::sync::{Arc, Mutex};
use tapewright_clock::Clock;
use tapewright_formats::{Signal, SignalForm, UnableCode};
use tapewright_instrument::link::faults::{FaultControl, Faulty, Spoil};
use tapewright_instrument::{
    Capture, CaptureRequest, Coupling, Detection, Dialect, Edge, Hookup, Point, Scope, ScopeError, Slope, Trigger,
};

pub(crate) const FAMILY_A: &str = "channel-timebase-waveform";

pub(crate) struct Bench {
    pub(crate) scope: Scope,
    pub(crate) world: Shared,
    pub(crate) knobs: Arc<Mutex<Knobs>>,
    pub(crate) faults: FaultControl,
}

async fn bench_with(dialect: Dialect, family_a: bool, world: World, clock: &Clock) -> Result<Bench, ScopeError> {
    let (instrument, world, knobs) = fake_scope(family_a, world);
    let (link, faults) = Faulty::new(instrument.link(clock), clock.clone(), 1, Spoil::default());
    let scope = Scope::open(Box::new(link), dialect, clock.clone()).await?;
    Ok(Bench { scope, world, knobs, faults })
}

pub(crate) async fn bench(dialect: &str, world: World, clock: &Clock) -> Bench {
    bench_with(Dialect::shipped(dialect).unwrap(), dialect.starts_with(FAMILY_A), world, clock).await.unwrap()
}

/// RF of 2 V about 0 V on the first channel, a square of 5 V on the second.
pub(crate) fn hookup(dialect: &str) -> Hookup {
    let labels =
        if dialect.starts_with(FAMILY_A) { ["CHANnel1", "CHANnel2", "EXTernal"] } else { ["CH1", "CH2", "EXTernal"] };
    let mut rf = Point::new(Signal::Rf, labels[0]);
    rf.expected_v = Some(2.0);
    let mut switch = Point::new(Signal::HeadSwitch, labels[1]);
    switch.expected_v = Some(5.0);
    switch.form = SignalForm::Square;
    let mut reference = Point::new(Signal::Reference, labels[2]);
    reference.trigger_level_v = Some(1.0);
    Hookup { lines: None, points: vec![rf, switch, reference] }
}

pub(crate) fn triggered(signals: &[Signal], span_s: f64) -> CaptureRequest {
    let edge = Edge { signal: Signal::Reference, slope: Slope::Rising, level_v: None };
    CaptureRequest { before_s: span_s / 4.0, trigger: Trigger::Edge(edge), ..CaptureRequest::free(signals, span_s) }
}

/// Every point against the volts that are really there.
pub(crate) fn check_volts(capture: &Capture, world: &World, trigger_s: f64) {
    for trace in &capture.traces {
        let channel = usize::from(trace.signal != Signal::Rf);
        let (middle, amplitude, hertz) = world.signals[channel];
        let truth = |t: f64| middle + amplitude * (core::f64::consts::TAU * hertz * t).sin();
        let step = trace.gain_v.abs();
        for (i, pair) in trace.codes.chunks(if trace.pairs { 2 } else { 1 }).enumerate() {
            let t = trigger_s + trace.t0_s + i as f64 * trace.dt_s;
            let low = trace.volts(pair[0]);
            let high = trace.volts(*pair.last().unwrap());
            // A pair holds what lies within half a bin of its middle.
            let swing = if trace.pairs { amplitude * core::f64::consts::TAU * hertz * trace.dt_s / 2.0 } else { 0.0 };
            assert!(
                low <= truth(t) + 0.6 * step && high >= truth(t) - 0.6 * step,
                "{}: {low} {high} {}",
                trace.signal,
                truth(t)
            );
            assert!(high - low <= 2.0 * swing + 1.1 * step, "{}: {low} to {high}", trace.signal);
        }
    }
}

pub(crate) fn each_dialect(work: &impl AsyncFn(&str, Clock)) {
    for name in ["channel-timebase-waveform", "scpi-99", "channel-timebase-waveform/large", "scpi-99/large"] {
        run(async |clock| work(name, clock).await);
    }
}

#[test]
fn captures_have_the_volts_and_seconds_that_are_there() {
    each_dialect(&async |name, clock| {
        let mut bench = bench(name, World::default(), &clock).await;
        for detection in [Detection::Sample, Detection::Peak] {
            for points in [0, 400, 2500] {
                let signals = [Signal::Rf, Signal::HeadSwitch];
                let request = CaptureRequest { detection, least_points: points, count: 2, ..triggered(&signals, 0.04) };
                let captures = bench.scope.acquire(&hookup(name), &request).await.unwrap();
                assert_eq!(captures.len(), 2);
                let world = bench.world.lock().unwrap();
                let triggers = &world.triggers[world.triggers.len() - 2..];
                for (capture, &trigger_s) in captures.iter().zip(triggers) {
                    check_volts(capture, &world, trigger_s);
                    assert!(capture.triggered);
                    let off = (capture.trigger_s - trigger_s).abs();
                    assert!(
                        off <= capture.trigger_uncertainty_s * 3_f64.sqrt() + 1e-9,
                        "{off} {}",
                        capture.trigger_uncertainty_s
                    );
                    assert!(capture.trigger_uncertainty_s < 0.01, "{}", capture.trigger_uncertainty_s);
                    for trace in &capture.traces {
                        let wanted = if points == 0 { 2500 } else { points };
                        assert_eq!(trace.codes.len(), wanted as usize);
                        assert!((trace.t0_s + 0.01).abs() <= trace.dt_s, "{}", trace.t0_s);
                        let (low, high) = trace.code_range().unwrap();
                        let steps = f64::from(high) - f64::from(low);
                        assert!((90.0..200.0).contains(&steps), "{}: {steps} steps", trace.signal);
                    }
                }
            }
        }
    });
}

#[test]
fn every_scaling_of_family_a_gives_the_same_volts() {
    for (formula, codes, format) in
        [("a1", "unsigned", 0), ("a2", "unsigned", 0), ("a3", "signed", 1), ("a4", "unsigned", 0)]
    {
        run(async |clock| {
            let text = include_str!("../../dialects/channel-timebase-waveform.toml")
                .replacen("formula = \"a1\"", &format!("formula = \"{formula}\""), 1)
                .replacen("codes = \"unsigned\"", &format!("codes = \"{codes}\""), 1)
                .replacen("format-code-8 = 0", &format!("format-code-8 = {format}"), 1);
            let dialect = Dialect::check(&text).unwrap();
            let world = World { scaling: formula, ..World::default() };
            let mut bench = bench_with(dialect, true, world, &clock).await.unwrap();
            let request = triggered(&[Signal::Rf, Signal::HeadSwitch], 0.04);
            let captures = bench.scope.acquire(&hookup(FAMILY_A), &request).await.unwrap();
            let world = bench.world.lock().unwrap();
            check_volts(&captures[0], &world, world.triggers[0]);
        });
    }
}

#[test]
fn a_wrong_formula_is_found_out() {
    // The fourth is no wrong one here: with a reference of 0 the first formula gives the same volts.
    for scaling in ["a2", "a3"] {
        run(async |clock| {
            let world = World { scaling, ..World::default() };
            let mut bench = bench(FAMILY_A, world, &clock).await;
            let request = triggered(&[Signal::HeadSwitch], 0.04);
            let error = bench.scope.acquire(&hookup(FAMILY_A), &request).await.unwrap_err();
            assert!(matches!(error, ScopeError::Scaling { .. } | ScopeError::BadData { .. }), "{scaling}: {error}");
            assert_eq!(error.unable_code(), UnableCode::BadData);
        });
    }
}

#[test]
fn what_the_scope_cannot_do_says_what_it_can() {
    run(async |clock| {
        let mut bench = bench(FAMILY_A, World::default(), &clock).await;
        let base = hookup(FAMILY_A);
        let rf = |change: &dyn Fn(&mut CaptureRequest)| {
            let mut request = triggered(&[Signal::Rf], 0.04);
            change(&mut request);
            request
        };
        let point = |change: &dyn Fn(&mut Point)| {
            let mut hookup = base.clone();
            change(&mut hookup.points[0]);
            hookup
        };
        let cases = [
            (
                base.clone(),
                rf(&|r| r.signals = vec![Signal::Video]),
                "`video` was asked for, but it is not hooked up; hooked up are rf, head-switch, reference",
            ),
            (
                base.clone(),
                rf(&|r| r.signals = vec![Signal::Reference]),
                "`reference` is on EXTernal, which can only trigger: put it on one of CHANnel1, CHANnel2",
            ),
            (base.clone(), rf(&|r| r.signals = vec![]), "a capture of no signal: this scope cannot; name at least one"),
            (
                point(&|p| p.channel = "CHANnel7".into()),
                rf(&|_| ()),
                "`rf` is hooked up to `CHANnel7`, which this scope does not have; it has CHANnel1, CHANnel2, EXTernal",
            ),
            (
                base.clone(),
                rf(&|r| r.least_points = 10_000),
                "10000 points over 0.04 s: this scope cannot; over that time it gives at most 2500 points, 6.250000e4 Hz; at the rate asked for its record is at most 1.000000e-2 s",
            ),
            (
                base.clone(),
                rf(&|r| r.least_rate_hz = 1e6),
                "40000 points over 0.04 s: this scope cannot; over that time it gives at most 2500 points, 6.250000e4 Hz; at the rate asked for its record is at most 2.500000e-3 s",
            ),
            (
                base.clone(),
                rf(&|r| r.least_rate_hz = 1e9),
                "a rate of 1000000000 Hz: this scope cannot; its greatest rate is 100000000 Hz",
            ),
            (
                base.clone(),
                rf(&|r| r.span_s = 1e4),
                "a record of 10000 s: this scope cannot; its longest record is 500 s",
            ),
            (
                base.clone(),
                rf(&|r| r.before_s = 1.0),
                "a record of 0.04 s with 1 s before the trigger: this scope cannot; a record is longer than nothing, and its trigger lies in it",
            ),
            (base.clone(), rf(&|r| r.count = 0), "0 acquisitions: this scope cannot; expected 1 to 100000"),
            (
                base.clone(),
                rf(&|r| r.trigger = Trigger::Field(1)),
                "`video` was asked for, but it is not hooked up; hooked up are rf, head-switch, reference",
            ),
            (
                base.clone(),
                rf(&|r| r.trigger = Trigger::Field(3)),
                "field 3 of the video: this scope cannot; fields are 1, 2, or 0 for either",
            ),
            (
                point(&|p| p.signal = Signal::Video),
                rf(&|r| {
                    r.signals = vec![Signal::Video];
                    r.trigger = Trigger::Line(20);
                }),
                "a trigger on video: this scope cannot; it must know the standard: say `lines = 525` or `lines = 625` in the hookup",
            ),
            (
                point(&|p| p.expected_v = Some(0.01)),
                rf(&|_| ()),
                "`rf` on CHANnel1: the expected 0.01 V make 12.5 steps of the converter at the most sensitive setting, and at least 20 are needed; take a probe of a smaller factor than 10 (and say so in the hookup), or a point with more level",
            ),
            (
                point(&|p| p.expected_v = Some(1e4)),
                rf(&|_| ()),
                "`rf` of 10000 V on CHANnel1: this scope cannot; its least sensitive setting is 100 V a division with this probe; take one of a greater factor",
            ),
            (
                point(&|p| p.probe_factor = 0.0),
                rf(&|_| ()),
                "the hookup has faults: probe factor of `rf` is 0: expected 0.001 to 100000",
            ),
        ];
        for (hookup, request, expected) in cases {
            let error = bench.scope.acquire(&hookup, &request).await.unwrap_err();
            assert_eq!(chain(&error), expected);
        }
        let heard = bench.knobs.lock().unwrap().heard.len();
        assert!(bench.scope.acquire(&base, &rf(&|r| r.count = 0)).await.is_err());
        assert_eq!(bench.knobs.lock().unwrap().heard.len(), heard, "nothing is sent for what cannot be done");
    });
}

#[test]
fn no_trigger_is_an_error_in_good_time() {
    each_dialect(&async |name, clock| {
        let mut bench = bench(name, World { trigger_after_s: None, ..World::default() }, &clock).await;
        let began = clock.now();
        let request = CaptureRequest { deadline_s: 1.5, ..triggered(&[Signal::Rf], 0.04) };
        let error = bench.scope.acquire(&hookup(name), &request).await.unwrap_err();
        assert!(error.to_string().contains("a rising edge of `reference` on EXTernal through 1 V"), "{error}");
        assert_eq!(error.unable_code(), UnableCode::NoTrigger);
        let took = clock.now().since(began).as_secs_f64();
        assert!((1.5..2.5).contains(&took), "{took}");
        // Free run does not need it.
        let free = bench.scope.acquire(&hookup(name), &CaptureRequest::free([Signal::Rf], 0.04)).await.unwrap();
        assert!(!free[0].triggered);
    });
}

#[test]
fn clipping_widens_and_then_is_an_error() {
    each_dialect(&async |name, clock| {
        let mut world = World::default();
        world.signals[0].1 = 4.0;
        let mut bench = bench(name, world, &clock).await;
        // Four times what was expected: two steps wider.
        let request = triggered(&[Signal::Rf], 0.04);
        let captures = bench.scope.acquire(&hookup(name), &request).await.unwrap();
        assert_eq!(captures[0].traces[0].clipped(), 0);
        let (low, high) = captures[0].traces[0].volt_range().unwrap();
        assert!((low + 4.0).abs() < 0.1 && (high - 4.0).abs() < 0.1, "{low} {high}");
        // A thousand times: no range holds it.
        bench.world.lock().unwrap().signals[0].1 = 1000.0;
        let error = bench.scope.acquire(&hookup(name), &request).await.unwrap_err();
        assert!(matches!(error, ScopeError::Clipped { .. }), "{error}");
        assert!(error.to_string().contains("after 4 larger ranges; check the expected volts in the hookup"), "{error}");
    });
}

#[test]
fn an_absent_signal_is_data_at_the_expected_range() {
    each_dialect(&async |name, clock| {
        let mut world = World::default();
        world.signals[0].1 = 0.0;
        let mut bench = bench(name, world, &clock).await;
        let captures = bench.scope.acquire(&hookup(name), &CaptureRequest::free([Signal::Rf], 0.04)).await.unwrap();
        let trace = &captures[0].traces[0];
        let (low, high) = trace.code_range().unwrap();
        assert_eq!(low, high);
        assert!(2.0 / trace.gain_v > 90.0, "the range is still the expected one");
    });
}

#[test]
fn an_unknown_level_is_looked_for() {
    each_dialect(&async |name, clock| {
        for (middle, amplitude, coupling) in
            [(0.0, 0.02, Coupling::Ac), (2.5, 2.5, Coupling::Dc), (12.0, 0.4, Coupling::Dc), (0.0, 40.0, Coupling::Ac)]
        {
            let mut world = World::default();
            world.signals[0] = (middle, amplitude, 1000.0);
            let mut bench = bench(name, world, &clock).await;
            let mut hookup = hookup(name);
            hookup.points[0].expected_v = None;
            hookup.points[0].coupling = Some(coupling);
            let request = triggered(&[Signal::Rf], 0.04);
            let captures = bench.scope.acquire(&hookup, &request).await.unwrap();
            let world = bench.world.lock().unwrap();
            check_volts(&captures[0], &world, *world.triggers.last().unwrap());
            let (low, high) = captures[0].traces[0].code_range().unwrap();
            let steps = i32::from(high) - i32::from(low);
            assert!((45..=210).contains(&steps), "{name}: {middle} V {amplitude} V: {steps} steps");
        }
    });
}

#[test]
fn the_wrong_dialect_is_named() {
    run(async |clock| {
        let dialect = Dialect::shipped("scpi-99").unwrap();
        let error = bench_with(dialect, true, World::default(), &clock).await.err().unwrap();
        assert_eq!(
            chain(&error),
            "the instrument `Workshop,Scripted,7,1.0` does not know words of dialect `scpi-99` (make the scope ready): it says -113,\"Undefined header\"; choose another dialect, or check the file"
        );
    });
}

#[test]
fn a_bench_check_tells_what_is_on_each_probe() {
    run(async |clock| {
        let mut bench = bench(FAMILY_A, World::default(), &clock).await;
        let check = bench.scope.check(&hookup(FAMILY_A)).await.unwrap();
        assert!(check.is_good());
        assert_eq!(check.identity.model, "Scripted");
        let seen = check.points[0].seen.as_ref().unwrap().unwrap();
        assert!((seen.low_v + 1.0).abs() < 0.02 && (seen.high_v - 1.0).abs() < 0.02 && seen.steps > 100.0, "{seen:?}");
        assert!(check.points[2].seen.as_ref().unwrap().is_none(), "a trigger-only input shows nothing");
        let abilities = bench.scope.abilities();
        assert_eq!((abilities.channels, abilities.greatest_points, abilities.video_trigger), (2, 2500, true));
    });
}

#[test]
fn a_capture_survives_being_written_and_read() {
    run(async |clock| {
        let mut bench = bench("scpi-99", World::default(), &clock).await;
        let request = triggered(&[Signal::Rf], 0.04);
        let capture = bench.scope.acquire(&hookup("scpi-99"), &request).await.unwrap().remove(0);
        let text = toml::to_string(&capture).unwrap();
        assert_eq!(toml::from_str::<Capture>(&text).unwrap(), capture);
        let text = toml::to_string(&hookup("scpi-99")).unwrap();
        assert_eq!(toml::from_str::<Hookup>(&text).unwrap(), hookup("scpi-99"));
        assert!(
            toml::from_str::<Hookup>("[[point]]\nsignal = \"rf\"\nchannel = \"CH1\"\nprobe = 10")
                .unwrap_err()
                .to_string()
                .contains("unknown field `probe`")
        );
    });
}
