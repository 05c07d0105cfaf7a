//! Commands to the bench, and the operator's hands.

use crate::support::{Controller, bench, quick};
use sim_instrument::Action;
use sim_instrument::scenario::Operator;
use tapewright_formats::{Signal, TapeKind};

#[test]
fn commands_and_what_they_say() {
    let (bench, deeds) = bench(|setup| quick(&mut setup.scope_port));
    let scope = Controller::new(bench.scope_port());
    for (text, expected) in [
        ("probe CH2 control-track 10", "the probe (x10) touches control-track"),
        ("probe ch2 open", "the probe (x10) touches open"),
        ("probe EXT test-output", "the probe (x1) touches test-output"),
        ("truth probes", "CH1 rf x1\nCH2 open x10\nEXT test-output x1"),
        ("truth seed", "11"),
        ("truth acquisitions", ""),
        ("truth time", "0.001"),
        ("tape one", "tape one is in"),
        ("tape none", "the machine is empty"),
        ("key play", "key play"),
        ("fault silence 3", "fault silence 3"),
        ("clear silence", "silence is as it was"),
    ] {
        assert_eq!(bench.command(scope.now, text).as_deref(), Ok(expected), "{text}");
    }
    let expected = ["tape Some(\"one\")", "tape None", "play at 0.001000", "silence 3 at 0.001", "clear silence"];
    assert_eq!(*deeds.lock().expect("nobody panicked"), expected);
    for (text, expected) in [
        (
            "",
            "`` is no command; there are: probe, tape, key, fault, clear, link, restart, identity, truth, counters, help",
        ),
        (
            "prob CH1 rf",
            "`prob CH1 rf` is no command; there are: probe, tape, key, fault, clear, link, restart, identity, truth, counters, help",
        ),
        ("probe CH1", "`probe CH1`: something is missing; it is written `probe CHANNEL POINT [FACTOR]`"),
        ("probe CH3 rf", "`probe CH3 rf`: there is no channel 3, only CH1 to CH2 and EXT"),
        (
            "probe B rf",
            "`probe B rf`: `B` is no channel, such as CH1 or EXT; it is written `probe CHANNEL POINT [FACTOR]`",
        ),
        (
            "probe CH1 rf 0",
            "`probe CH1 rf 0`: `0` is no number from 0.001 to 10000; it is written `probe CHANNEL POINT [FACTOR]`",
        ),
        (
            "key go",
            "`key go`: `go` is not a mode; known: stop, play, still, advance, cue, review, fast-forward, rewind, record; it is written `key MODE`",
        ),
        ("fault nonsense", "`fault nonsense`: no fault is called `nonsense`"),
        ("restart me", "`restart me`: `me` is too much; it is written `restart [scope|relays]`"),
        ("truth nothing", "`truth nothing`: no truth about `nothing`; also: scope, probes, acquisitions, seed"),
    ] {
        let error = bench.command(scope.now, text).expect_err(text);
        assert_eq!(error.to_string(), expected, "{text}");
    }
    for text in ["link fast", "link drop", "link drop 2", "link late 1", "link answer x", "link drop 0.1 0.2"] {
        let error = bench.command(scope.now, text).expect_err(text).to_string();
        assert!(error.contains("it is written `link [relays] closed|"), "{error}");
    }
}

#[test]
fn the_operator_obeys_and_answers() {
    let (bench, deeds) = bench(|setup| quick(&mut setup.scope_port));
    let now = Controller::new(bench.scope_port()).now;
    let operator = Operator {
        answer: "done".to_owned(),
        answers: [("hands-clear".to_owned(), "clear".to_owned())].into(),
        adjust: [("exit-guide".to_owned(), vec!["fault silence 1".to_owned(), "clear silence".to_owned()])].into(),
        ..Operator::default()
    };
    let obey = |id: &str, action: Action, choices: &[&str]| {
        let choices: Vec<String> = choices.iter().map(|c| (*c).to_owned()).collect();
        bench.obey(now, &operator, id, &action, &choices).map_err(|error| error.to_string())
    };
    let answer = |id: &str, choices: &[&str]| obey(id, Action::Answer, choices).expect("it only answers").answer;
    assert_eq!(answer("hands-clear", &["yes"]), "clear");
    assert_eq!(answer("other", &["yes", "no"]), "yes");
    assert_eq!(answer("other", &["no", "done"]), "done");
    assert_eq!(answer("other", &[]), "done");
    let to = |signal, to: &str| obey("probe", Action::MoveProbe { signal, to: to.to_owned() }, &[]);
    assert_eq!(to(Signal::HeadSwitch, "test-output").expect("it moves").did, ["the probe (x1) touches test-output"]);
    assert_eq!(to(Signal::Supply, "rf").expect("it moves").did, ["the probe (x1) touches rf"]);
    // The probe keeps belonging to its signal.
    to(Signal::Supply, "supply").expect("it moves back");
    assert_eq!(bench.probes().channels[1].point, sim_instrument::source::Point::Signal(Signal::Supply));
    assert!(to(Signal::Video, "rf").expect_err("no such probe").contains("no probe of this bench belongs to video"));
    assert!(to(Signal::Rf, "there").expect_err("no such point").contains("no point is called `there`"));
    let tape = |kind| obey("tape", Action::ChangeTape(kind), &[]).map(|obeyed| obeyed.did);
    assert_eq!(tape(TapeKind::Other).expect("there are two"), ["tape one is in"]);
    assert_eq!(tape(TapeKind::Other).expect("there are two"), ["tape two is in"]);
    assert_eq!(tape(TapeKind::Other).expect("there are two"), ["tape one is in"]);
    assert_eq!(tape(TapeKind::Alignment).expect("there is one"), ["tape gauge is in"]);
    assert!(tape(TapeKind::Own).expect_err("there is none").contains("there is none; there are: one (other)"));
    obey("exit-guide", Action::Adjust, &[]).expect("both commands are known");
    assert_eq!(deeds.lock().expect("nobody panicked").last().map(String::as_str), Some("clear silence"));
}
