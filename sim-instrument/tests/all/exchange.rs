//! Message exchange, status and the error queue.

use crate::support::{Controller, bench, quick};
use proptest::prelude::*;

fn controller(change: impl FnOnce(&mut sim_instrument::BenchSetup)) -> Controller {
    let (bench, _) = bench(|setup| {
        quick(&mut setup.scope_port);
        change(setup);
    });
    Controller::new(bench.scope_port())
}

/// Messages and their replies, in order, on one instrument.
fn check(table: &[(&str, &str)]) {
    let mut scope = controller(|_| {});
    for (message, reply) in table {
        assert_eq!(scope.ask(message), *reply, "{message}");
    }
}

#[test]
fn mandatory_common_commands() {
    check(&[
        ("*ESR?", "128"),
        ("*ESR?", "0"),
        ("*ESE?", "0"),
        ("*ESE 36", ""),
        ("*ESE?", "36"),
        ("*SRE 255", ""),
        ("*SRE?", "191"),
        ("*SRE 16;*SRE?", "16"),
        ("*OPC?", "1"),
        ("*OPC;*ESR?", "1"),
        ("*TST?", "0"),
        ("*WAI", ""),
        ("*STB?", "0"),
        ("*ESE?;*STB?", "36;80"),
        ("*RST", ""),
        ("*ESE?", "36"),
        ("*CLS", ""),
        ("*ESE?", "36"),
        ("SYST:ERR?", "0,\"No error\""),
        ("syst:vers?", "1999.0"),
    ]);
    assert!(controller(|_| {}).ask("*idn?").starts_with("Simulated Instruments,SB-2,0,"));
}

#[test]
fn errors_are_queued_in_order_and_set_one_bit_each() {
    check(&[
        ("*CLS", ""),
        ("CHAN1:SCALL 1", ""),
        ("*ESR?", "32"),
        (":CHAN1:SCAL 99", ""),
        ("*ESR?", "16"),
        ("SYST:ERR:COUN?", "2"),
        ("*STB?", "4"),
        ("SYST:ERR?", "-113,\"Undefined header;CHAN1:SCALL\""),
        ("SYST:ERR:NEXT?", "-222,\"Data out of range;99 is not within 0.002 to 10\""),
        ("SYST:ERR?", "0,\"No error\""),
        ("CHAN3:SCAL 1", ""),
        ("SYST:ERR?", "-114,\"Header suffix out of range;3, there are 2\""),
        ("CHAN1:SCAL", ""),
        ("SYST:ERR?", "-109,\"Missing parameter;0 of 1\""),
        ("CHAN1:SCAL 1,2", ""),
        ("SYST:ERR?", "-108,\"Parameter not allowed;2 given, 1 allowed\""),
        ("CHAN1:SCAL 1 HZ", ""),
        ("SYST:ERR?", "-131,\"Invalid suffix;HZ\""),
        ("CHAN1:PROB 1 V", ""),
        ("SYST:ERR?", "-138,\"Suffix not allowed\""),
        ("CHAN1:COUP XX", ""),
        ("SYST:ERR?", "-224,\"Illegal parameter value;XX, not AC|DC|GND\""),
        ("CHAN1:COUP 'AC'", ""),
        ("SYST:ERR?", "-104,\"Data type error\""),
        ("*XYZ", ""),
        ("SYST:ERR?", "-113,\"Undefined header;*XYZ\""),
        ("*CLS?", ""),
        ("SYST:ERR?", "-113,\"Undefined header;*CLS\""),
        ("WAV:DATA?", ""),
        ("SYST:ERR?", "-230,\"Data corrupt or stale;no acquisition is complete\""),
        ("SYST:ERR:ALL?", "0,\"No error\""),
    ]);
}

#[test]
fn a_full_error_queue_overflows() {
    let mut scope = controller(|setup| setup.scope_port.errors = 3);
    for _ in 0..5 {
        scope.send("BAD");
    }
    let read: Vec<String> = (0..4).map(|_| scope.ask("SYST:ERR?")).collect();
    assert_eq!(read[0], "-113,\"Undefined header;BAD\"");
    assert_eq!(read[2], "-350,\"Queue overflow\"");
    assert_eq!(read[3], "0,\"No error\"");
}

