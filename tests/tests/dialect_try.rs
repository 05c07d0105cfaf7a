//! Trying a dialect on the instrument: the right one has nothing to change, and each mistake that is put into a
//! file is found, with the key to change.

mod support;

use sim_instrument::scenario::Scenario;
use support::{FRONT_ENDS, Rig, block_on, scenario, text_of};
use tapewright::simulated::SimPeer;
use tapewright_instrument::link::InProcess;
use tapewright_instrument::scope::trial::{Trial, TrialOutcome};
use tapewright_instrument::{Dialect, Scope};

fn rig(front_end: &str, scaling: &str) -> (Rig, Scenario) {
    let mut scenario = scenario(front_end, scaling, 23, "");
    scenario.scope.specs = scenario.scope.specs.without_errors();
    (Rig::new(&scenario), scenario)
}

/// The trial of a dialect on a simulated scope, in play.
fn tried(front_end: &str, scaling: &str, dialect: Option<Dialect>) -> Trial {
    let (rig, _) = rig(front_end, scaling);
    block_on(async {
        rig.play().await;
        let link = InProcess::new(SimPeer(rig.sim.scope_port()), rig.clock.clone(), "the test's scope");
        let dialect = dialect.unwrap_or_else(|| rig.dialect.clone());
        let trial = Scope::try_dialect(Box::new(link), dialect, rig.clock.clone(), &rig.hookup).await;
        trial.unwrap_or_else(|error| panic!("{front_end} {scaling}: {}", tapewright::report::chain(&error)))
    })
}

#[test]
fn the_right_dialect_has_nothing_to_change() {
    for (front_end, scaling) in FRONT_ENDS {
        let trial = tried(front_end, scaling, None);
        let text = tapewright::report::trial::trial(&trial);
        assert!(trial.is_good(), "{front_end} {scaling}:\n{text}");
        assert!(trial.count(TrialOutcome::Ok) > 30, "{front_end} {scaling}:\n{text}");
        assert_eq!(trial.count(TrialOutcome::NotTried), 0, "{front_end} {scaling}:\n{text}");
    }
}

#[test]
fn a_header_in_place_of_a_preamble_has_nothing_to_change() {
    let shipped = Dialect::shipped("channel-timebase-waveform").and_then(|whole| whole.with_variant("a4-header"));
    let trial = tried("family-a", "A4", Some(shipped.expect("a shipped variant")));
    let text = tapewright::report::trial::trial(&trial);
    assert!(trial.is_good() && trial.count(TrialOutcome::NotTried) == 0, "{text}");
}

/// Puts a mistake into a shipped file, and checks which operation differs and what is advised.
fn check(front_end: &str, file: &str, mistakes: &[(&str, &str)], operation: &str, advice: &str) {
    let mut text = text_of(&format!("daemon/instrument/dialects/{file}.toml"));
    for (from, to) in mistakes {
        assert!(text.contains(from), "`{from}` is not in {file}");
        text = text.replacen(from, to, 1);
    }
    let dialect = Dialect::check(&text).unwrap_or_else(|faults| panic!("{mistakes:?}: {faults:?}"));
    let trial = tried(front_end, "", Some(dialect));
    let row = trial.rows.iter().find(|row| row.operation == operation && row.outcome == TrialOutcome::Differs);
    let row = row.unwrap_or_else(|| panic!("{mistakes:?}:\n{}", tapewright::report::trial::trial(&trial)));
    let given = row.advice.clone().unwrap_or_default();
    assert!(given.contains(advice), "{mistakes:?}: {operation}: `{given}`");
}

#[test]
fn a_swapped_scaling_is_found() {
    let a = "channel-timebase-waveform";
    check("family-a", a, &[("formula = \"a1\"", "formula = \"a2\"")], "ask-preamble", "data.formula = \"a1\"");
    check("family-a", a, &[("formula = \"a1\"", "formula = \"a4\"")], "ask-preamble", "data.formula = \"a1\"");
    check(
        "family-c",
        "prefixed-channel-descriptor",
        &[
            ("offset = \"minus-centre-v\"", "offset = \"centre-v\""),
            ("offset = \"C{number}:OFST {minus-centre-v}\"", "offset = \"C{number}:OFST {centre-v}\""),
        ],
        "ask-preamble",
        "no formula fits",
    );
    check(
        "scpi-99",
        "scpi-99",
        &[("SWEep:POINts {points}\"", "SWEep:POINts 100\"")],
        "points",
        "100 is told where 2500 was set",
    );
}

#[test]
fn wrong_numbers_of_divisions_and_steps_are_found() {
    for (front_end, file) in [
        ("family-a", "channel-timebase-waveform"),
        ("family-b", "channel-horizontal-curve"),
        ("family-c", "prefixed-channel-descriptor"),
    ] {
        let time = [("time-divisions = 10", "time-divisions = 12")];
        check(front_end, file, &time, "ask-preamble", "limits.time-divisions would have to be 10.00");
        let steps = [("steps-a-division = 25", "steps-a-division = 32")];
        check(front_end, file, &steps, "ask-preamble", "limits.steps-a-division would have to be 25.00");
    }
}

