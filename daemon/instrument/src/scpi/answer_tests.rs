//! Tables and properties of the answers' parsers.

use super::*;
use proptest::prelude::*;

fn check_number(text: &str, expected: &str) {
    let got = match numeric(text) {
        Ok(Numeric { number, form, unit }) => {
            format!("{number:?} {form:?}{}", unit.map(|unit| format!(" {unit}")).unwrap_or_default())
        }
        Err(trouble) => trouble.to_string(),
    };
    assert_eq!(got, expected, "{text}");
}

#[test]
fn numbers_in_every_form() {
    check_number("5", "Value(5.0) Nr1");
    check_number("+0005", "Value(5.0) Nr1");
    check_number("-5", "Value(-5.0) Nr1");
    check_number("7.", "Value(7.0) Nr2");
    check_number(".7", "Value(0.7) Nr2");
    check_number("-.7", "Value(-0.7) Nr2");
    check_number("1.25e-003", "Value(0.00125) Nr3");
    check_number("1E6", "Value(1000000.0) Nr3");
    check_number(" 1.0E+06 ", "Value(1000000.0) Nr3");
    check_number("9.9E37", "Infinity Nr3");
    check_number("9.900000E+37", "Infinity Nr3");
    check_number("-9.9E+37", "NegativeInfinity Nr3");
    check_number("9.91E37", "NotANumber Nr3");
    check_number("9.95e37", "Beyond(9.95e37) Nr3");
    check_number("1e400", "Beyond(inf) Nr3");
    check_number("9.8E37", "Value(9.8e37) Nr3");
    check_number("#HfF", "Value(255.0) Hexadecimal");
    check_number("#q17", "Value(15.0) Octal");
    check_number("#B1010", "Value(10.0) Binary");
    check_number("1.5V", "Value(1.5) Nr2 V");
    check_number("1.5 mV", "Value(1.5) Nr2 mV");
    check_number("2.0E-3 s/div", "Value(0.002) Nr3 s/div");
    check_number("5E", "expected a number, but `5E` came");
    check_number(".", "expected a number, but `.` came");
    check_number("", "expected a number, but `` came");
    check_number("****", "expected a number, but `****` came");
    check_number("1,2", "expected a number, but `1,2` came");
    check_number("#H", "expected a number, but `#H` came");
    check_number("#HFFFFFFFFFFFFFFFFF", "expected a number, but `#HFFFFFFFFFFFFFFFFF` came");
    check_number("1 2", "expected a number, but `1 2` came");
    check_number("--1", "expected a number, but `--1` came");
    check_number("1e1.5", "expected a number, but `1e1.5` came");
}

#[test]
fn special_values_are_no_values() {
    assert_eq!(value("2.5"), Ok(2.5));
    for special in ["9.9E37", "-9.9E37", "9.91E37", "9.99E40"] {
        assert!(value(special).is_err(), "{special}");
    }
    assert_eq!(integer("1.0E+2"), Ok(100));
    for (text, expected) in [
        ("500mV", Some(0.5)),
        ("5.00E-01V", Some(0.5)),
        ("20 us", Some(20e-6)),
        ("2.0E-3 s/div", Some(2e-3)),
        ("2.5MHz", Some(2.5e6)),
        ("500MSa/s", Some(500e6)),
        ("1MAV", Some(1e6)),
        ("2.5Kpts", Some(2500.0)),
        ("3pts", Some(3.0)),
        ("1 furlong", None),
        ("1 QV", None),
    ] {
        assert_eq!(value(text).ok(), expected, "{text}");
    }
    assert!(integer("1.5").is_err());
}

#[test]
fn lists_strings_and_words() {
    assert_eq!(numbers("1, 0,1,").unwrap().len(), 3);
    assert!(numbers("1,,2").is_err());
    assert!(numbers("").is_err());
    assert_eq!(string("\"a \"\"b\"\", c\"").unwrap(), "a \"b\", c");
    assert_eq!(string("'it''s'").unwrap(), "it's");
    assert_eq!(string("\"\"").unwrap(), "");
    assert!(string("\"open").is_err());
    assert!(string("\"a\" b").is_err());
    assert_eq!(parts("1,\"a,b\", 'c,d' ,"), ["1", "\"a,b\"", "'c,d'", ""]);
    assert_eq!(word("Stop").unwrap(), "STOP");
    assert!(word("1stop").is_err());
    assert_eq!((boolean("1"), boolean("off")), (Ok(true), Ok(false)));
    assert!(boolean("2").is_err());
    for (asked, text, bare) in [
        (":CHANnel1:SCALe?", ":CHAN1:SCAL 1.0", "1.0"),
        (":CHANnel1:SCALe?", "1.0", "1.0"),
        ("C1:VDIV?", "C1:VOLT_DIV 5.00E-01 V", "5.00E-01 V"),
        ("TRMD?", "TRMD AUTO", "AUTO"),
        ("*ESE 7;*ESE?", "*ESE 7", "7"),
        ("*IDN?", "*IDN ACME TOOLS,A 1,0,1", "ACME TOOLS,A 1,0,1"),
        // The first word of an identity is no header.
        ("*IDN?", "ACME TOOLS,A 1,0,1", "ACME TOOLS,A 1,0,1"),
        ("CH2:SCAle?", ":CH1:SCALE 1.0", "1.0"),
        ("ALLEv?", "0,\"No events to report\"", "0,\"No events to report\""),
    ] {
        assert_eq!(without_header(asked, text), bare, "{asked}: {text}");
    }
}