#[test]
fn compound_messages_follow_the_path() {
    check(&[
        (":TIM:SCAL 2E-3;POS 1E-3;*ESE 1;SCAL?;:TIM:POS?", "2.0E-3;1.0E-3"),
        (":TRIG:EDGE:SLOP NEG;LEV 0.5;:TRIG:EDGE:SLOP?;LEV?", "NEG;5.0E-1"),
        // Rule 2: without a colon it goes on at the level of the last node.
        (":TRIG:EDGE:SLOP?;TRIG:SWE?", "NEG"),
        ("SYST:ERR?", "-113,\"Undefined header;TRIG:EDGE:TRIG:SWE\""),
        // The path starts at the root in each message.
        ("SCAL?", ""),
        ("SYST:ERR?", "-113,\"Undefined header;SCAL\""),
        // After an execution error the rest is executed; after a command error it is not.
        (":TIM:SCAL 999;POS 2E-3;POS?", "2.0E-3"),
        (":TIM:SCALX 1;POS 3E-3", ""),
        (":TIM:POS?", "2.0E-3"),
        (
            "SYST:ERR?;:SYST:ERR?",
            "-222,\"Data out of range;999 is not within 0.000000005 to 50\";-113,\"Undefined header;TIM:SCALX\"",
        ),
    ]);
}

#[test]
fn nothing_follows_a_reply_without_a_definite_end() {
    let mut scope = controller(|_| {});
    scope.ask("*CLS");
    let reply = scope.ask("*IDN?;*ESE?");
    assert!(reply.starts_with("Simulated") && !reply.contains(';'), "{reply}");
    assert_eq!(scope.ask("*ESR?"), "4");
    assert_eq!(scope.ask("SYST:ERR?"), "-440,\"Query UNTERMINATED after indefinite response\"");
}

#[test]
fn a_new_message_interrupts_an_unread_reply() {
    let mut scope = controller(|_| {});
    scope.ask("*CLS");
    scope.send("*ESE 7;*ESE?");
    scope.send("*SRE?");
    assert_eq!(scope.ask("*ESR?"), "4");
    let entry = "-410,\"Query INTERRUPTED\"";
    assert_eq!(scope.ask("SYST:ERR:ALL?"), format!("{entry},{entry}"), "ESE? by SRE?, and SRE? by ESR?");
}

#[test]
fn a_lenient_instrument_sends_every_reply() {
    let mut scope = controller(|setup| setup.scope_port.interrupt = false);
    scope.send("*ESE 7;*ESE?");
    scope.send("*SRE?");
    assert_eq!(scope.ask("SYST:ERR?"), "7\n0\n0,\"No error\"");
}

#[test]
fn too_many_replies_deadlock() {
    let mut scope = controller(|setup| setup.scope_port.output_bytes = 64);
    scope.ask("*CLS");
    let message = ["SYST:VERS?"; 12].join(";:");
    assert_eq!(scope.ask(&message), "", "{message}");
    assert_eq!(scope.ask("SYST:ERR?"), "-430,\"Query DEADLOCKED\"");
    assert_eq!(scope.ask("*ESR?"), "4");
    assert_eq!(scope.ask("*ESE?"), "0", "it goes on");
}

#[test]
fn too_long_a_message_overruns_and_is_lost_as_a_whole() {
    let mut scope = controller(|setup| setup.scope_port.input_bytes = 100);
    scope.ask("*CLS");
    let message = format!("*ESE 1;*SRE 2;:CHAN1:SCAL {}1", "0".repeat(200));
    assert_eq!(scope.ask(&message), "");
    assert_eq!(scope.ask("SYST:ERR?"), "-363,\"Input buffer overrun;100 bytes\"");
    assert_eq!(scope.ask("*ESE?;*SRE?"), "0;0");
}

#[test]
fn operation_complete_waits_for_the_acquisition() {
    let mut scope = controller(|_| {});
    scope.ask("*CLS");
    // 10 ms of record, triggered by the head switch at 2/30 s: pre-trigger 5 ms.
    scope.ask(":TRIG:SWE NORM;:TRIG:EDGE:SOUR EXT;LEV 2.5;SLOP POS;:TIM:SCAL 1E-3");
    scope.wait(0.04);
    scope.send(":SING;*OPC?;:TRIG:STAT?");
    let got = scope.listen(2.0);
    assert_eq!(String::from_utf8_lossy(&got), "1;STOP\n");
    let expected_s = 2.0 / 30.0 + 5e-3;
    assert!((scope.now.as_secs_f64() - expected_s).abs() < 1e-4, "{} s", scope.now);
    scope.ask(":SING;*OPC");
    assert_eq!(scope.ask("*ESR?"), "0");
    scope.wait(0.2);
    assert_eq!(scope.ask("*ESR?"), "1");
}

