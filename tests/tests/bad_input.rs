//! What a user is told when something is wrong: what was tried on what, and what to do.
//!
//! Each case also proves that there is neither a number nor a pass. Paths and ports are replaced, so
//! that the texts are the same everywhere.

mod support;

use sim_instrument::scenario::Scenario;
use std::path::Path;
use std::sync::Arc;
use support::{Rig, block_on, in_tree, scenario, text_of};
use tapewright::bench;
use tapewright::config::Config;
use tapewright::library::Library;
use tapewright::report::chain;
use tapewright::{sequence, triage};
use tapewright_clock::Clock;
use tapewright_formats::{Outcome, Signal};
use tapewright_instrument::{CaptureRequest, Dialect, Edge, ScopeError, Slope, Trigger};

/// Replaces what differs from place to place.
fn redacted(text: &str, folder: &Path, port: Option<u16>) -> String {
    let text = text.replace(&folder.display().to_string(), "[folder]");
    match port {
        Some(port) => text.replace(&format!(":{port}"), ":[port]"),
        None => text,
    }
}

const POINTS: &str = r#"
[[bench.hookup.point]]
signal = "rf"
channel = "CHANnel1"
"#;

/// What `serve` and `bench check` would say: the configuration is read and its bench connected.
fn of_config(scope: &str, more: &str, port: Option<u16>) -> String {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("bench.toml");
    let text = format!("data = \"records\"\n[[bench]]\nname = \"first\"\n{more}[bench.scope]\n{scope}\n{POINTS}");
    std::fs::write(&path, text).expect("a file");
    let said = match Config::read(&path) {
        Err(error) => chain(&error),
        Ok(config) => block_on(async {
            match bench::connect(&config.benches[0], &Clock::real()).await {
                Ok(_) => panic!("the bench must not connect"),
                Err(error) => chain(&error),
            }
        }),
    };
    redacted(&said, folder.path(), port)
}

#[test]
fn a_serial_port_that_is_not_there() {
    let scope =
        "address = \"serial:///dev/tapewright-no-such-port?baud=115200\"\ndialect = \"channel-timebase-waveform\"";
    insta::assert_snapshot!(of_config(scope, "", None));
}

#[test]
fn a_tcp_port_where_nobody_listens() {
    // Bound and given back: nothing listens there now.
    let listener = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let port = listener.local_addr().expect("an address").port();
    drop(listener);
    let scope = format!("address = \"tcp://127.0.0.1:{port}\"\ndialect = \"scpi-99\"");
    insta::assert_snapshot!(of_config(&scope, "", Some(port)));
}

#[test]
fn an_address_that_is_none() {
    insta::assert_snapshot!(of_config("address = \"/dev/ttyUSB0\"\ndialect = \"scpi-99\"", "", None));
}

#[test]
fn a_dialect_that_is_not_there() {
    insta::assert_snapshot!(of_config("address = \"tcp://127.0.0.1:1\"\ndialect = \"scpi\"", "", None));
}

#[test]
fn an_unknown_key_in_the_configuration() {
    let scope = "address = \"tcp://127.0.0.1:1\"\ndialect = \"scpi-99\"\nbaudrate = 9600";
    insta::assert_snapshot!(of_config(scope, "", None));
}

/// Opens a scope that must not open.
fn refused(rig: &Rig) -> String {
    block_on(async {
        match rig.open().await {
            Ok(_) => panic!("the scope must not open"),
            Err(error) => chain(&error),
        }
    })
}

/// What is said of a line at a rate that is not the instrument's.
fn at_a_wrong_rate(spoil: &[&str]) -> String {
    let rig = Rig::new(&scenario("family-a", "A1", 1, ""));
    spoil.iter().for_each(|fault| rig.tell(fault));
    block_on(async {
        match rig.open_at(9600).await {
            Ok(_) => panic!("the scope must not open"),
            Err(error) => chain(&error),
        }
    })
}

#[test]
fn a_wrong_baud_rate() {
    // Each side reads the other's bits at the wrong places; the instrument understands nothing and so is silent.
    insta::assert_snapshot!(at_a_wrong_rate(&["link garble 0.9", "link garble-in 0.9"]));
}

#[test]
fn a_wrong_baud_rate_that_shows_as_noise() {
    insta::assert_snapshot!(at_a_wrong_rate(&["link garble 0.9"]));
}

#[test]
fn a_scope_that_is_silent() {
    let rig = Rig::new(&scenario("scpi-99", "", 1, ""));
    rig.tell("link silent");
    insta::assert_snapshot!(refused(&rig));
}

