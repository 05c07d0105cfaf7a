//! The wire: its pace in both directions, and its faults.

use crate::support::{Controller, bench, quick};
use sim_instrument::{BenchSetup, SimBench};

fn controller(change: impl FnOnce(&mut BenchSetup)) -> (SimBench, Controller) {
    let (bench, _) = bench(|setup| {
        quick(&mut setup.scope_port);
        change(setup);
    });
    let controller = Controller::new(bench.scope_port());
    (bench, controller)
}

#[test]
fn the_baud_rate_is_kept_in_both_directions() {
    for baud in [9_600, 115_200, 921_600] {
        let (_, mut scope) = controller(|setup| {
            setup.scope_port.baud = Some(baud);
            setup.scope_port.latency_s = 0.005;
        });
        scope.send(":SING;*WAI");
        scope.listen(2.0);
        let start_s = scope.now.as_secs_f64();
        let message = ":WAV:DATA?";
        let data = scope.block(message);
        let took_s = scope.now.as_secs_f64() - start_s;
        let bytes = message.len() + 1 + 10 + data.len() + 1;
        let wire_s = bytes as f64 * 10.0 / f64::from(baud);
        assert!(took_s >= wire_s + 0.005 - 1e-6, "{baud}: {took_s} for {wire_s}");
        assert!(took_s <= wire_s + 0.005 + 0.001, "{baud}: {took_s} for {wire_s}");
    }
}

#[test]
fn bytes_come_one_by_one_on_a_slow_line() {
    let (_, mut scope) = controller(|setup| setup.scope_port.baud = Some(1_200));
    scope.send("*OPC?");
    // 6 + 2 bytes at 8.333 ms each.
    let byte_s = 10.0 / 1200.0;
    scope.wait(6.5 * byte_s);
    assert_eq!(scope.port.read(scope.now), b"");
    scope.wait(byte_s);
    assert_eq!(scope.port.read(scope.now), b"1");
    scope.wait(byte_s);
    assert_eq!(scope.port.read(scope.now), b"\n");
    assert_eq!(scope.port.next_output(scope.now), None);
}

#[test]
fn silence_and_its_end() {
    let (bench, mut scope) = controller(|_| {});
    bench.command(scope.now, "link answer 2").expect("a fault");
    assert_eq!(scope.ask("*OPC?"), "1");
    assert_eq!(scope.ask("*OPC?"), "1");
    assert_eq!(scope.ask("*ESE 5;*ESE?"), "");
    bench.command(scope.now, "link clear").expect("a fault");
    assert_eq!(scope.ask("*ESE?"), "5", "the command was carried out");
    let counters = scope.port.counters();
    assert_eq!((counters.messages, counters.replies, counters.faults), (4, 4, 1));
    scope.port.set_faults(|faults| faults.closed = true);
    assert!(!scope.port.is_open(scope.now) && !scope.port.reopen(scope.now));
    assert_eq!(scope.ask("*OPC?"), "");
    scope.port.set_faults(|faults| faults.closed = false);
    assert_eq!(scope.ask("*OPC?"), "1");
}

#[test]
fn late_replies_are_late() {
    let (bench, mut scope) = controller(|_| {});
    bench.command(scope.now, "link late 1 2.5").expect("a fault");
    let start_s = scope.now.as_secs_f64();
    scope.send("*OPC?");
    assert_eq!(scope.listen(2.0), b"");
    assert_eq!(scope.listen(5.0), b"1\n");
    assert!((scope.now.as_secs_f64() - start_s - 2.5).abs() < 1e-3);
}

/// What a fault does to a block of known bytes.
fn spoiled(command: &str, seed: u64) -> (usize, usize, u64) {
    let (bench, mut scope) = controller(|setup| {
        setup.seed = seed;
        setup.specs = setup.specs.clone().without_errors();
    });
    scope.send(":SING;*WAI");
    scope.listen(2.0);
    let data = scope.block(":WAV:DATA?");
    bench.command(scope.now, command).expect("a fault");
    scope.send(":WAV:DATA?");
    let got = scope.listen(2.0);
    let differ = got.iter().skip(10).zip(&data).filter(|(a, b)| a != b).count();
    (got.len(), differ, scope.port.counters().faults)
}

#[test]
fn bytes_are_lost_doubled_and_turned_over_from_the_seed() {
    let whole = 2511;
    assert_eq!(spoiled("link clear", 3), (whole, 0, 0));
    let (length, _, faults) = spoiled("link drop 0.01", 3);
    assert_eq!(length as u64, whole as u64 - faults);
    assert!((5..60).contains(&faults), "{faults}");
    let (length, _, faults) = spoiled("link double 0.01", 3);
    assert_eq!(length as u64, whole as u64 + faults);
    assert!(faults > 5);
    let (length, differ, faults) = spoiled("link garble 0.01", 3);
    assert_eq!(length, whole);
    assert!(differ > 5 && differ as u64 <= faults, "{differ} of {faults}");
    assert!(spoiled("link cut 1", 3).0 < whole);
    assert_eq!(spoiled("link drop 0.01", 3), spoiled("link drop 0.01", 3), "one seed, one run");
    assert_ne!(spoiled("link drop 0.01", 3), spoiled("link drop 0.01", 4));
}

#[test]
fn only_some_replies_are_spoiled() {
    let (bench, mut scope) = controller(|_| {});
    bench.command(scope.now, "link only 1").expect("a fault");
    bench.command(scope.now, "link drop 1").expect("a fault");
    assert_eq!(scope.ask("*OPC?"), "");
    assert_eq!(scope.ask("*OPC?"), "1");
}

#[test]
fn commands_are_garbled_too() {
    let (bench, mut scope) = controller(|_| {});
    bench.command(scope.now, "link garble-in 1").expect("a fault");
    scope.ask("*OPC?");
    bench.command(scope.now, "link clear").expect("a fault");
    scope.port.reopen(scope.now);
    scope.ask("*CLS");
    assert_eq!(scope.ask("*OPC?"), "1");
    assert_eq!(scope.port.counters().faults, 6);
}

#[test]
fn a_restart_loses_settings_and_says_so() {
    let (bench, mut scope) = controller(|_| {});
    scope.ask("*CLS;*ESE 3;:CHAN1:SCAL 2;:SING;*WAI");
    scope.wait(1.0);
    bench.command(scope.now, "restart").expect("a command");
    assert_eq!(scope.ask("*ESR?"), "128");
    assert_eq!(scope.ask("*ESE?;:CHAN1:SCAL?"), "0;1.0E+0");
    assert_eq!(scope.ask("SYST:ERR?"), "-500,\"Power on\"");
    assert_eq!(scope.ask(":WAV:DATA?"), "");
    assert_eq!(scope.ask("SYST:ERR?"), "-230,\"Data corrupt or stale;no acquisition is complete\"");
}

#[test]
fn a_wrong_identity() {
    let (bench, mut scope) = controller(|_| {});
    let own = scope.ask("*IDN?");
    bench.command(scope.now, "identity Another Maker,X1,7,0").expect("a command");
    assert_eq!(scope.ask("*IDN?"), "Another Maker,X1,7,0");
    bench.command(scope.now, "identity -").expect("a command");
    assert_eq!(scope.ask("*IDN?"), own);
}