#[test]
fn waiting_holds_later_messages_back() {
    let mut scope = controller(|_| {});
    scope.ask(":TRIG:SWE NORM;:TRIG:EDGE:SOUR EXT;LEV 2.5");
    scope.send(":SING;*WAI");
    scope.send(":TRIG:STAT?");
    let got = scope.listen(2.0);
    assert_eq!(String::from_utf8_lossy(&got), "STOP\n");
    // A trigger that never comes: nothing until device clear.
    scope.ask(":TRIG:EDGE:LEV 99");
    scope.send(":SING;*OPC?");
    assert_eq!(scope.listen(5.0), b"");
    assert!(scope.port.reopen(scope.now));
    assert_eq!(scope.ask(":TRIG:STAT?"), "WAIT");
}

#[test]
fn status_registers() {
    check(&[
        ("STAT:OPER:ENAB 48", ""),
        ("STAT:OPER:ENAB?", "48"),
        ("STAT:QUES:ENAB 65535;ENAB?", "32767"),
        ("STAT:OPER:COND?;EVEN?", "0;0"),
        (":TRIG:SWE NORM;:TRIG:EDGE:SOUR EXT;LEV 99;:SING", ""),
        ("STAT:OPER:COND?", "32"),
        ("*STB?", "128"),
        ("STAT:OPER?", "32"),
        ("STAT:OPER?", "0"),
        (":STOP;:STAT:OPER:COND?", "0"),
        ("STAT:PRES", ""),
        ("STAT:OPER:ENAB?;PTR?;NTR?", "0;32767;0"),
        ("STAT:OPER:COND 1", ""),
        ("SYST:ERR?", "-113,\"Undefined header;it can only be read\""),
    ]);
}

#[test]
fn blocks_with_newlines_do_not_end_a_message() {
    check(&[
        ("*CLS", ""),
        ("*ESE 9;:CHAN1:COUP #13a\nb", ""),
        ("*ESE?", "9"),
        ("SYST:ERR?", "-104,\"Data type error\""),
        ("SYST:ERR?", "0,\"No error\""),
    ]);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Whatever arrives, the instrument goes on, and after a device clear it answers.
    #[test]
    fn no_input_stops_the_instrument(bytes in proptest::collection::vec(any::<u8>(), 0..400), seed in any::<u64>()) {
        let mut scope = controller(|setup| setup.seed = seed);
        scope.port.write(scope.now, &bytes);
        scope.listen(1.0);
        scope.port.reopen(scope.now);
        prop_assert_eq!(scope.ask("*ESE 77;*ESE?"), "77");
    }

    /// Real commands with a few bytes changed.
    #[test]
    fn no_garbled_command_stops_the_instrument(places in proptest::collection::vec((0usize..120, any::<u8>()), 1..6)) {
        let mut bytes = b":TRIG:EDGE:SOUR EXT;LEV 2.5E0;:CHAN1:SCAL 500MV;:SING;*OPC;:WAV:PRE?;:SYST:ERR?;*WAI\n:WAV:DATA?;STAR 7\n".to_vec();
        for (place, byte) in places {
            let length = bytes.len();
            bytes[place % length] = byte;
        }
        let mut scope = controller(|_| {});
        scope.port.write(scope.now, &bytes);
        scope.listen(1.0);
        scope.port.reopen(scope.now);
        prop_assert_eq!(scope.ask("*ESE 77;*ESE?"), "77");
    }
}

#[test]
fn a_talker_with_nothing_to_say_is_a_query_error() {
    let mut scope = controller(|_| {});
    scope.ask("*CLS");
    scope.port.ask_to_talk(scope.now);
    assert_eq!(scope.ask("*ESR?"), "4");
    assert_eq!(scope.ask("SYST:ERR?"), "-420,\"Query UNTERMINATED\"");
    // With a question on its way it has something to say.
    scope.send("*ESE?");
    scope.port.ask_to_talk(scope.now);
    assert_eq!(scope.listen(1.0), b"0\n");
    assert_eq!(scope.ask("SYST:ERR?"), "0,\"No error\"");
}

#[test]
fn the_numbers_of_errors_alone() {
    check(&[
        ("*CLS", ""),
        ("BAD", ""),
        ("CHAN1:SCAL 99", ""),
        ("CHAN9:SCAL 1", ""),
        ("SYST:ERR:CODE?", "-113"),
        ("SYST:ERR:CODE:ALL?", "-222,-114"),
        ("SYST:ERR:CODE:NEXT?;ALL?", "0;0"),
    ]);
}

