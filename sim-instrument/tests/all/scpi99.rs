//! The standard's own tree.

use crate::support::{exact_of, volts};
use sim_instrument::FrontEnd;
use sim_instrument::source::Point;
use tapewright_formats::Signal;

#[test]
fn settings_read_back() {
    let (_, mut scope) = exact_of(FrontEnd::Scpi99);
    for (set, query, reply) in [
        ("INP2 ON", "INP2:STAT?", "1"),
        ("INP2:COUP GRO", "INP2:COUP?", "GRO"),
        ("SENS:VOLT2:DC:RANG:PTP 10.24", "VOLT2:RANG:PTP?", "1.024E+1"),
        ("VOLT2:RANG:OFFS -1", "SENSe:VOLTage2:RANGe:OFFSet?", "-1.0E+0"),
        ("SWE:POIN 1001;TIME 0.1", "SWE:TINT?", "1.0E-4"),
        ("SWE:TINT 2E-4", "SWE:TIME?", "2.0E-1"),
        ("SWE:OREF:LOC 0.25", "SWE:OREF:LOC?", "2.5E-1"),
        ("SWE:OFFS:TIME 1 ms", "SWE:OFFS:TIME?", "1.0E-3"),
        ("AVER:TYPE ENV;COUN 1;STAT ON", "AVER:TYPE?;COUN?;STAT?", "ENV;1;1"),
        ("TRIG:SOUR INT2", "TRIG:SEQ:SOUR?", "INT2"),
        ("TRIG:SOUR IMM", "TRIG:SOUR?", "IMM"),
        ("TRIG:SOUR EXT;LEV 2.5;SLOP NEG", "TRIG:SOUR?;LEV?;SLOP?", "EXT;2.5E+0;NEG"),
        ("TRIG:TYPE VID", "TRIG:TYPE?", "VID"),
        ("TRIG:VID:FIEL:SEL NUMB;NUMB 2", "TRIG:VID:FIEL:SEL?;NUMB?", "NUMB;2"),
        ("TRIG:VID:FORM:LPFR 625", "TRIG:VID:FORM:LPFR?", "625"),
        ("TRIG:VID:LINE:NUMB 600", "TRIG:VID:LINE?", "600"),
        ("TRIG:VID:SSIG:POL NEG", "TRIG:VID:SSIG?", "NEG"),
        ("FORM INT,16", "FORM:DATA?", "INT,16"),
        ("FORM:BORD SWAP", "FORM:BORD?", "SWAP"),
    ] {
        scope.send(set);
        assert_eq!(scope.ask(query), reply, "{set} {query}");
        scope.no_error();
    }
}

#[test]
fn a_capture_is_exact() {
    let (bench, mut scope) = exact_of(FrontEnd::Scpi99);
    scope.send("INP2 ON;:VOLT2:RANG:PTP 2.56;OFFS 1;:SWE:POIN 2001;TIME 0.2;OREF:LOC 0.25");
    scope.send("TRIG:SOUR EXT;LEV 2.5;SLOP POS;:INIT");
    assert_eq!(scope.ask("STAT:OPER:COND?"), "32");
    assert_eq!(scope.ask("INIT;:SYST:ERR?"), "-213,\"Init ignored;an acquisition is under way\"");
    scope.until("STAT:OPER:COND?", "16", 1.0);
    scope.until("STAT:OPER:COND?", "0", 1.0);
    let a = bench.acquisitions().pop().expect("one was taken");
    assert!((a.trigger_s * 30.0).fract().min(1.0 - (a.trigger_s * 30.0).fract()) < 1e-6, "{a:?}");
    assert!((a.trigger_s - a.first_s - 0.05).abs() < 1e-12);
    for (format, bytes, swapped) in [("INT,8", 1, false), ("INT,16", 2, false), ("INT,16", 2, true)] {
        scope.send(&format!("FORM {format};:FORM:BORD {}", if swapped { "SWAP" } else { "NORM" }));
        let data = scope.block("TRAC? CH2");
        assert_eq!(data.len(), 2001 * bytes);
        for i in 0..2001 {
            let code = match (bytes, swapped) {
                (1, _) => f64::from(data[i].cast_signed()) * 256.0,
                (_, false) => f64::from(i16::from_be_bytes([data[2 * i], data[2 * i + 1]])),
                (_, true) => f64::from(i16::from_le_bytes([data[2 * i], data[2 * i + 1]])),
            };
            let got_v = 1.0 + code * 2.56 / 65_536.0;
            let exact_v = volts(Point::Signal(Signal::Supply), a.first_s + i as f64 * 1e-4);
            assert!((got_v - exact_v).abs() <= 0.005 + 1e-9 || exact_v > 2.27, "{i}: {got_v} for {exact_v}");
        }
    }
    scope.send("FORM INT,8");
    let whole = scope.block("TRAC:DATA? CH2");
    assert_eq!(scope.block("DATA? CH2,11,5"), &whole[10..15]);
    assert_eq!(scope.block("TRAC? CH2,2000,99"), &whole[1999..]);
    assert_eq!(scope.ask("TRAC? CH2,5000,1"), "");
    assert_eq!(scope.ask("SYST:ERR?"), "-222,\"Data out of range;from point 5000 on, of 2001\"");
}

#[test]
fn an_envelope_has_two_values_a_pair() {
    let (bench, mut scope) = exact_of(FrontEnd::Scpi99);
    scope.send("VOLT:RANG:PTP 1.024;OFFS 0;:SWE:POIN 2000;TIME 0.1999;:AVER:STAT ON;:TRIG:SOUR IMM;:INIT;*WAI");
    scope.listen(1.0);
    let data = scope.block("TRAC? CH1");
    assert_eq!(data.len(), 2000);
    for pair in data.chunks_exact(2) {
        assert_eq!((pair[0].cast_signed(), pair[1].cast_signed()), (-100, 100));
    }
    let a = bench.acquisitions().pop().expect("one was taken");
    assert!((a.dt_s - 2e-4).abs() < 1e-15, "the spacing of pairs is twice the interval");
}

#[test]
fn abort_ends_a_wait() {
    let (_, mut scope) = exact_of(FrontEnd::Scpi99);
    scope.send("TRIG:SOUR EXT;LEV 99;:INIT");
    scope.wait(100.0);
    assert_eq!(scope.ask("STAT:OPER:COND?"), "32");
    scope.send("ABOR");
    assert_eq!(scope.ask("STAT:OPER:COND?"), "0");
    assert_eq!(scope.ask("TRAC? CH1;:SYST:ERR?"), "-230,\"Data corrupt or stale;no acquisition is complete\"");
}
