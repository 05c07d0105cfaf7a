//! The family B front end: its words, its headers, its scaling, its events.

use crate::support::{Controller, exact_of, replies, volts};
use sim_instrument::FrontEnd;
use sim_instrument::source::Point;
use tapewright_formats::Signal;

#[test]
fn headers_are_on_from_power_on() {
    replies(
        FrontEnd::FamilyB,
        &[
            ("HEADer?", ":HEADER 1"),
            ("CH1:SCAle 500 mV;SCAle?", ":CH1:SCALE 5.0E-1"),
            ("VERBose OFF", ""),
            ("CH1:SCA?;:HOR:SCA?", ":CH1:SCA 5.0E-1;:HOR:MAI:SCA 1.0E-3"),
            ("ACQ:MOD PEAK;MOD?", ":ACQ:MOD PEAK"),
            ("HEAD OFF", ""),
            ("CH1:SCA?", "5.0E-1"),
            ("VERB ON;:ACQ:MOD?", "PEAKDETECT"),
            ("*ESE 9;*ESE?", "9"),
        ],
    );
}

#[test]
fn settings_read_back() {
    let (_, mut scope) = exact_of(FrontEnd::FamilyB);
    scope.ask("HEADer OFF");
    for (set, query, reply) in [
        ("SELect:CH2 ON", "SELect:CH2?", "1"),
        ("CH2:OFFSet -2.5", "CH2:OFFSet?", "-2.5E+0"),
        ("CH2:POSition 1.5", "CH2:POSition?", "1.5E+0"),
        ("CH2:COUPling AC", "CH2:COUPling?", "AC"),
        ("CH2:PRObe 10", "CH2:SCAle?", "1.0E+1"),
        ("HORizontal:MAIn:SCAle 20us", "HOR:SCA?", "2.0E-5"),
        ("HORizontal:POSition 50E-6", "HOR:MAI:POS?", "5.0E-5"),
        ("HORizontal:RECOrdlength 1000", "HOR:RECO?", "1000"),
        ("ACQuire:STOPAfter SEQuence", "ACQ:STOPA?", "SEQUENCE"),
        ("TRIGger:MAIn:MODe NORMal", "TRIG:MAI:MOD?", "NORMAL"),
        ("TRIGger:MAIn:EDGE:SOUrce EXT", "TRIG:MAI:EDGE:SOU?", "EXT"),
        ("TRIGger:MAIn:EDGE:SLOpe FALL", "TRIG:MAI:EDGE:SLO?", "FALL"),
        ("TRIGger:MAIn:LEVel 2.5", "TRIG:MAI:LEV?", "2.5E+0"),
        ("TRIGger:MAIn:VIDeo:LINES 625", "TRIG:MAI:VID:LINES?", "625"),
        ("TRIGger:MAIn:VIDeo:SYNC FIELD2", "TRIG:MAI:VID:SYNC?", "FIELD2"),
        ("DATa:SOUrce CH2", "DAT:SOU?", "CH2"),
        ("DATa:ENCdg SRPbinary", "DAT:ENC?", "SRPBINARY"),
        ("DATa:STARt 5", "DAT:STAR?", "5"),
        ("ACQuire:STATE OFF", "ACQ:STATE?;:BUSY?", "0;0"),
    ] {
        assert_eq!(scope.ask(set), "", "{set}");
        assert_eq!(scope.ask(query), reply, "{query}");
        assert!(scope.ask("*ESR?;:ALLEv?").ends_with(";0,\"No events to report\""), "{set}");
    }
}

#[test]
fn errors_are_events_behind_the_register() {
    replies(
        FrontEnd::FamilyB,
        &[
            ("HEADer OFF", ""),
            ("*ESR?", "128"),
            ("CH1:SCALL 1", ""),
            ("EVMsg?", "1,\"No events to report; new events pending *ESR?\""),
            ("*ESR?", "32"),
            ("EVQty?", "1"),
            ("ALLEv?", "113,\"Undefined header;CH1:SCALL\""),
            ("ALLEv?", "0,\"No events to report\""),
            ("CH1:SCAle 99", ""),
            ("CURVe?", ""),
            ("*ESR?", "16"),
            ("EVENT?", "222"),
            ("EVMsg?", "230,\"Data corrupt or stale;no acquisition is complete\""),
            ("SYSTem:ERRor?", ""),
            ("*ESR?;:EVENT?", "32;113"),
        ],
    );
}

