//! Scenario files: what they build, and every fault of a bad one at once.

use crate::support::Controller;
use sim_instrument::scenario::Scenario;
use sim_instrument::source::Point;
use sim_instrument::{FrontEnd, Scaling, SimBench};
use tapewright_formats::{Signal, TapeKind};

const SHIPPED: [(&str, &str); 5] = [
    ("vc-07", include_str!("../../scenarios/vc-07.toml")),
    ("healthy", include_str!("../../scenarios/healthy.toml")),
    ("own-recording-weak", include_str!("../../scenarios/own-recording-weak.toml")),
    ("guide-moved", include_str!("../../scenarios/guide-moved.toml")),
    ("take-up-weak", include_str!("../../scenarios/take-up-weak.toml")),
];

#[test]
fn every_shipped_scenario_reads_builds_and_runs_its_commands() {
    for (name, text) in SHIPPED {
        let scenario = Scenario::parse(text).unwrap_or_else(|error| panic!("{name}: {error}"));
        let bench = scenario.bench().unwrap_or_else(|error| panic!("{name}: {error}"));
        let mut scope = Controller::new(bench.scope_port());
        assert!(scope.ask("*IDN?").starts_with("Simulated Instruments,SB-"), "{name}");
        for stage in &scenario.stages {
            let tape = stage.tape.iter().map(|tape| format!("tape {tape}"));
            for text in stage.run.iter().cloned().chain(tape) {
                bench.command(scope.now, &text).unwrap_or_else(|error| panic!("{name}: {error}"));
            }
        }
    }
}

#[test]
fn the_demonstration_is_as_described() {
    let scenario = Scenario::parse(SHIPPED[0].1).expect("it is shipped");
    assert_eq!((scenario.seed, scenario.stages.len()), (7, 3));
    assert_eq!(scenario.scope.front_end, FrontEnd::FamilyA(Scaling::A1));
    let places: Vec<(&str, Point)> = scenario.scope.probes.iter().map(|p| (p.label.as_str(), p.point)).collect();
    let expected = [("CH1", Signal::Rf), ("CH2", Signal::ControlTrack), ("EXT", Signal::HeadSwitch)];
    assert_eq!(places, expected.map(|(label, signal)| (label, Point::Signal(signal))));
    assert_eq!(scenario.scope.port.baud, Some(921_600));
    let kinds: Vec<TapeKind> = scenario.machine.tapes.values().map(|tape| tape.kind).collect();
    assert_eq!(kinds.iter().filter(|kind| **kind == TapeKind::Other).count(), 2);
    assert!(kinds.contains(&TapeKind::Alignment));
}

#[test]
fn a_seed_overrides_and_repeats() {
    let bench = |seed| SimBench::from_scenario(SHIPPED[0].1, seed).expect("it is shipped");
    assert_eq!(bench(None).seed(), 7);
    assert_eq!(bench(Some(3)).seed(), 3);
    assert_eq!(bench(Some(3)).errors(), bench(Some(3)).errors());
    assert_ne!(bench(Some(3)).errors(), bench(Some(4)).errors());
}

#[test]
fn events_happen_at_their_times() {
    let text = r#"
        [scope]
        without_errors = true
        probes.CH1.point = "open"
        [[event]]
        at_s = 2.0
        do = "probe CH1 test-output"
        [[event]]
        at_s = 1.0
        do = ["link silent", "fault exit-guide 14"]
    "#;
    let bench = SimBench::from_scenario(text, None).expect("it is well formed");
    let mut scope = Controller::new(bench.scope_port());
    let mut at = |s: f64| {
        scope.now = tapewright_clock::Instant::from_secs_f64(s);
        let reply = scope.ask("*OPC?");
        (reply, bench.command(scope.now, "truth probes").expect("it is told").lines().next().map(str::to_owned))
    };
    assert_eq!(at(0.9), ("1".to_owned(), Some("CH1 open x1".to_owned())));
    assert_eq!(at(1.1), (String::new(), Some("CH1 open x1".to_owned())));
    assert_eq!(at(2.1), (String::new(), Some("CH1 test-output x1".to_owned())));
    assert!(bench.command(scope.now, "truth guides").expect("it is told").contains("14"));
}

