//! What is taken as a procedure, and what is refused with which words.

mod support;

use support::{block_on, engine};
use tapewright_formats::{Caution, Mode, Signal, Unit};
use tapewright_host::{COMPONENT_BYTES, CONTRACT, LoadError, Permission, Setting, Value, WASMTIME};
use tapewright_test_guests::guest;

/// Takes a guest's bytes, which must be refused: the whole chain of the error's texts.
fn refused(bytes: &[u8]) -> String {
    let error = block_on(engine().load(bytes)).expect_err("it must be refused");
    let mut text = error.to_string();
    let mut source = std::error::Error::source(&error);
    while let Some(cause) = source {
        text.push_str(" | ");
        text.push_str(&cause.to_string());
        source = cause.source();
    }
    text
}

#[test]
fn a_procedure_is_taken_with_its_description_and_permissions() {
    let procedure = block_on(engine().load(guest("acts").bytes)).expect("it is a procedure");
    assert_eq!(procedure.description.name, "acts");
    assert_eq!(procedure.description.needs, [Signal::ControlTrack]);
    assert_eq!(procedure.description.modes, [Mode::Play]);
    assert_eq!(procedure.description.cautions, [Caution::Mains]);
    assert_eq!(procedure.description.parameters[1].unit, Some(Unit::Volt));
    assert_eq!(procedure.sha256, guest("acts").sha256);
    assert_eq!(procedure.contract, CONTRACT);
    let expected =
        [Permission::Captures, Permission::Transport, Permission::Tracking, Permission::Operator, Permission::Report];
    assert_eq!(procedure.permissions, expected, "it never records, so it does not import recording");
}

#[test]
fn every_shipped_procedure_is_taken_under_its_own_name() {
    let engine = engine();
    for shipped in tapewright_shipped::procedures() {
        let procedure = block_on(engine.load(shipped.bytes)).unwrap_or_else(|e| panic!("{}: {e}", shipped.name));
        assert_eq!(procedure.description.name, shipped.name);
        assert_eq!(procedure.sha256, shipped.sha256);
        let records = procedure.permissions.contains(&Permission::Recording);
        assert_eq!(records, shipped.name == "record-playback", "{} and recording", shipped.name);
        let tracks = procedure.permissions.contains(&Permission::Tracking);
        assert_eq!(tracks, shipped.name == "tracking-centre", "{} and tracking keys", shipped.name);
    }
}

#[test]
fn what_is_no_procedure_is_refused_with_the_reason() {
    /// A component that holds a core module with one 64-bit memory.
    const MEMORY64: &[u8] = b"\0asm\x0d\0\x01\0\x01\x0d\0asm\x01\0\0\0\x05\x03\x01\x04\x01";
    for (name, bytes, expected) in [
        ("text", b"capture this".as_slice(), "no valid component"),
        ("nothing", b"", "no valid component"),
        ("module", b"\0asm\x01\0\0\0", "core wasm module, not a component"),
        ("empty component", b"\0asm\x0d\0\x01\0", "does not export `tapewright:procedure/entry@0.1.0`"),
        ("memory64", MEMORY64, "memory64"),
        ("foreign", guest("foreign").bytes, "imports `test:foreign/sockets@1.0.0`, which is not part of the contract"),
        ("newer", guest("newer").bytes, "needs contract 0.2.0, this daemon has 0.1.0"),
        ("later", guest("later").bytes, "needs contract 0.1.1, this daemon has 0.1.0"),
        ("nosy", guest("nosy").bytes, "it called captures.hookup while it described itself"),
        ("too large", &vec![0; COMPONENT_BYTES + 1], "a component may have 4194304"),
    ] {
        let text = refused(bytes);
        assert!(text.contains(expected), "{name}: {text}");
    }
}

#[test]
fn every_fault_of_a_description_is_told_at_once() {
    let text = refused(guest("boaster").bytes);
    for expected in [
        "its name `The Best` is not of small letters",
        "`purpose` is empty",
        "a duration of NaN s",
        "parameter `share` is there twice",
        "`share` does not say where its default comes from",
        "its default 2 is not a number from 0 to 1",
    ] {
        assert!(text.contains(expected), "{expected}: {text}");
    }
}

#[test]
fn a_component_cut_or_changed_anywhere_is_refused_or_still_whole() {
    // Whatever the bytes: an error or a procedure, never a panic.
    let bytes = guest("acts").bytes;
    let engine = engine();
    for cut in [8, 9, 100, bytes.len() / 2, bytes.len() - 1] {
        let error = block_on(engine.load(&bytes[..cut])).expect_err("a cut component is none");
        assert!(matches!(error, LoadError::NotAComponent(_) | LoadError::NoEntry { .. }), "{cut}: {error:?}");
    }
}

#[test]
fn settings_are_held_against_the_description() {
    let procedure = block_on(engine().load(guest("acts").bytes)).expect("it is a procedure");
    let set = |name: &str, value| [Setting { name: name.into(), value, source: "this shop".into() }];
    let in_force = procedure.description.settings(&set("least-level", Value::Number(3.0))).expect("it is in range");
    assert_eq!(in_force.len(), 2);
    assert_eq!((&in_force[0].value, in_force[0].source.as_str()), (&Value::Text("good".into()), "this test"));
    assert_eq!((&in_force[1].value, in_force[1].source.as_str()), (&Value::Number(3.0), "this shop"));
    for (name, value, expected) in [
        ("most-level", Value::Number(1.0), "`acts` has no parameter `most-level`; it has: act, least-level"),
        ("least-level", Value::Number(101.0), "`least-level` of `acts` is 101, and must be a number from 0 to 100 (V)"),
        ("least-level", Value::Number(f64::NAN), "is NaN, and must be a number"),
        ("least-level", Value::Text("much".into()), "is `much`, and must be a number"),
        ("act", Value::Number(1.0), "must be a text"),
    ] {
        let error = procedure.description.settings(&set(name, value)).expect_err("it must be refused").to_string();
        assert!(error.contains(expected), "{error}");
    }
}

#[test]
fn the_stated_version_is_the_locked_one() {
    let lock = include_str!("../../../Cargo.lock");
    assert!(
        lock.contains(&format!("name = \"wasmtime\"\nversion = \"{WASMTIME}\"")),
        "Cargo.lock has another wasmtime than {WASMTIME}"
    );
}
