//! The family C front end: its words, its headers and units, its descriptor, its registers of errors.

use crate::support::{Controller, exact_of, replies, volts};
use sim_instrument::FrontEnd;
use sim_instrument::source::Point;
use tapewright_formats::Signal;

#[test]
fn headers_and_units_are_on_from_power_on() {
    replies(
        FrontEnd::FamilyC,
        &[
            ("CHDR?", "CHDR SHORT"),
            ("C1:VDIV 500 mV;VDIV?", "C1:VDIV 5.0E-1V"),
            ("*ESE 9;*ESE?", "*ESE 9"),
            ("CHDR LONG;C2:VDIV?", "C2:VOLT_DIV 1.0E+0 V"),
            ("TDIV?", "TIME_DIV 1.0E-3 S"),
            ("CHDR OFF", ""),
            ("C1:VOLT_DIV?", "5.0E-1"),
            ("*ESE?", "9"),
            // The channel stands before later words, but not before those that have none.
            ("C1:VDIV 1;OFST 2;TDIV 2E-3;OFST?;TDIV?", "2.0E+0;2.0E-3"),
        ],
    );
}

#[test]
fn settings_read_back() {
    let (_, mut scope) = exact_of(FrontEnd::FamilyC);
    scope.ask("CHDR OFF");
    for (set, query, reply) in [
        ("C2:TRA ON", "C2:TRA?", "ON"),
        ("C2:OFST -2.5V", "C2:OFST?", "-2.5E+0"),
        ("C2:CPL A1M", "C2:CPL?", "A1M"),
        ("C2:ATTN 10", "C2:VDIV?", "1.0E+1"),
        ("TDIV 20US", "TDIV?", "2.0E-5"),
        ("TRDL 50E-6", "TRDL?", "5.0E-5"),
        ("MSIZ 1000", "MSIZ?", "1000"),
        ("TRSE EDGE,SR,EX", "TRSE?", "EDGE,SR,EX"),
        ("EX:TRLV 2.5", "EX:TRLV?", "2.5E+0"),
        ("C1:TRSL NEG", "C1:TRSL?", "NEG"),
        ("TRSE TV,SR,C2,LPIC,625,FLD,2", "TRSE?", "TV,SR,C2,LPIC,625,FLD,2,POL,NEG"),
        ("TRSE TV,SR,C2,LINE,17", "TRSE?", "TV,SR,C2,LPIC,625,LINE,17,POL,NEG"),
        ("TRMD STOP", "TRMD?", "STOP"),
        ("ACQW PEAK_DETECT", "ACQW?", "PEAK_DETECT"),
        ("CFMT DEF9,WORD,BIN", "CFMT?", "DEF9,WORD,BIN"),
        ("CORD LO", "CORD?", "LO"),
        ("WFSU SP,4,NP,50,FP,10,SN,0", "WFSU?", "SP,4,NP,50,FP,10,SN,0"),
        ("", "SARA?", "5.0E+6"),
        ("", "SAST?", "Stop"),
    ] {
        if !set.is_empty() {
            assert_eq!(scope.ask(set), "", "{set}");
        }
        assert_eq!(scope.ask(query), reply, "{query}");
        assert_eq!(scope.ask("CMR?;EXR?;DDR?"), "0;0;0", "{set}");
    }
}

#[test]
fn errors_are_registers_that_reading_clears() {
    replies(
        FrontEnd::FamilyC,
        &[
            ("CHDR OFF", ""),
            ("*ESR?", "128"),
            ("C1:VDIVV 1", ""),
            ("*ESR?;CMR?;EXR?", "32;1;0"),
            ("CMR?", "0"),
            ("C1:VDIV 99", ""),
            ("*ESR?;CMR?;EXR?", "16;0;25"),
            ("C1:WF? DAT1", ""),
            ("*ESR?;EXR?", "16;22"),
            ("C1:VDIV 1 HZ", ""),
            ("CMR?", "4"),
            ("SYSTem:ERRor?", ""),
            ("CMR?", "1"),
        ],
    );
}

#[test]
fn a_single_shot_goes_through_its_states() {
    let (_, mut scope) = exact_of(FrontEnd::FamilyC);
    scope.ask("CHDR OFF;TDIV 1E-3;TRSE EDGE,SR,EX;EX:TRLV 2.5");
    scope.wait(0.04);
    assert_eq!(scope.ask("TRMD SINGLE;SAST?;INR?;TRMD?"), "Ready;8192;SINGLE");
    scope.wait(2.0 / 30.0 + 1e-3 - scope.now.as_secs_f64());
    assert_eq!(scope.ask("SAST?;INR?"), "Trig'd;0");
    scope.wait(0.01);
    assert_eq!(scope.ask("SAST?;INR?;INR?;TRMD?"), "Stop;1;0;STOP");
}