/// Volts from the scaling's own fields, in every coding and width, with a position beside the offset.
#[test]
fn every_coding_gives_the_volts() {
    for (coding, width) in [("RIB", 1), ("RPB", 1), ("RIB", 2), ("SRI", 2), ("RPB", 2), ("SRP", 2), ("ASCI", 1)] {
        let (bench, mut scope) = exact_of(FrontEnd::FamilyB);
        scope.ask("HEADer OFF;:SELect:CH2 ON;:CH1:SCAle 0.2;POSition 1;OFFSet 0.1;:HORizontal:SCAle 2E-6");
        scope.ask("TRIGger:MODe AUTO;:ACQuire:STOPAfter SEQuence;STATE ON");
        scope.until("BUSY?", "0", 1.0);
        scope.ask(&format!("DATa:SOUrce CH1;ENCdg {coding};WIDth {width};STARt 1;STOP 9999"));
        let field = |scope: &mut Controller, name: &str| -> f64 {
            let text = scope.ask(&format!("WFMPre:{name}?"));
            text.parse().unwrap_or_else(|_| panic!("{name}: {text}"))
        };
        let multiple = field(&mut scope, "YMUlt");
        let (zero_v, zero_code) = (field(&mut scope, "YZEro"), field(&mut scope, "YOFf"));
        let (step_s, start_s) = (field(&mut scope, "XINcr"), field(&mut scope, "XZEro"));
        let points = field(&mut scope, "NR_Pt") as usize;
        let raw: Vec<f64> = if coding == "ASCI" {
            scope.ask("CURVe?").split(',').map(|text| text.parse().expect("a number")).collect()
        } else {
            scope.send("CURVe?");
            let got = scope.listen(60.0);
            let header = format!("#{}{}", (points * width).to_string().len(), points * width);
            assert!(got.starts_with(header.as_bytes()), "{coding} {width}");
            let data = &got[header.len()..got.len() - 1];
            let word = |b: &[u8]| match coding {
                "RIB" => f64::from(i16::from_be_bytes([b[0], b[1]])),
                "SRI" => f64::from(i16::from_le_bytes([b[0], b[1]])),
                "RPB" => f64::from(u16::from_be_bytes([b[0], b[1]])),
                _ => f64::from(u16::from_le_bytes([b[0], b[1]])),
            };
            match (width, coding) {
                (1, "RIB") => data.iter().map(|b| f64::from(b.cast_signed())).collect(),
                (1, _) => data.iter().map(|b| f64::from(*b)).collect(),
                _ => data.chunks_exact(2).map(word).collect(),
            }
        };
        assert_eq!(raw.len(), points, "{coding} {width}");
        let taken = bench.acquisitions().pop().expect("it acquired");
        let step_v = multiple * if width == 2 { 256.0 } else { 1.0 };
        for (i, raw) in raw.iter().enumerate() {
            let got_v = (raw - zero_code) * multiple + zero_v;
            let at_s = taken.trigger_s + start_s + i as f64 * step_s;
            let true_v = volts(Point::Signal(Signal::Rf), at_s);
            assert!(
                (got_v - true_v).abs() <= 0.5 * step_v * 1.001,
                "{coding} {width} point {i}: {got_v}, was {true_v}"
            );
        }
    }
}

#[test]
fn a_part_is_counted_from_one_and_clamped() {
    let (_, mut scope) = exact_of(FrontEnd::FamilyB);
    scope.ask("HEADer OFF;:HORizontal:SCAle 2E-6;:ACQuire:STOPAfter SEQuence;STATE ON");
    scope.until("BUSY?", "0", 1.0);
    scope.ask("DATa:ENCdg ASCIi;STARt 1;STOP 2500");
    let all = scope.ask("CURVe?");
    let all: Vec<&str> = all.split(',').collect();
    assert_eq!(all.len(), 2000, "two microseconds a division hold 2000 points at 100 MS/s");
    for (start, stop, from, to) in [(1, 1, 0, 1), (11, 20, 10, 20), (20, 11, 10, 20), (1991, 9999, 1990, 2000)] {
        let part = scope.ask(&format!("DATa:STARt {start};STOP {stop};:CURVe?"));
        assert_eq!(part, all[from..to].join(","), "{start} to {stop}");
    }
}