#[test]
fn units_as_the_standard_has_them() {
    check(&[
        // M is milli, MA mega; of hertz alone M is mega.
        (":CHAN1:SCAL 500MV;SCAL?", "5.0E-1"),
        (":CHAN1:SCAL 0.000001MAV;SCAL?", "1.0E+0"),
        (":CHAN1:SCAL 2e6UV;SCAL?", "2.0E+0"),
        (":CHAN1:SCAL 0.003KV;SCAL?", "3.0E+0"),
        (":TIM:SCAL 2MS;SCAL?", "2.0E-3"),
        (":TIM:SCAL 500 ns;SCAL?", "5.0E-7"),
        (":TIM:SCAL 1MHZ", ""),
        ("SYST:ERR?", "-131,\"Invalid suffix;MHZ\""),
        (":CHAN1:SCAL 1VOLTAGEOFTHIS", ""),
        ("SYST:ERR?", "-134,\"Suffix too long;VOLTAGEOFTHIS\""),
    ]);
}

#[test]
fn a_set_answers_at_once_or_sends_lines_back_by_its_quirks() {
    use sim_instrument::{Quirk, Quirks};
    let with = |quirk: Quirk| controller(|setup| setup.scope_port.quirks = Quirks::default().with(quirk));
    let mut scope = with(Quirk::IgnoresOpc);
    scope.ask(":TRIG:SWE NORM;:TRIG:EDGE:SOUR EXT;LEV 99;:SING");
    assert_eq!(scope.ask("*OPC?"), "1", "though nothing will ever trigger");
    let mut scope = with(Quirk::Echo);
    assert_eq!(scope.ask("*ESE 7;*ESE?"), "*ESE 7;*ESE?\n7");
    let mut scope = with(Quirk::LineFeedReturn);
    scope.send("*ESE?");
    assert_eq!(scope.listen(1.0), b"0\n\r");
    let mut scope = with(Quirk::NulPadding);
    scope.send("*ESE?");
    assert_eq!(scope.listen(1.0), b"0\n\0\0");
    let mut scope = with(Quirk::SmallInput);
    scope.ask("*CLS");
    let long = format!("*ESE 7;:CHAN1:SCAL {}1;*ESE 9", "0".repeat(230));
    assert_eq!(scope.ask(&long), "");
    assert_ne!(scope.ask("*ESE?"), "9", "what came after 256 bytes was another message");
    let mut scope = with(Quirk::EmptyWhenOff);
    scope.send(":WAV:DATA?");
    assert_eq!(scope.listen(1.0), b"\n");
    assert!(scope.ask("SYST:ERR?").starts_with("-230,"));
    let mut scope = with(Quirk::HeaderOn);
    assert_eq!(scope.ask(":CHAN1:SCAL?"), ":CHAN1:SCAL 1.0E+0");
    let mut scope = with(Quirk::Units);
    assert_eq!(scope.ask(":CHAN1:SCAL?;:TIM:SCAL?"), "1.0E+0V;1.0E-3S");
    let mut scope = with(Quirk::SlowReplies);
    scope.send("*ESE?");
    assert_eq!(scope.listen(2.4), b"");
    assert_eq!(scope.listen(2.6), b"0\n");
}

#[test]
fn blocks_by_their_quirks() {
    use sim_instrument::{Quirk, Quirks};
    for (quirk, begins, ends) in [
        (Quirk::CountOfPacket, "#800000110", "\n"),
        (Quirk::CountOffByOne, "#800000101", "\n"),
        (Quirk::EightDigits, "#900000100", "\n"),
        (Quirk::DigitsAsNeeded, "#3100", "\n"),
        (Quirk::TextBeforeBlock, "form,byte;length,100;", "\n"),
        (Quirk::WrappedBlock, "#800000102", "\n"),
        (Quirk::IndefiniteBlock, "#0", "\n"),
        (Quirk::ExtraNewline, "#800000100", "\n\n"),
    ] {
        let mut scope = controller(|setup| setup.scope_port.quirks = Quirks::default().with(quirk));
        scope.ask(":ACQ:POIN 100;:TRIG:SWE AUTO;:SING");
        scope.wait(0.2);
        scope.send(":WAV:DATA?");
        let got = scope.listen(1.0);
        assert!(got.starts_with(begins.as_bytes()), "{quirk:?}: {}", got[..24].escape_ascii());
        assert!(got.ends_with(ends.as_bytes()), "{quirk:?}");
        let before = if quirk == Quirk::TextBeforeBlock { got.iter().position(|&b| b == b'#').unwrap_or(0) } else { 0 };
        assert!(quirk != Quirk::TextBeforeBlock || before > 100, "{before} bytes of text");
    }
}