/// Text and the faults that it must give, `place: what` in order.
fn refused(text: &str, expected: &[&str]) {
    let error = Scenario::parse(text).expect_err(text);
    let faults: Vec<String> = error.faults.iter().map(|f| format!("{}: {}", f.place, f.what)).collect();
    for (fault, expected) in faults.iter().zip(expected) {
        assert!(fault.starts_with(expected), "{fault}\n  expected {expected}");
    }
    assert_eq!(faults.len(), expected.len(), "{faults:#?}");
}

#[test]
fn all_faults_of_a_file_are_told_at_once() {
    refused(
        r#"
        seed = "one"
        colour = "blue"
        [machine]
        nmae = "VC-01"
        [tapes.x]
        kind = "borrowed"
        [scope]
        model = "huge"
        baud = 3
        points = 12.5
        noise = 1
        [scope.probes.CH1]
        factor = 10
        hum_v = -1
        [scope.probes.CH9]
        point = "rf"
        [scope.probes.CH2]
        point = "rff"
        [relays]
        latency_s = -1
        [[event]]
        do = "jump"
        [[event]]
        at_s = 1
        do = 5
        [operator]
        delay_s = "long"
        answers = { a = ["x", "y"] }
        adjust = { b = "fault no-such" }
        [[stage]]
        do = ["tape y", "probe CH3 rf"]
        tape = "z"
        answers = { c = 5 }
        against = 1
        "#,
        &[
            "seed: string was given, a number was expected",
            "machine: unknown field `nmae`",
            "tapes.x: unknown variant `borrowed`",
            "scope.model: `huge` was given, one of modest, large was expected",
            "scope.points: 12.5 was given, a number from 100 to 2500 was expected",
            "scope.baud: 3 was given, a number from 50 to 10000000 was expected",
            "scope.probes.CH1.point: it is missing: a test point was expected",
            "scope.probes.CH1.hum_v: -1 was given, a number from 0 to 1000 was expected",
            "scope.probes.CH2.point: no point is called `rff`; there are: rf, head-switch",
            "scope.probes.CH9: the scope has no input `CH9`, only CH1 to CH2 and perhaps EXT",
            "scope.noise: there is no such key; there are: model, scaling, front_end",
            "relays.latency_s: -1 was given, a number from 0 to 60 was expected",
            "event[1].at_s: it is missing: seconds from the start were expected",
            "event[1].do: `jump` is no command",
            "event[2].do: integer was given, a text or a list of texts was expected",
            "event[2].do: it is missing: a command was expected",
            "operator.delay_s: string was given, a number was expected",
            "operator.answers.a: one text was expected",
            "operator.adjust.b: `fault no-such`: there is no fault `no-such`; there are: control-contact-open",
            "stage[1].title: it is missing: a text was expected",
            "stage[1].do: `probe CH3 rf`: the scope has 2 channels",
            "stage[1].answers.c: integer was given, a text or a list of texts was expected",
            "stage[1].answers.c: one text was expected",
            "stage[1].against: 1 was given, the number of an earlier stage was expected",
            "colour: there is no such key; there are: title, seed, machine",
        ],
    );
    refused("seed = ", &["file: TOML parse error at line 1"]);
    refused("scope = 3", &["scope: integer was given, a table was expected"]);
    refused("[machine]\ntapes = {}", &["machine.tapes: there is no such key; tapes stand in [tapes.NAME]"]);
    refused(
        "[tapes.a]\nkind = \"own\"\n[[stage]]\ntitle = \"t\"\ntape = \"b\"",
        &["stage[1].tape: there is no tape `b`; there are: a"],
    );
}

#[test]
fn a_lead_has_what_the_file_says_and_hums_with_the_mains() {
    let text = "[scope]\nmains_hz = 50\nprobes.CH1 = { point = \"rf\", offset_v = 0.1, hum_v = 0.4, wander_v = 0.02, wander_s = 4 }";
    let scenario = Scenario::parse(text).expect("it is well formed");
    let beside = scenario.scope.probes[0].beside;
    assert_eq!((beside.offset_v, beside.hum_v, beside.hum_hz), (0.1, 0.4, 50.0));
    assert_eq!((beside.wander_v, beside.wander_s), (0.02, 4.0));
}
