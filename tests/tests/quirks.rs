//! Quirks of real instruments, one by one: with the dialect that knows the quirk the codes are right bit for bit,
//! and with the one that does not they are right or there is an error, never a wrong number.

mod support;

use sim_instrument::{Quirk, Quirks};
use support::{Rig, block_on, scenario, text_of};
use tapewright_formats::Signal;
use tapewright_instrument::{Capture, CaptureRequest, Coupling, Dialect, Edge, Scope, ScopeError, Slope, Trigger};

/// Dialect files of the front ends.
const FILES: [(&str, &str); 4] = [
    ("family-a", "channel-timebase-waveform"),
    ("scpi-99", "scpi-99"),
    ("family-b", "channel-horizontal-curve"),
    ("family-c", "prefixed-channel-descriptor"),
];

/// What a dialect says of each quirk in its `[manners]`; none: it need not know of it.
const MANNERS: [(&str, Option<(&str, &str)>); 20] = [
    ("extra-newline", Some(("padding", "true"))),
    ("count-of-packet", Some(("block-count", "\"packet\""))),
    ("count-off-by-one", Some(("block-count-excess", "1"))),
    ("eight-digits", Some(("block-digits", "8"))),
    ("digits-as-needed", None),
    ("text-before-block", Some(("block-text-before", "250"))),
    ("wrapped-block", Some(("block-wrapped", "true"))),
    ("indefinite-block", None),
    ("header-on", Some(("reply-header", "true"))),
    ("units", None),
    ("nul-padding", Some(("padding", "true"))),
    ("empty-when-off", None),
    ("small-input", None),
    ("slow-replies", Some(("first-byte-s", "6.0"))),
    ("echo", Some(("echo", "true"))),
    ("lf-cr", Some(("padding", "true"))),
    ("lagging-state", Some(("state-lag-s", "0.12"))),
    ("short-readings", Some(("short-readings", "true"))),
    ("ignores-opc", Some(("operation-complete", "\"at-once\""))),
    ("cut-responses", Some(("blocks-joined", "false"))),
];

/// A shipped dialect that knows a quirk.
fn knowing(file: &str, manner: Option<(&str, &str)>) -> Dialect {
    let text = text_of(&format!("daemon/instrument/dialects/{file}.toml"));
    let Some((key, value)) = manner else { return Dialect::check(&text).expect("a shipped file") };
    let kept = text.lines().filter(|line| !line.starts_with(&format!("{key} = ")));
    let text = kept.collect::<Vec<_>>().join("\n").replacen("[manners]", &format!("[manners]\n{key} = {value}"), 1);
    Dialect::check(&text).unwrap_or_else(|faults| panic!("{key}: {faults:?}"))
}

fn rig(front_end: &str, quirk: &str) -> Rig {
    let mut scenario = scenario(front_end, "", 31, "");
    scenario.scope.specs = scenario.scope.specs.without_errors();
    scenario.scope.port.quirks = Quirks::named(&[quirk.to_owned()]).expect("a quirk");
    let mut rig = Rig::new(&scenario);
    for point in &mut rig.hookup.points {
        point.coupling = Some(Coupling::Dc);
        point.middle_v.get_or_insert(if point.signal == Signal::HeadSwitch { 2.5 } else { 0.0 });
    }
    rig.sim.keep_taken(1);
    rig
}

/// Whether codes and volts are those that the converter gave.
fn right(rig: &Rig, capture: &Capture) -> Result<(), String> {
    let taken = rig.sim.taken().pop().ok_or("the simulator has taken nothing")?;
    for trace in &capture.traces {
        let number = rig.dialect.input(&trace.channel).and_then(|input| input.number).unwrap_or(1);
        let own = taken.codes[number as usize - 1].as_ref().ok_or("the channel was off")?;
        let set = taken.setup.channels[number as usize - 1];
        let factor = rig.hookup.point(trace.signal).map_or(1.0, |point| point.probe_factor);
        if own.len() != trace.codes.len() {
            return Err(format!("{} codes, {} taken", trace.codes.len(), own.len()));
        }
        for (i, (own, got)) in own.iter().zip(&trace.codes).enumerate() {
            let own_v = (set.centre_v + (f64::from(*own) - 128.0) * set.full_scale_v / 256.0) * factor;
            if (trace.volts(*got) - own_v).abs() > 0.01 * trace.gain_v.abs() {
                return Err(format!("{} point {i}: {} V, was {own_v} V", trace.signal, trace.volts(*got)));
            }
        }
    }
    Ok(())
}

