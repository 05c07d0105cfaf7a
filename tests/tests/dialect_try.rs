//! Trying a dialect on the instrument: the right one has nothing to change, and each mistake that is put into a
//! file is found, with the key to change.

mod support;

use sim_instrument::Quirks;
use support::{FRONT_ENDS, Rig, block_on, scenario, text_of};
use tapewright::simulated::SimPeer;
use tapewright_clock::Instant;
use tapewright_instrument::link::{InProcess, Peer};
use tapewright_instrument::scope::trial::{Trial, TrialOutcome};
use tapewright_instrument::{Dialect, Scope};

/// The trial of a dialect on a simulated scope, in play.
fn tried(front_end: &str, scaling: &str, dialect: Option<Dialect>) -> Trial {
    tried_with(front_end, scaling, dialect, &[])
}

/// The same on a scope that leaves the standard in some ways.
fn tried_with(front_end: &str, scaling: &str, dialect: Option<Dialect>, quirks: &[&str]) -> Trial {
    let mut scenario = scenario(front_end, scaling, 23, "");
    scenario.scope.specs = scenario.scope.specs.without_errors();
    let quirks: Vec<String> = quirks.iter().map(|quirk| (*quirk).to_owned()).collect();
    scenario.scope.port.quirks = Quirks::named(&quirks).expect("quirks");
    let rig = Rig::new(&scenario);
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
    let trial = tried(front_end, "", Some(changed(file, mistakes)));
    let row = trial.rows.iter().find(|row| row.operation == operation && row.outcome == TrialOutcome::Differs);
    let row = row.unwrap_or_else(|| panic!("{mistakes:?}:\n{}", tapewright::report::trial::trial(&trial)));
    let given = row.advice.clone().unwrap_or_default();
    assert!(given.contains(advice), "{mistakes:?}: {operation}: `{given}`");
}

