//! Dialect files: the shipped ones pass and render; bad ones get every fault told.

use std::fmt::Write as _;
use std::path::Path;
use tapewright_instrument::Dialect;
use tapewright_instrument::dialect::{DialectError, Op, Slot, State, Values};

/// Values for every place.
fn all_values() -> Values {
    Slot::ALL.iter().fold(Values::new(), |values, &slot| match slot {
        Slot::Channel | Slot::Source => values.word(slot, "CH1"),
        Slot::Coupling => values.word(slot, "DC"),
        Slot::Slope => values.word(slot, "POSitive"),
        _ => values.number(slot, 1.25e-3),
    })
}

#[test]
fn every_shipped_file_passes_and_renders_every_operation() {
    for name in Dialect::shipped_names() {
        let base = Dialect::shipped(name).unwrap();
        assert_eq!(base.name, name);
        let variants = base.variants();
        assert!(variants.contains(&"large".to_owned()), "{name}");
        for dialect in variants.iter().map(|v| base.with_variant(v).unwrap()).chain([base.clone()]) {
            for &op in Op::ALL {
                let list = dialect.render(op, &all_values()).unwrap();
                assert!(!op.needed() || !list.is_empty(), "{name}: {op}");
                for message in list {
                    assert_eq!(message.is_query(), op.asks(), "{name}: {op}: {message}");
                    assert!(!message.text().contains(['{', '}', '\n']), "{name}: {op}: {message}");
                    assert!(message.text().len() < 100, "small input buffers: {message}");
                }
            }
        }
    }
}

#[test]
fn a_value_cannot_smuggle_a_command_in() {
    let dialect = Dialect::shipped("scpi-99").unwrap();
    for evil in ["CH1\n*RST", "CH1;*RST", "CH1 ", "", "{x}", "\"a\""] {
        let values = all_values().word(Slot::Channel, evil);
        assert!(dialect.render(Op::AskData, &values).is_err(), "{evil:?}");
    }
    let values = all_values().number(Slot::FullScale, f64::NAN);
    assert!(dialect.render(Op::Range, &values).is_err());
    assert!(dialect.render(Op::Range, &Values::new()).is_err());
}

#[test]
fn states_are_read() {
    let words = Dialect::shipped("channel-timebase-waveform").unwrap();
    assert_eq!(words.read_state(" wait"), Some(State::Waiting));
    assert_eq!(words.read_state("TD"), Some(State::Filling));
    assert_eq!(words.read_state("STOP"), Some(State::Done));
    assert_eq!(words.read_state("STKP"), None);
    let bits = Dialect::shipped("scpi-99").unwrap();
    assert_eq!(bits.read_state("32"), Some(State::Waiting));
    assert_eq!(bits.read_state("48"), Some(State::Waiting));
    assert_eq!(bits.read_state("16"), Some(State::Filling));
    assert_eq!(bits.read_state("#H100"), Some(State::Done));
    assert_eq!(bits.read_state("x"), None);
}

#[test]
fn unknown_names_say_what_there_is() {
    let text = |name: &str| Dialect::load(name).unwrap_err().to_string();
    assert_eq!(
        text("scpi-98"),
        "no dialect is called `scpi-98`; shipped are channel-horizontal-curve, channel-timebase-waveform, prefixed-channel-descriptor, scpi-99; a file of your own is named by its path"
    );
    assert_eq!(text("scpi-99/tiny"), "dialect `scpi-99` has no variant `tiny`; it has large");
    assert!(matches!(Dialect::load("no/such/file.toml"), Err(DialectError::Read { .. })));
}

/// Each file of the folder is the shipped dialect with a patch: lines `key = value` replace lines of
/// the same key, `- key` takes one away, others are put in front; beside it stands what must be said.
#[test]
fn bad_files_get_every_fault_told() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/bad-dialects");
    let mut names: Vec<_> = std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    names.retain(|path| path.extension().is_some_and(|ext| ext == "toml"));
    names.sort();
    assert!(names.len() >= 10, "the folder has {} bad files", names.len());
    let mut wrong = String::new();
    for path in names {
        let text = std::fs::read_to_string(&path).unwrap();
        let file = path.file_name().unwrap().to_string_lossy().into_owned();
        let got = match Dialect::check_named(&file, &text) {
            Ok(_) => "no fault was found\n".to_owned(),
            Err(faults) => faults.iter().fold(String::new(), |mut all, fault| {
                writeln!(all, "{fault}").unwrap();
                all
            }),
        };
        let expected = std::fs::read_to_string(path.with_extension("txt")).unwrap_or_default();
        if got != expected {
            writeln!(wrong, "--- {file} says\n{got}--- expected\n{expected}").unwrap();
        }
        assert_ne!(got, "no fault was found\n", "{file}");
    }
    assert!(wrong.is_empty(), "{wrong}");
}