fn check_entry(text: &str, expected: &str) {
    let got = match error_entry(text) {
        Ok(entry) => format!("{entry} {:?}", entry.class()),
        Err(trouble) => trouble.to_string(),
    };
    assert_eq!(got, expected, "{text}");
}

#[test]
fn error_entries() {
    check_entry("0,\"No error\"", "0,\"No error\" None");
    check_entry("+0, 'No error'", "0,\"No error\" None");
    check_entry("0", "0,\"\" None");
    check_entry("-113,\"Undefined header;FOO\"", "-113,\"Undefined header;FOO\" Command");
    check_entry("-222,\"Data out of range\"", "-222,\"Data out of range\" Execution");
    check_entry("-350,\"Queue overflow\"", "-350,\"Queue overflow\" Device");
    check_entry("17,\"own \"\"word\"\"\"", "17,\"own \"\"word\"\"\" Device");
    check_entry("-410,\"Query INTERRUPTED\"", "-410,\"Query INTERRUPTED\" Query");
    check_entry("-500,\"Power on\"", "-500,\"Power on\" Event");
    check_entry("-7,\"\"", "-7,\"\" Unknown");
    check_entry("STOP", "expected an entry of the error queue, NUMBER,\"TEXT\", but `STOP` came");
    check_entry("-113,Undefined", "expected an entry of the error queue, NUMBER,\"TEXT\", but `-113,Undefined` came");
    check_entry("1.5,\"x\"", "expected an entry of the error queue, NUMBER,\"TEXT\", but `1.5,\"x\"` came");
}

#[test]
fn identities() {
    let shown = |text: &str| identity(text).map(|identity| identity.to_string());
    assert_eq!(shown("A, B ,0,1.2").unwrap(), "A,B,0,1.2");
    assert_eq!(shown("A,B,C").unwrap(), "A,B,C,");
    assert_eq!(shown("A,B,C,1,2;3").unwrap(), "A,B,C,1,2;3");
    assert!(shown("  ").is_err());
}

proptest! {
    #[test]
    fn a_printed_number_reads_back(sent in any::<f64>().prop_filter("a number", |x| x.is_finite())) {
        let first = Number::from_sent(sent);
        let printed = first.to_string();
        let again = number(&printed).unwrap();
        prop_assert_eq!(again, first);
        prop_assert_eq!(again.to_string(), printed);
    }

    #[test]
    fn a_printed_string_reads_back(text in "\\PC{0,40}") {
        let printed = print_string(&text);
        let again = string(&printed).unwrap();
        prop_assert_eq!(print_string(&again), printed);
        prop_assert_eq!(again, text);
    }

    #[test]
    fn a_printed_entry_reads_back(code in any::<i32>(), text in "[ -:<-~]{0,40}", info in proptest::option::of("[ -~]{0,20}")) {
        let entry = ErrorEntry { code, text, info };
        let printed = entry.to_string();
        let again = error_entry(&printed).unwrap();
        prop_assert_eq!(again.to_string(), printed);
        prop_assert_eq!(again, entry);
    }

    #[test]
    fn a_printed_identity_reads_back(maker in "[!-+.-~]{1,9}", model in "[!-+.-~]{0,9}", serial in "[!-+.-~]{0,9}", firmware in "[!-~]{0,9}") {
        let first = Identity { maker, model, serial, firmware };
        prop_assert_eq!(identity(&first.to_string()), Ok(first));
    }

    #[test]
    fn any_text_is_survived(text in "\\PC{0,80}") {
        let _outcome = (numeric(&text), numbers(&text), boolean(&text), word(&text), string(&text));
        let _outcome = (error_entry(&text), identity(&text), without_header("A:B?", &text));
        prop_assert!(!parts(&text).is_empty());
    }

    #[test]
    fn any_ascii_is_survived(text in "[ -~]{0,60}") {
        let _outcome = (numeric(&text), numbers(&text), string(&text), error_entry(&text));
    }
}