/// The descriptor's numbers, read by its offsets in the order of bytes that it tells.
struct Descriptor<'a>(&'a [u8]);

impl Descriptor<'_> {
    fn at<const N: usize>(&self, place: usize) -> [u8; N] {
        let mut bytes: [u8; N] = self.0[place..place + N].try_into().expect("it is long enough");
        if self.0[34..36] == [1, 0] {
            bytes.reverse();
        }
        bytes
    }
}

#[test]
fn the_descriptor_gives_the_volts_in_either_order() {
    for (width, order) in [("BYTE", "HI"), ("BYTE", "LO"), ("WORD", "HI"), ("WORD", "LO")] {
        let (bench, mut scope) = exact_of(FrontEnd::FamilyC);
        scope.ask(&format!("CHDR OFF;C1:VDIV 0.2;OFST 0.1;TDIV 2E-6;CFMT DEF9,{width},BIN;CORD {order}"));
        scope.ask("TRSE EDGE,SR,LINE;TRMD SINGLE");
        scope.until("SAST?", "Stop", 1.0);
        scope.send("C1:WF? ALL");
        let got = scope.listen(60.0);
        assert!(got.starts_with(b"ALL,#9"), "{}", got[..12].escape_ascii());
        let count: usize = String::from_utf8_lossy(&got[6..15]).parse().expect("nine digits");
        let block = &got[15..15 + count];
        assert_eq!(got.len(), 15 + count + 1);
        let desc = Descriptor(&block[..346]);
        assert!(block.starts_with(b"WAVEDESC"));
        let points = u32::from_be_bytes(desc.at(116)) as usize;
        let (gain, offset) = (f32::from_be_bytes(desc.at(156)), f32::from_be_bytes(desc.at(160)));
        let (step_s, start_s) = (f32::from_be_bytes(desc.at(176)), f64::from_be_bytes(desc.at(180)));
        let data = &block[346..];
        let raw: Vec<f64> = match (width, order) {
            ("BYTE", _) => data.iter().map(|b| f64::from(b.cast_signed())).collect(),
            (_, "HI") => data.chunks_exact(2).map(|b| f64::from(i16::from_be_bytes([b[0], b[1]]))).collect(),
            _ => data.chunks_exact(2).map(|b| f64::from(i16::from_le_bytes([b[0], b[1]]))).collect(),
        };
        assert_eq!((raw.len(), points), (2000, 2000));
        let step_v = f64::from(gain) * if width == "WORD" { 256.0 } else { 1.0 };
        assert!((step_v - 0.008).abs() < 1e-8, "{step_v}");
        let taken = bench.acquisitions().pop().expect("it acquired");
        for (i, raw) in raw.iter().enumerate() {
            let got_v = raw * f64::from(gain) - f64::from(offset);
            let at_s = taken.trigger_s + start_s + i as f64 * f64::from(step_s);
            let true_v = volts(Point::Signal(Signal::Rf), at_s);
            assert!((got_v - true_v).abs() <= 0.5 * step_v * 1.01, "{width} {order} point {i}: {got_v}, was {true_v}");
        }
    }
}

#[test]
fn a_part_is_counted_from_zero_and_may_be_thinned_out() {
    let (_, mut scope) = exact_of(FrontEnd::FamilyC);
    scope.ask("CHDR OFF;TDIV 2E-6;TRSE EDGE,SR,LINE;TRMD SINGLE");
    scope.until("SAST?", "Stop", 1.0);
    let data = |scope: &mut Controller, setup: &str| {
        scope.ask(&format!("WFSU {setup}"));
        scope.send("C1:WF? DAT1");
        let got = scope.listen(60.0);
        got[16..got.len() - 1].to_vec()
    };
    let all = data(&mut scope, "SP,0,NP,0,FP,0");
    assert_eq!(all.len(), 2000);
    assert_eq!(data(&mut scope, "SP,0,NP,10,FP,100"), all[100..110]);
    assert_eq!(data(&mut scope, "SP,1,NP,0,FP,1990"), all[1990..]);
    let every_fourth: Vec<u8> = all.iter().skip(8).step_by(4).take(5).copied().collect();
    assert_eq!(data(&mut scope, "SP,4,NP,5,FP,8"), every_fourth);
}