#[test]
fn the_standards_dialect_on_a_family_a_scope() {
    let mut rig = Rig::new(&scenario("family-a", "A1", 1, ""));
    rig.dialect = Dialect::shipped("scpi-99").expect("shipped");
    insta::assert_snapshot!(refused(&rig));
}

#[test]
fn family_as_dialect_on_a_scope_of_the_standards_tree() {
    let mut rig = Rig::new(&scenario("scpi-99", "", 1, ""));
    rig.dialect = Dialect::shipped("channel-timebase-waveform").expect("shipped");
    insta::assert_snapshot!(refused(&rig));
}

/// Asks a scope in play for a capture that it must not give.
fn no_capture(rig: &Rig, spoil: &str, request: &CaptureRequest) -> ScopeError {
    block_on(async {
        let mut scope = rig.open().await.expect("the scope opens");
        scope.set_read_twice(true);
        rig.play().await;
        if !spoil.is_empty() {
            rig.tell(spoil);
        }
        match scope.acquire(&rig.hookup, request).await {
            Ok(captures) => panic!("a capture that must not be: {} of them", captures.len()),
            Err(error) => error,
        }
    })
}

#[test]
fn no_trigger() {
    let rig = Rig::new(&scenario("family-a", "A1", 1, ""));
    let edge = Edge { signal: Signal::HeadSwitch, slope: Slope::Rising, level_v: None };
    let request = CaptureRequest { trigger: Trigger::Edge(edge), ..CaptureRequest::free([Signal::Rf], 0.02) };
    insta::assert_snapshot!(chain(&no_capture(&rig, "fault head-switch-dead", &request)));
}

#[test]
fn a_clipped_channel() {
    // A scope whose least sensitive range is too small for 5 V through a ten-to-one probe.
    let mut rig = Rig::new(&scenario("scpi-99", "", 1, ""));
    let text = text_of("daemon/instrument/dialects/scpi-99.toml");
    let small = text.replace("greatest-volts-a-division = 10.0", "greatest-volts-a-division = 0.02");
    assert_ne!(small, text, "the limit was found");
    rig.dialect = Dialect::check_named("small.toml", &small).expect("a right dialect");
    for point in &mut rig.hookup.points {
        point.expected_v = Some(1.0);
    }
    let error = no_capture(&rig, "", &CaptureRequest::free([Signal::ControlTrack], 0.2));
    insta::assert_snapshot!(chain(&error));
}

#[test]
fn a_signal_under_twenty_steps() {
    let mut rig = Rig::new(&scenario("family-a", "A1", 1, ""));
    for point in &mut rig.hookup.points {
        point.expected_v = Some(0.001);
    }
    insta::assert_snapshot!(chain(&no_capture(&rig, "", &CaptureRequest::free([Signal::Rf], 0.02))));
}

#[test]
fn a_signal_that_is_not_hooked_up() {
    let rig = Rig::new(&scenario("family-a", "A1", 1, ""));
    insta::assert_snapshot!(chain(&no_capture(&rig, "", &CaptureRequest::free([Signal::Video], 0.02))));
}

#[test]
fn samples_of_an_input_that_can_only_trigger() {
    let rig = Rig::new(&scenario("family-a", "A1", 1, ""));
    insta::assert_snapshot!(chain(&no_capture(&rig, "", &CaptureRequest::free([Signal::HeadSwitch], 0.02))));
}

#[test]
fn a_garbled_line() {
    let rig = Rig::new(&scenario("family-a", "A1", 1, ""));
    insta::assert_snapshot!(chain(&no_capture(&rig, "link garble 0.003", &CaptureRequest::free([Signal::Rf], 0.02))));
}

#[test]
fn a_garbled_block() {
    let rig = Rig::new(&scenario("family-a", "A1", 1, ""));
    let request = CaptureRequest::free([Signal::Rf], 0.02);
    // The set-up stands from a good capture: what is spoilt is mostly the codes.
    let error = block_on(async {
        let mut scope = rig.open().await.expect("the scope opens");
        scope.set_read_twice(true);
        rig.play().await;
        scope.acquire(&rig.hookup, &request).await.expect("a good line");
        rig.tell("link garble 0.004");
        scope.acquire(&rig.hookup, &request).await.expect_err("no two readings agree")
    });
    insta::assert_snapshot!(chain(&error));
}

