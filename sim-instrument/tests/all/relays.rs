//! The relay box and the keys that it presses.

use crate::support::{Controller, bench, quick};

#[test]
fn relays_press_keys_and_open_by_themselves() {
    let (bench, deeds) = bench(|setup| quick(&mut setup.relay_port));
    let mut box_ = Controller::new(bench.relay_port());
    assert!(box_.ask("*IDN?").starts_with("Simulated Instruments,RB-9,"));
    box_.send("ROUT:CLOS (@2)");
    assert_eq!(box_.ask("ROUTe:CLOSe? (@1:3)"), "0,1,0");
    assert_eq!(box_.ask("ROUT:OPEN? (@1:3)"), "1,0,1");
    // Closing a closed relay is no second press.
    box_.send("ROUT:CLOS (@2)");
    box_.wait(0.5);
    box_.send("ROUT:OPEN (@2)");
    assert_eq!(box_.ask("ROUT:CLOS? (@2)"), "0");
    // Its own time-out.
    box_.send("ROUT:CLOS (@3,9)");
    box_.wait(1.99);
    assert_eq!(box_.ask("ROUT:CLOS? (@3,9)"), "1,1");
    box_.wait(0.02);
    assert_eq!(box_.ask("ROUT:CLOS? (@3,9)"), "0,0");
    box_.send("ROUT:CLOS (@1:9)");
    box_.send("ROUT:OPEN:ALL");
    assert_eq!(box_.ask("ROUT:CLOS? (@1:9)"), "0,0,0,0,0,0,0,0,0");
    assert_eq!(box_.ask("SYST:ERR?"), "0,\"No error\"");
    assert_eq!(bench.key_presses(), [1, 2, 2, 1, 1, 1, 1, 1, 2, 0, 0]);
    let deeds = deeds.lock().expect("nobody panicked");
    let modes: Vec<&str> = deeds.iter().filter_map(|deed| deed.split(' ').next()).collect();
    assert_eq!(modes[..3], ["play", "still", "record"]);
    assert_eq!(modes[3..], ["stop", "play", "still", "advance", "cue", "review", "fast-forward", "rewind", "record"]);
}

#[test]
fn tracking_keys_act_at_the_press_and_both_together_are_one_key() {
    let (bench, deeds) = bench(|setup| quick(&mut setup.relay_port));
    let mut box_ = Controller::new(bench.relay_port());
    for message in [
        "ROUT:CLOS (@10)",
        "ROUT:OPEN (@10)",
        "ROUT:CLOS (@11)",
        "ROUT:CLOS (@10)",
        "ROUT:OPEN:ALL",
        "ROUT:CLOS (@10,11)",
    ] {
        box_.send(message);
    }
    assert_eq!(box_.ask("SYST:ERR?"), "0,\"No error\"");
    let deeds = deeds.lock().expect("nobody panicked");
    let keys: Vec<&str> = deeds.iter().filter_map(|deed| deed.split(" at ").next()).collect();
    assert_eq!(keys, ["tracking Up", "tracking Down", "tracking Both", "tracking Both"]);
    assert_eq!(bench.key_presses()[9..], [3, 2]);
}

#[test]
fn wrong_relays_press_nothing() {
    let (bench, deeds) = bench(|setup| quick(&mut setup.relay_port));
    let mut box_ = Controller::new(bench.relay_port());
    for (message, error) in [
        ("ROUT:CLOS (@12)", "-222,\"Data out of range;relay 12, there are 11\""),
        ("ROUT:CLOS (@1,0)", "-222,\"Data out of range;relay 0, there are 11\""),
        ("ROUT:CLOS 1", "-104,\"Data type error\""),
        ("ROUT:CLOS (1)", "-171,\"Invalid expression;1\""),
        ("ROUT:CLOS", "-109,\"Missing parameter;0 of 1\""),
        ("ROUT:SHUT (@1)", "-113,\"Undefined header;ROUT:SHUT\""),
    ] {
        box_.send(message);
        assert_eq!(box_.ask("SYST:ERR?"), error, "{message}");
    }
    assert!(deeds.lock().expect("nobody panicked").is_empty());
}
