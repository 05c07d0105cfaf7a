//! Program messages: what is in them, and which error a broken one gives.

use super::*;
use proptest::prelude::*;

/// One line a unit: `[:]PATH[?] param|param`, or the number of the error that ends the message.
fn shown(message: &[u8]) -> Vec<String> {
    let mut reader = Reader::new(message.to_vec());
    let mut lines = Vec::new();
    while let Some(unit) = reader.next_unit() {
        match unit {
            Ok(unit) => lines.push(line(&unit)),
            Err(fault) => {
                lines.push(fault.code.number().to_string());
                break;
            }
        }
    }
    lines
}

fn line(unit: &Unit) -> String {
    let header = match &unit.header {
        Header::Common(word) => format!("*{word}"),
        Header::Path { rooted, nodes } => {
            format!("{}{}", if *rooted { ":" } else { "" }, super::super::table::written(nodes))
        }
    };
    let param = |param: &Param| match param {
        Param::Number { value, unit } => format!("{value}{unit}"),
        Param::Binary(value) => format!("#{value}"),
        Param::Word(word) => word.clone(),
        Param::Text(text) => format!("\"{text}\""),
        Param::Block(data) => format!("{data:?}"),
        Param::Expression(text) => format!("({text})"),
    };
    let params: Vec<String> = unit.params.iter().map(param).collect();
    format!("{header}{} {}", if unit.query { "?" } else { "" }, params.join("|")).trim_end().to_owned()
}

#[test]
fn units_and_their_errors() {
    let table: &[(&[u8], &[&str])] = &[
        (b"", &[]),
        (b"  \r", &[]),
        (b"*IDN?", &["*IDN?"]),
        (b" *ese 32 ; *esr?\r", &["*ESE 32", "*ESR?"]),
        (b":AA:BB:CC 1;DD 2;*CLS;EE 3;:FF 4", &[":AA:BB:CC 1", "DD 2", "*CLS", "EE 3", ":FF 4"]),
        (b"chan2:scal 5.0E-1", &["CHAN2:SCAL 0.5"]),
        (b"X 1,2 , 3", &["X 1|2|3"]),
        (b"X +1.;Y -.5;Z 1e3", &["X 1", "Y -0.5", "Z 1000"]),
        (b"X 10 mV,3kHz", &["X 10MV|3KHZ"]),
        (b"X 1EX", &["X 1EX"]),
        (b"X 1E5EX", &["X 100000EX"]),
        (b"X #HfF,#q17,#B101", &["X #255|#15|#5"]),
        (b"X 'it''s',\"a;b,\"\"c\"\"\"", &["X \"it's\"|\"a;b,\"c\"\""]),
        (b"X (@1,3:5),(@1!2)", &["X (@1,3:5)|(@1!2)"]),
        (b"X #13a\nb,2", &["X [97, 10, 98]|2"]),
        (b"X #10", &["X []"]),
        (b"X #0rest;", &["X [114, 101, 115, 116, 59]"]),
        (b"X? MAX;Y", &["X? MAX", "Y"]),
        (b"X;", &["X"]),
        // Command errors, each ending its message.
        (b"X;;Y", &["X", "-102"]),
        (b";X", &["-102"]),
        (b"1X", &["-102"]),
        (b"X:", &["-102"]),
        (b"::X", &["-102"]),
        (b"X\xFF", &["-101"]),
        (b"\x80X", &["-101"]),
        (b"X,1", &["-111"]),
        (b"X?1", &["-111"]),
        (b"X 1 2", &["-103"]),
        (b"X \"a\" \"b\"", &["-103"]),
        (b"X 1,", &["-102"]),
        (b"X ,1", &["-102"]),
        (b"ABCDEFGHIJKLM", &["-112"]),
        (b"X ABCDEFGHIJKLM", &["-144"]),
        (b"X 1 ABCDEFGHIJKLM", &["-134"]),
        (b"X1234567890", &["X1234567890"]),
        (b"X99999999999", &["-114"]),
        (b"X +", &["-121"]),
        (b"X 1.2.3", &["-121"]),
        (b"X 1E99999", &["-123"]),
        (b"X 'open", &["-151"]),
        (b"X #", &["-161"]),
        (b"X #5", &["-161"]),
        (b"X #14abc", &["-161"]),
        (b"X #1+abc", &["-161"]),
        (b"X #9999999999a", &["-161"]),
        (b"X #HXYZ", &["-121"]),
        (b"X (@1", &["-171"]),
    ];
    for (message, expected) in table {
        assert_eq!(shown(message), *expected, "{}", String::from_utf8_lossy(message));
    }
    assert_eq!(shown(format!("X {}", "1".repeat(256)).as_bytes()), ["-124"]);
    assert_eq!(shown(format!("X {}", "0".repeat(255)).as_bytes()), ["X 0"]);
}

proptest! {
    #[test]
    fn no_bytes_panic_or_hang(message in proptest::collection::vec(any::<u8>(), 0..200)) {
        prop_assert!(shown(&message).len() <= message.len() + 1);
    }

    #[test]
    fn no_near_message_panics(message in "[A-Za-z*:?;, 0-9.#()@'\"eE+-]{0,60}") {
        prop_assert!(shown(message.as_bytes()).len() <= message.len() + 1);
    }

    /// Print, parse, compare: numbers survive in every form that a controller prints.
    #[test]
    fn numbers_survive(value in proptest::num::f64::NORMAL.prop_filter("within the standard's exponents", |v| v.abs() < 1e300)) {
        for text in [format!("{value}"), format!("{value:e}"), format!("{value:E}")] {
            let mut reader = Reader::new(format!("X {text}").into_bytes());
            match reader.next_unit() {
                Some(Ok(unit)) => prop_assert_eq!(unit.params, vec![Param::Number { value, unit: String::new() }]),
                // Rust prints very small and very great numbers with more digits than the standard allows.
                Some(Err(fault)) => prop_assert!(fault.code == Code::TooManyDigits && text.len() > MOST_DIGITS, "{}", text),
                None => prop_assert!(false),
            }
        }
    }

    #[test]
    fn blocks_survive(data in proptest::collection::vec(any::<u8>(), 0..99)) {
        let mut message = format!("X #2{:02}", data.len()).into_bytes();
        message.extend(&data);
        message.extend(b",7");
        let mut reader = Reader::new(message);
        let unit = reader.next_unit().expect("one unit").expect("it parses");
        prop_assert_eq!(unit.params, vec![Param::Block(data), Param::Number { value: 7.0, unit: String::new() }]);
    }
}