#[test]
fn an_unplugged_scope() {
    let rig = Rig::new(&scenario("family-a", "A1", 1, ""));
    insta::assert_snapshot!(chain(&no_capture(&rig, "link closed", &CaptureRequest::free([Signal::Rf], 0.02))));
}

#[test]
fn an_unknown_key_in_a_dialect() {
    let text = text_of("daemon/instrument/dialects/scpi-99.toml").replace("volts-at =", "volts-where =");
    let faults = Dialect::check_named("shop.toml", &text).expect_err("the key is unknown");
    let said: Vec<String> = faults.iter().map(ToString::to_string).collect();
    insta::assert_snapshot!(said.join("\n"));
}

#[test]
fn an_unknown_key_in_a_sequence() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("shop.toml");
    std::fs::write(&path, "name = 'shop'\npurpose = 'x'\n[[step]]\nprocedure = 'envelope'\nskip-if = ['rf.absent']\n")
        .expect("a file");
    let error = sequence::find(&path.display().to_string()).expect_err("the key is unknown");
    insta::assert_snapshot!(redacted(&chain(&error), folder.path(), None));
}

#[test]
fn an_unknown_sequence() {
    let library = Library::open(&[]).expect("a library");
    insta::assert_snapshot!(chain(&library.sequence("second-look").expect_err("there is none")));
}

#[test]
fn unknown_keys_in_a_scenario() {
    let text = "title = 'x'\nseed = 1\ncolour = 'red'\n[machine]\nname = 'CM-02'\nformat = 'vhs-525-sp'\nspeed = 2\n";
    insta::assert_snapshot!(chain(&Scenario::parse(text).expect_err("keys are unknown")));
}

#[test]
fn an_unknown_key_in_triage_data() {
    let text = "[[fault]]\nname = 'x'\nneeds = []\nsays = 'x'\nnext = 'y'\nrank = 3\n";
    insta::assert_snapshot!(chain(&triage::read_faults("shop.toml", text).expect_err("the key is unknown")));
}

/// What `procedures check` says of a file that is no procedure.
fn not_taken(bytes: &[u8]) -> String {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("shop.wasm");
    std::fs::write(&path, bytes).expect("a file");
    let library = Library::open(&[]).expect("a library");
    let error = block_on(library.load_file(&path)).map(drop).expect_err("it must not be taken");
    redacted(&chain(&error), folder.path(), None)
}

#[test]
fn a_text_as_a_component() {
    insta::assert_snapshot!(not_taken(b"name = 'envelope'\n"));
}

#[test]
fn an_empty_file_as_a_component() {
    insta::assert_snapshot!(not_taken(b""));
}

#[test]
fn a_core_module_as_a_component() {
    // The smallest core module: magic and version (WebAssembly core specification 2.0, 5.5.16).
    insta::assert_snapshot!(not_taken(b"\0asm\x01\0\0\0"));
}

#[test]
fn a_component_that_wants_more_than_it_gets() {
    insta::assert_snapshot!(not_taken(tapewright_test_guests::guest("foreign").bytes));
}

#[test]
fn a_dead_head_switch_gives_no_number_and_no_pass() {
    let stage = "[[stage]]\ntitle = 'dead'\ndo = ['fault head-switch-dead']\ntape = 'own'\n";
    let scenario = scenario("family-a", "A1", 3, stage);
    let library = Arc::new(Library::open(&[]).expect("a library"));
    let outcome = tapewright_tests::bench::run(&scenario, "envelope", &library).expect("the tool works");
    let report = &outcome.report;
    assert_eq!(report.verdict, Some(Outcome::Unable), "{}", tapewright::report::text::run(report));
    // The control track needs no head switch: its rate is measured before it is known to be missing.
    let numbers: Vec<&str> = report
        .procedures
        .iter()
        .flat_map(|p| &p.measurements)
        .map(|m| m.name.as_str())
        .filter(|name| *name != "control-track.rate")
        .collect();
    assert!(numbers.is_empty(), "no number may come of it: {numbers:?}");
    let why: Vec<String> = report
        .procedures
        .iter()
        .flat_map(|p| &p.unable)
        .map(|u| format!("{}: {} ({})", u.what, u.why, u.code))
        .collect();
    insta::assert_snapshot!(format!("{}\n{}\n{}", report.conclusion, report.next, why.join("\n")));
}

#[test]
fn the_tree_is_where_the_tests_think() {
    assert!(in_tree("plugins/wit/procedure.wit").is_file());
}