#[test]
fn wrong_words_are_found() {
    let a = "channel-timebase-waveform";
    check("family-a", a, &[(":COUPling {coupling}", ":COUPler {coupling}")], "coupling", "change commands.coupling");
    check("family-a", a, &[("WAIT = \"waiting\", ", "WAITS = \"waiting\", ")], "ask-state", "add it to [state]");
    check("family-a", a, &[("ACQuire:TYPE PEAK", "ACQuire:TYPE PEAKdet")], "detect-peak", "[limits] or [words]");
    check(
        "family-a",
        a,
        &[(":TRIGger:EDGE:LEVel {level-v}", ":TRIGger:EDGE:LEVel 0")],
        "ask-state",
        "commands.trigger-edge",
    );
    check("family-a", a, &[("ask-range = \":{channel}:SCALe?\"", "ask-range = \":{channel}:OFFSet?\"")], "range", "");
    check(
        "family-a",
        a,
        &[(":WAVeform:STARt {first}", ":WAVeform:STARt {first-from-0}")],
        "ask-data",
        "commands.chunk",
    );
    check(
        "family-b",
        "channel-horizontal-curve",
        &[("slope-falling = \"FALL\"", "slope-falling = \"FALLing\"")],
        "trigger-edge",
        "[words]",
    );
    check(
        "family-b",
        "channel-horizontal-curve",
        &[("codes = \"signed\"", "codes = \"unsigned\"")],
        "ask-preamble",
        "signed",
    );
    check(
        "family-b",
        "channel-horizontal-curve",
        &[("reply-header = true", "reply-header = false"), ("HEADer OFF", "HEADer ON")],
        "manners.reply-header",
        "manners.reply-header = true",
    );
    check(
        "family-c",
        "prefixed-channel-descriptor",
        &[("coupling-ac = \"A1M\"", "coupling-ac = \"AC\"")],
        "coupling",
        "[words]",
    );
    check("family-c", "prefixed-channel-descriptor", &[("{first-from-0}", "{first}")], "ask-data", "from 0");
    check("scpi-99", "scpi-99", &[("RANGe:PTPeak?", "RANGe:OFFSet?")], "range", "");
    check("scpi-99", "scpi-99", &[("waiting = 5, filling = 4", "waiting = 2, filling = 3")], "ask-state", "[state]");
}

#[test]
fn swapped_slopes_and_a_level_that_is_not_sent_are_found() {
    let a = "channel-timebase-waveform";
    let edge = "the edge of a trigger";
    let swapped = "slope-rising = \"NEGative\"\nslope-falling = \"POSitive\"\n\n[commands]";
    check("family-a", a, &[("[commands]", &format!("[words]\n{swapped}"))], edge, "taken for each other");
    let b = "channel-horizontal-curve";
    let words = [
        ("slope-rising = \"RISe\"", "slope-rising = \"FALL\""),
        ("slope-falling = \"FALL\"", "slope-falling = \"RISe\""),
    ];
    check("family-b", b, &words, edge, "taken for each other");
    let one = [(":TRIGger:EDGE:SLOPe {slope}", ":TRIGger:EDGE:SLOPe POSitive")];
    check("family-a", a, &one, edge, "the same whichever is asked for");
    let auto = [
        (":TRIGger:SWEep NORMal\",\n    \":TRIGger:EDGE:SOURce", ":TRIGger:SWEep AUTO\",\n    \":TRIGger:EDGE:SOURce"),
        ("{source}", "EXTernal"),
    ];
    check("family-a", a, &auto, edge, "commands.trigger-edge");
}

#[test]
fn manners_are_found() {
    let a = "channel-timebase-waveform";
    check(
        "family-a",
        a,
        &[("operation-complete = \"waits\"", "operation-complete = \"at-once\"")],
        "manners.operation-complete",
        "\"waits\"",
    );
    check(
        "family-b",
        "channel-horizontal-curve",
        &[("errors = \"events\"", "errors = \"registers\"")],
        "manners.errors",
        "manners.errors",
    );
}

#[test]
fn the_report_of_a_wrong_file() {
    let text = text_of("daemon/instrument/dialects/channel-timebase-waveform.toml");
    let text = text.replacen("formula = \"a1\"", "formula = \"a2\"", 1).replacen(":COUPling {", ":COUPler {", 1);
    let dialect = Dialect::check(&text).expect("only wrong on the instrument");
    let trial = tried("family-a", "", Some(dialect));
    insta::assert_snapshot!(tapewright::report::trial::trial(&trial));
}