fn requests() -> [CaptureRequest; 5] {
    let edge = Trigger::Edge(Edge { signal: Signal::HeadSwitch, slope: Slope::Rising, level_v: None });
    let both = vec![Signal::Rf, Signal::ControlTrack];
    // Short records, so that a state that lags still tells of the one before; and the same again, which a scope whose
    // dialect allows it is asked for in one message.
    let first = CaptureRequest { trigger: edge, before_s: 0.5e-3, ..CaptureRequest::free(both.clone(), 2e-3) };
    let second = CaptureRequest { trigger: edge, before_s: 1e-3, ..CaptureRequest::free(both.clone(), 3e-3) };
    let free = CaptureRequest::free(both, 2e-3);
    [first, second.clone(), second, free.clone(), free]
}

/// Captures after each other: how many came, each of them right, and why others did not.
fn captures(front_end: &str, quirk: &str, dialect: Dialect) -> Result<(usize, String), String> {
    let mut rig = rig(front_end, quirk);
    rig.dialect = dialect;
    block_on(async {
        let (mut came, mut errors) = (0, String::new());
        rig.play().await;
        let mut scope: Scope = match rig.open().await {
            Ok(scope) => scope,
            Err(error) => return usable(&error).map(|text| (0, text)),
        };
        for request in requests() {
            match scope.acquire(&rig.hookup, &request).await {
                Ok(captures) => {
                    right(&rig, &captures[0])?;
                    came += 1;
                }
                Err(error) => errors.push_str(&usable(&error)?),
            }
        }
        Ok((came, errors))
    })
}

/// An error says something that a technician can act on.
fn usable(error: &ScopeError) -> Result<String, String> {
    let text = tapewright::report::chain(error);
    if text.len() > 20 { Ok(text) } else { Err(format!("an error that says nothing: {text}")) }
}

#[test]
fn the_list_is_whole() {
    let listed: Vec<&str> = MANNERS.iter().map(|(quirk, _)| *quirk).collect();
    assert_eq!(listed, Quirk::WORDS);
}

fn known(front_end: &str, file: &str) {
    for (quirk, manner) in MANNERS {
        let outcome = captures(front_end, quirk, knowing(file, manner));
        let (came, errors) = outcome.unwrap_or_else(|why| panic!("{front_end} {quirk}: {why}"));
        // Nothing marks the end of an indefinite block on this link: it is refused.
        let expected = if quirk == "indefinite-block" { 0 } else { requests().len() };
        assert_eq!(came, expected, "{front_end} {quirk}: captures that came; {errors}");
    }
}

#[test]
fn a_dialect_that_knows_family_a_quirks() {
    known(FILES[0].0, FILES[0].1);
}

#[test]
fn a_dialect_that_knows_standard_quirks() {
    known(FILES[1].0, FILES[1].1);
}

#[test]
fn a_dialect_that_knows_family_b_quirks() {
    known(FILES[2].0, FILES[2].1);
}

#[test]
fn a_dialect_that_knows_family_c_quirks() {
    known(FILES[3].0, FILES[3].1);
}

#[test]
fn a_dialect_that_does_not_know_gives_no_wrong_number() {
    for (front_end, file) in FILES {
        for (quirk, _) in MANNERS {
            let outcome = captures(front_end, quirk, knowing(file, None));
            outcome.unwrap_or_else(|why| panic!("{front_end} {quirk}, not known: {why}"));
        }
    }
}