/// A shipped file, changed.
fn changed(file: &str, changes: &[(&str, &str)]) -> Dialect {
    let mut text = text_of(&format!("daemon/instrument/dialects/{file}.toml"));
    for (from, to) in changes {
        assert!(text.contains(from), "`{from}` is not in {file}");
        text = text.replacen(from, to, 1);
    }
    Dialect::check(&text).unwrap_or_else(|faults| panic!("{changes:?}: {faults:?}"))
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

/// How the row of a manner comes out with a file changed, on a scope with some quirks: its outcome, and the advice.
#[track_caller]
fn manner(key: &str, changes: &[(&str, &str)], quirks: &[&str], outcome: TrialOutcome, advice: &str) {
    let dialect = changed("channel-timebase-waveform", changes);
    let trial = tried_with("family-a", "", Some(dialect), quirks);
    let text = tapewright::report::trial::trial(&trial);
    let row = trial.rows.iter().find(|row| row.operation == format!("manners.{key}"));
    let row = row.unwrap_or_else(|| panic!("no row of {key}:\n{text}"));
    let given = row.advice.clone().unwrap_or_default();
    let right = row.outcome == outcome && given.contains(advice) && given.is_empty() == advice.is_empty();
    assert!(right, "{key} {changes:?} {quirks:?}: {:?} `{given}`\n{text}", row.outcome);
    // What goes wrong in one manner is no matter of the others.
    if outcome == TrialOutcome::Ok {
        assert!(trial.is_good(), "{key} {changes:?} {quirks:?}:\n{text}");
    }
}

#[test]
fn a_block_among_other_answers_is_tried() {
    use TrialOutcome::{Differs, Ok};
    let not = [("blocks-joined = true", "blocks-joined = false")];
    manner("blocks-joined", &[], &[], Ok, "");
    manner("blocks-joined", &[], &["cut-responses"], Differs, "set manners.blocks-joined = false");
    manner("blocks-joined", &not, &["cut-responses"], Ok, "");
    manner("blocks-joined", &not, &[], Ok, "manners.blocks-joined = true makes a capture one message");
}

#[test]
fn what_a_message_may_hold_is_tried() {
    use TrialOutcome::{Differs, NotOffered, Ok};
    let single = [("compound = true", "compound = false"), ("blocks-joined = true", "blocks-joined = false")];
    manner("compound", &single, &[], Ok, "manners.compound = true would save messages");
    manner("blocks-joined", &single, &[], NotOffered, "(manners.compound)");
    let long = [("most-message = 200", "most-message = 400")];
    manner("most-message", &[], &["small-input"], Ok, "");
    manner("most-message", &long, &[], Ok, "");
    manner("most-message", &long, &["small-input"], Differs, "set manners.most-message = 225");
}

/// A scope that takes the first command of a message, and drops the others but the common ones.
struct FirstOnly(SimPeer);

impl Peer for FirstOnly {
    fn write(&mut self, now: Instant, bytes: &[u8]) {
        let text = String::from_utf8_lossy(bytes);
        let mut units = text.trim_end().split(';');
        let first = units.next().unwrap_or_default().to_owned();
        let kept = units.filter(|unit| unit.starts_with('*')).fold(first, |all, unit| format!("{all};{unit}"));
        self.0.write(now, format!("{kept}\n").as_bytes());
    }
    fn read(&mut self, now: Instant) -> Vec<u8> {
        self.0.read(now)
    }
    fn next_output(&mut self, now: Instant) -> Option<Instant> {
        self.0.next_output(now)
    }
}

#[test]
fn a_scope_of_one_command_a_message_is_found() {
    let check = |changes: &[(&str, &str)], outcome: TrialOutcome, advice: &str| {
        let rig = Rig::new(&scenario("family-a", "", 23, ""));
        let dialect = changed("channel-timebase-waveform", changes);
        let trial = block_on(async {
            rig.play().await;
            let link = InProcess::new(FirstOnly(SimPeer(rig.sim.scope_port())), rig.clock.clone(), "the test's scope");
            Scope::try_dialect(Box::new(link), dialect, rig.clock.clone(), &rig.hookup).await.expect("it answers")
        });
        let row = trial.rows.iter().find(|row| row.operation == "manners.compound").expect("it is tried");
        let given = row.advice.clone().unwrap_or_default();
        assert!(row.outcome == outcome && given.contains(advice), "{changes:?}: {:?} `{given}`", row.outcome);
    };
    check(&[], TrialOutcome::Differs, "set manners.compound = false");
    check(
        &[("compound = true", "compound = false"), ("blocks-joined = true", "blocks-joined = false")],
        TrialOutcome::Ok,
        "",
    );
}

#[test]
fn words_without_a_right_short_form_are_found() {
    use TrialOutcome::Differs;
    manner("short-words", &[(":ACQuire:TYPE NORMal", ":ACQUIre:TYPE NORMal")], &[], Differs, "short form in capitals");
    manner("short-words", &[(":{channel}:SCALe?", ":{channel}:SCAle?")], &[], Differs, "short form in capitals");
}

#[test]
fn a_state_that_lags_and_readings_that_are_short_are_found() {
    use TrialOutcome::{Differs, Ok};
    let lag = [("compound = true", "state-lag-s = 0.12\ncompound = true")];
    manner("state-lag-s", &[], &["lagging-state"], Differs, "set manners.state-lag-s to more than 0.0");
    manner("state-lag-s", &lag, &["lagging-state"], Ok, "");
    let short = [("compound = true", "short-readings = true\ncompound = true")];
    manner("short-readings", &[], &["short-readings"], Differs, "1000 points came where 2500 were asked for");
    manner("short-readings", &short, &["short-readings"], Ok, "");
}

#[test]
fn the_report_of_a_wrong_file() {
    let text = text_of("daemon/instrument/dialects/channel-timebase-waveform.toml");
    let text = text.replacen("formula = \"a1\"", "formula = \"a2\"", 1).replacen(":COUPling {", ":COUPler {", 1);
    let dialect = Dialect::check(&text).expect("only wrong on the instrument");
    let trial = tried("family-a", "", Some(dialect));
    insta::assert_snapshot!(tapewright::report::trial::trial(&trial));
}

/// Keys of a file, each with the row that tries it.
const TRIED: &[(&str, &str)] = &[
    ("inputs.channels", "channel-on"),
    ("inputs.trigger-only", "trigger-edge"),
    ("limits.least-points", "points"),
    ("limits.greatest-points", "points"),
    ("limits.usual-points", "points"),
    ("limits.points-a-read", "manners.short-readings"),
    ("limits.greatest-rate-hz", "timebase"),
    ("limits.least-span-s", "timebase"),
    ("limits.greatest-span-s", "timebase"),
    ("limits.time-divisions", "ask-preamble"),
    ("limits.steps-a-division", "ask-preamble"),
    ("limits.converter-bits", "ask-data"),
    ("limits.least-volts-a-division", "range"),
    ("limits.greatest-volts-a-division", "range"),
    ("manners.terminator", "manners.errors"),
    ("manners.echo", "manners.errors"),
    ("manners.reply-header", "manners.errors"),
    ("manners.compound", "manners.compound"),
    ("manners.most-message", "manners.most-message"),
    ("manners.short-words", "manners.short-words"),
    ("manners.errors", "manners.errors"),
    ("manners.operation-complete", "manners.operation-complete"),
    ("manners.block-digits", "ask-data"),
    ("manners.block-count", "ask-data"),
    ("manners.block-count-excess", "ask-data"),
    ("manners.block-wrapped", "ask-data"),
    ("manners.state-lag-s", "manners.state-lag-s"),
    ("manners.short-readings", "manners.short-readings"),
    ("manners.blocks-joined", "manners.blocks-joined"),
    ("words.coupling-ac", "coupling"),
    ("words.coupling-dc", "coupling"),
    ("words.slope-rising", "the edge of a trigger"),
    ("words.slope-falling", "the edge of a trigger"),
    ("state.form", "ask-state"),
    ("state.words", "ask-state"),
    ("read-back.range", "range"),
    ("read-back.timebase", "timebase"),
    ("read-back.offset", "offset"),
    ("read-back.not-answered", "trigger-edge"),
    ("data.scaling-from", "ask-preamble"),
    ("data.formula", "ask-preamble"),
    ("data.codes", "volts at other settings"),
    ("data.format-code-8", "ask-preamble"),
    ("data.type-code-peak", "a whole capture, pairs"),
    ("data.peak-points-count", "a whole capture, pairs"),
    ("commands.chunk", "ask-data"),
    ("commands.ask-range", "range"),
    ("commands.ask-offset", "offset"),
    ("commands.ask-timebase", "timebase"),
    ("commands.ask-points", "points"),
];

/// Every key that a file may have, by asking its reader for one that there is not.
fn every_key() -> Vec<String> {
    let shipped = text_of("daemon/instrument/dialects/channel-timebase-waveform.toml");
    let mut keys = Vec::new();
    for table in ["", "inputs", "limits", "manners", "words", "state", "read-back", "data", "commands"] {
        let head = format!("[{table}]\n");
        let line = "no-such-key-anywhere = 1\n";
        let text = match table {
            "" => format!("{line}{shipped}"),
            "words" => format!("{shipped}\n[words]\n{line}"),
            _ => shipped.replacen(&head, &format!("{head}{line}"), 1),
        };
        let faults = Dialect::check(&text).expect_err("the key is not known");
        let fault = faults.iter().find(|fault| fault.key.ends_with("no-such-key-anywhere"));
        let what = fault.unwrap_or_else(|| panic!("{table}: {faults:?}")).what.clone();
        let (_, known) = what.split_once("known are ").expect("it says what is known");
        let prefix = if table.is_empty() { String::new() } else { format!("{table}.") };
        keys.extend(known.split(", ").map(|key| format!("{prefix}{key}")));
    }
    keys
}

#[test]
fn every_key_is_tried_or_said_not_to_be() {
    // What the file says of itself has no effect on the instrument, and a table is its keys.
    let itself = ["form", "name", "about", "source", "cannot", "variant"];
    let tables = ["inputs", "limits", "manners", "words", "state", "read-back", "data", "commands"];
    let trial = tried("family-a", "A1", None);
    let text = tapewright::report::trial::trial(&trial);
    for key in every_key() {
        if itself.contains(&key.as_str()) || tables.contains(&key.as_str()) {
            continue;
        }
        let untried = trial.untried.iter().any(|untried| untried.keys.contains(&key));
        let row = TRIED.iter().find(|(tried, _)| *tried == key).map(|(_, row)| *row);
        let row = row.or(key.strip_prefix("commands."));
        let tried = row.is_some_and(|row| trial.rows.iter().any(|have| have.operation == row));
        assert!(tried || untried, "`{key}` is neither tried nor said not to be:\n{text}");
        // A key that only part of is tried may be both.
        let part = ["limits.points-a-read", "limits.video-trigger"];
        assert!(tried != untried || part.contains(&key.as_str()), "`{key}` is tried, and said not to be:\n{text}");
    }
}
