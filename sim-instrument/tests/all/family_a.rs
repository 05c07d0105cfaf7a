//! The family A front end and the acquisition engine behind it: exact volts, exact times.

use crate::support::{CARRIER, Controller, LINE_HZ, RAMP, exact, volts};
use sim_instrument::source::Point;
use sim_instrument::{FrontEnd, Scaling, Specs, TriggeredBy};
use tapewright_formats::Signal;

/// The ten fields of a preamble.
fn preamble(scope: &mut Controller) -> Vec<f64> {
    let text = scope.ask(":WAV:PRE?");
    text.split(',').take(10).map(|field| field.parse().unwrap_or_else(|_| panic!("{field} in {text}"))).collect()
}

fn raw(data: &[u8], word: bool, signed: bool) -> Vec<f64> {
    match (word, signed) {
        (false, false) => data.iter().map(|b| f64::from(*b)).collect(),
        (false, true) => data.iter().map(|b| f64::from(b.cast_signed())).collect(),
        (true, false) => data.chunks_exact(2).map(|b| f64::from(u16::from_be_bytes([b[0], b[1]]))).collect(),
        (true, true) => data.chunks_exact(2).map(|b| f64::from(i16::from_be_bytes([b[0], b[1]]))).collect(),
    }
}

#[test]
fn settings_read_back() {
    let (_, mut scope) = exact(|_| {});
    for (set, query, reply) in [
        (":CHAN2:DISP ON", ":CHAN2:DISP?", "1"),
        (":CHANnel2:SCALe 500 mV", ":CHAN2:SCAL?", "5.0E-1"),
        (":CHAN2:OFFS -2.5", ":CHAN2:OFFS?", "-2.5E+0"),
        (":CHAN2:COUP AC", ":CHAN2:COUP?", "AC"),
        (":CHAN2:PROB 10", ":CHAN2:PROB?", "1.0E+1"),
        // The words are at the tip: the same setting of the attenuator, ten times the volts.
        ("", ":CHAN2:SCAL?", "5.0E+0"),
        ("", ":CHAN2:OFFS?", "-2.5E+1"),
        ("", ":CHAN2:SCAL? MIN", "2.0E-2"),
        (":TIM:SCAL 20 us", ":TIM:SCAL?", "2.0E-5"),
        (":TIM:POS 50US", ":TIM:POS?", "5.0E-5"),
        (":ACQ:TYPE PEAK", ":ACQ:TYPE?", "PEAK"),
        (":ACQ:POIN 1000", ":ACQ:POIN?", "1000"),
        ("", ":ACQ:POIN? MAX", "2500"),
        ("", ":ACQ:SRAT?", "5.0E+6"),
        (":TRIG:MODE TV", ":TRIG:MODE?", "TV"),
        (":TRIG:SWE NORM", ":TRIG:SWE?", "NORM"),
        (":TRIG:EDGE:SOUR CHAN2", ":TRIG:EDGE:SOUR?", "CHAN2"),
        (":TRIG:EDGE:SOUR EXT", ":TRIG:EDGE:SOUR?", "EXT"),
        (":TRIG:EDGE:SOUR LINE", ":TRIG:EDGE:SOUR?", "LINE"),
        (":TRIG:EDGE:SLOP NEG", ":TRIG:EDGE:SLOP?", "NEG"),
        (":TRIG:EDGE:LEV 2.5", ":TRIG:EDGE:LEV?", "2.5E+0"),
        (":TRIG:TV:SOUR CHAN2", ":TRIG:TV:SOUR?", "CHAN2"),
        (":TRIG:TV:LINES 625", ":TRIG:TV:LINES?", "625"),
        (":TRIG:TV:MODE FIEL2", ":TRIG:TV:MODE?", "FIEL2"),
        (":TRIG:TV:LINE 624", ":TRIG:TV:LINE?", "624"),
        (":TRIG:TV:POL POS", ":TRIG:TV:POL?", "POS"),
        (":WAV:SOUR CHAN2", ":WAV:SOUR?", "CHAN2"),
        (":WAV:FORM WORD", ":WAV:FORM?", "WORD"),
        (":WAV:STAR 5", ":WAV:STAR?", "5"),
        (":WAV:STOP 9", ":WAV:STOP?", "9"),
    ] {
        if !set.is_empty() {
            scope.send(set);
        }
        assert_eq!(scope.ask(query), reply, "{set} {query}");
        scope.no_error();
    }
    scope.send("*RST");
    assert_eq!(scope.ask(":CHAN2:SCAL?;PROB?;:WAV:FORM?"), "1.0E+0;1.0E+0;BYTE");
}

/// Every scaling and both formats give the source's volts within half a step.
#[test]
fn codes_are_within_half_a_step_of_the_source() {
    for (scaling, word) in [
        (Scaling::A1, false),
        (Scaling::A1, true),
        (Scaling::A2, false),
        (Scaling::A2, true),
        (Scaling::A3, false),
        (Scaling::A3, true),
        (Scaling::A4, false),
        (Scaling::A4, true),
    ] {
        let factor = 10.0;
        let (bench, mut scope) = exact(|setup| {
            setup.front_end = FrontEnd::FamilyA(scaling);
            setup.probes.channels[1].factor = factor;
        });
        // The ramp, 0 to 2 V, through a ten-to-one probe: 0.5 V a division around 1.1 V at the tip.
        scope.send(":CHAN2:DISP ON;PROB 10;SCAL 0.5;OFFS 1.1;:TIM:SCAL 0.05;POS 0.1;:ACQ:POIN 2000");
        scope.send(":TRIG:SWE NORM;:TRIG:EDGE:SOUR CHAN2;SLOP POS;LEV 0.6");
        scope.send(":SING");
        scope.until(":TRIG:STAT?", "STOP", 3.0);
        scope.send(&format!(":WAV:SOUR CHAN2;FORM {}", if word { "WORD" } else { "BYTE" }));
        let fields = preamble(&mut scope);
        let raw = raw(&scope.block(":WAV:DATA?"), word, scaling == Scaling::A3);
        scope.no_error();
        assert_eq!(raw.len(), 2000);
        assert!((fields[2] - 2000.0).abs() < 0.5 && fields[1].abs() < 0.5, "{fields:?}");
        let acquisition = bench.acquisitions().pop().expect("one was taken");
        let (increment, origin, reference) = (fields[7], fields[8], fields[9]);
        let step_v = if word { increment * 256.0 } else { increment };
        assert!((step_v - 0.5 / 25.0).abs() < 1e-12, "{step_v}");
        for (i, raw) in raw.iter().enumerate() {
            let got_v = match scaling {
                Scaling::A1 => (raw - reference) * increment + origin,
                Scaling::A2 => (raw - origin - reference) * increment,
                Scaling::A3 | Scaling::A4 => raw * increment + origin,
            };
            let t_s = fields[5] + (i as f64 - fields[6]) * fields[4];
            let exact_v = volts(Point::Signal(Signal::Supply), acquisition.trigger_s + t_s);
            assert!((got_v - exact_v).abs() <= 0.5 * step_v + 1e-9, "{scaling:?} {i}: {got_v} for {exact_v}");
        }
    }
}

#[test]
fn the_ends_of_the_converter_clip() {
    let (_, mut scope) = exact(|_| {});
    scope.send(":CHAN1:DISP OFF;:CHAN2:DISP ON;SCAL 0.1;OFFS 1;:TIM:SCAL 0.1;:TRIG:SWE AUTO;:SING;*WAI");
    scope.listen(2.0);
    let data = scope.block(":WAV:SOUR CHAN2;:WAV:DATA?");
    assert_eq!((data.iter().min(), data.iter().max()), (Some(&0), Some(&255)));
    // A channel that was off has no data.
    assert_eq!(scope.ask(":WAV:SOUR CHAN1;:WAV:DATA?"), "");
    assert_eq!(scope.ask("SYST:ERR?"), "-230,\"Data corrupt or stale;channel 1 was off\"");
}

#[test]
fn errors_of_the_instrument_are_those_it_tells() {
    let (bench, mut scope) = exact(|setup| {
        setup.specs = Specs { noise_div: 0.0, noise_v: 0.0, timebase_error: 0.01, ..Specs::modest() };
        setup.probes.channels[0].point = Point::Signal(Signal::Reference);
    });
    let errors = bench.errors();
    assert!(errors.channels[0].gain.abs() > 1e-4 && errors.timebase.abs() > 1e-5, "{errors:?}");
    scope.send(
        ":CHAN1:SCAL 0.2;OFFS 1;:CHAN2:DISP ON;SCAL 0.5;OFFS 1;:TIM:SCAL 0.02;:TRIG:EDGE:SOUR EXT;LEV 2.5;:SING;*WAI",
    );
    scope.listen(2.0);
    let data = scope.block(":WAV:DATA?");
    let shown_v =
        1.25 * (1.0 + errors.channels[0].gain) + errors.channels[0].offset_div * 0.2 + errors.channels[0].offset_v;
    let expected = ((shown_v - 1.0) / (0.2 / 25.0) + 128.0).round();
    assert!(data.iter().all(|code| (f64::from(*code) - expected).abs() < 0.5), "{expected} {:?}", &data[..4]);
    // The time base: nominal span 0.2 s, exact spacing as logged, seen on the ramp.
    let acquisition = bench.acquisitions().pop().expect("one was taken");
    assert!((acquisition.dt_s / (0.2 / 2500.0) - 1.0 - errors.timebase).abs() < 1e-12);
    let data = scope.block(":WAV:SOUR CHAN2;:WAV:DATA?");
    let second = errors.channels[1];
    for (i, code) in data.iter().enumerate() {
        let exact_v = volts(Point::Signal(Signal::Supply), acquisition.first_s + i as f64 * acquisition.dt_s);
        let shown_v = second.seen_v(exact_v, 0.5);
        let got_v = (f64::from(*code) - 128.0) * 0.02 + 1.0;
        assert!((got_v - shown_v).abs() <= 0.01 + 1e-9, "{i}: {got_v} for {shown_v}");
    }
}

#[test]
fn noise_has_the_stated_size_and_its_seed() {
    let take = |seed: u64| {
        let (_, mut scope) = exact(|setup| {
            setup.seed = seed;
            setup.specs = Specs { noise_div: 0.2, ..Specs::modest().without_errors() };
            setup.probes.channels[0].point = Point::Open;
        });
        scope.send(":CHAN1:SCAL 1;:SING;*WAI");
        scope.listen(1.0);
        scope.block(":WAV:DATA?")
    };
    let data = take(1);
    let mean = data.iter().map(|c| f64::from(*c)).sum::<f64>() / data.len() as f64;
    let rms = (data.iter().map(|c| (f64::from(*c) - mean).powi(2)).sum::<f64>() / data.len() as f64).sqrt();
    // 0.2 divisions are 5 steps; the estimate's standard error is 5 / sqrt(2 * 2500) = 0.07.
    assert!((rms - 5.0).abs() < 0.3, "{rms}");
    assert_eq!(data, take(1));
    assert_ne!(data, take(2));
}

#[test]
fn triggers_are_exact() {
    let (bench, mut scope) = exact(|setup| setup.probes.channels[1].point = Point::Signal(Signal::Video));
    let field_s = 262.5 / LINE_HZ;
    // Set-up, then the first trigger after `armed + 5 ms` (half of the record lies before it).
    for (set, period_s, phase_s) in [
        (":TRIG:MODE EDGE;:TRIG:EDGE:SOUR EXT;SLOP POS;LEV 2.5", 1.0 / 30.0, 0.0),
        (":TRIG:MODE EDGE;:TRIG:EDGE:SOUR EXT;SLOP NEG;LEV 0.1", 1.0 / 30.0, 0.5 / 30.0),
        (":TRIG:MODE EDGE;:TRIG:EDGE:SOUR LINE;SLOP POS", 1.0 / 60.0, 0.0),
        (":TRIG:MODE TV;:TRIG:TV:SOUR CHAN2;LINES 525;MODE FIEL1", 2.0 * field_s, 0.0),
        (":TRIG:TV:MODE FIEL2", 2.0 * field_s, field_s),
        (":TRIG:TV:MODE AFI", field_s, 0.0),
        (":TRIG:TV:MODE LINE;LINE 100", 2.0 * field_s, 99.0 / LINE_HZ),
    ] {
        scope.wait(0.0123);
        scope.send(&format!(":TRIG:SWE NORM;{set};:TIM:SCAL 1E-3;POS 0;:SING"));
        scope.until(":TRIG:STAT?", "STOP", 1.0);
        let a = bench.acquisitions().pop().expect("one was taken");
        let ready_s = a.armed_s + 5e-3;
        let expected_s = ((ready_s - phase_s) / period_s).floor() * period_s + period_s + phase_s;
        assert!((a.trigger_s - expected_s).abs() < 1e-9, "{set}: {} for {expected_s}", a.trigger_s);
        assert!((a.first_s - (a.trigger_s - 5e-3)).abs() < 1e-12, "{set}");
        assert_ne!(a.by, TriggeredBy::Auto, "{set}");
        scope.no_error();
    }
}

#[test]
fn a_trigger_level_on_a_channel_is_met_on_the_screen() {
    let (bench, mut scope) = exact(|setup| {
        setup.specs = Specs { noise_div: 0.0, noise_v: 0.0, ..Specs::modest() };
        setup.probes.channels[1].factor = 10.0;
    });
    scope.send(":CHAN2:DISP ON;PROB 10;SCAL 0.5;OFFS 1;:TIM:SCAL 1E-3;POS 0");
    scope.send(":TRIG:SWE NORM;:TRIG:EDGE:SOUR CHAN2;LEV 0.9;:SING");
    scope.until(":TRIG:STAT?", "STOP", 3.0);
    let data = scope.block(":WAV:SOUR CHAN2;:WAV:DATA?");
    let at_trigger_v = (f64::from(data[1250]) - 128.0) * 0.02 + 1.0;
    assert!((at_trigger_v - 0.9).abs() <= 0.0101, "{at_trigger_v}");
    // And so the true volts differ by the channel's error.
    let trigger_s = bench.acquisitions()[0].trigger_s;
    let true_v = volts(Point::Signal(Signal::Supply), trigger_s);
    let seen_v = 10.0 * bench.errors().channels[1].seen_v(true_v / 10.0, 0.05);
    assert!((seen_v - 0.9).abs() < 1e-9, "{seen_v}");
}

#[test]
fn states_of_a_single_acquisition() {
    let (bench, mut scope) = exact(|_| {});
    assert_eq!(scope.ask(":TRIG:STAT?"), "STOP");
    // No edge: it waits, for as long as it takes.
    scope.send(":TRIG:SWE NORM;:TRIG:EDGE:SOUR EXT;LEV 9;:TIM:SCAL 0.01;:SING");
    for _ in 0..5 {
        assert_eq!(scope.ask(":TRIG:STAT?"), "WAIT");
        scope.wait(1000.0);
    }
    assert_eq!(scope.ask(":WAV:DATA?"), "");
    assert_eq!(scope.ask("SYST:ERR?"), "-230,\"Data corrupt or stale;no acquisition is complete\"");
    scope.send(":STOP");
    assert_eq!(scope.ask(":TRIG:STAT?"), "STOP");
    assert_eq!(bench.acquisitions(), []);
    // By itself after 50 ms.
    scope.send(":TRIG:SWE AUTO;:SING");
    let armed_s = scope.now.as_secs_f64();
    scope.wait(0.09);
    assert_eq!(scope.ask(":TRIG:STAT?"), "WAIT");
    scope.wait(0.02);
    assert_eq!(scope.ask(":TRIG:STAT?"), "TD");
    scope.wait(0.05);
    assert_eq!(scope.ask(":TRIG:STAT?"), "STOP");
    let a = bench.acquisitions().pop().expect("one was taken");
    assert_eq!(a.by, TriggeredBy::Auto);
    assert!((a.trigger_s - a.armed_s - 0.1).abs() < 1e-9 && (a.armed_s - armed_s).abs() < 1e-4, "{a:?}");
    // At the edge, if that comes first.
    scope.send(":TRIG:EDGE:LEV 2;:TIM:SCAL 1E-3;:SING;*WAI");
    scope.listen(1.0);
    assert_eq!(bench.acquisitions().pop().map(|a| a.by), Some(TriggeredBy::Edge));
    // One after the other until stopped; the last one stays.
    scope.send(":RUN");
    assert_eq!(scope.ask(":TRIG:STAT?"), "AUTO");
    scope.wait(10.0);
    assert_eq!(scope.ask(":WAV:DATA?"), "");
    scope.ask("*CLS;:STOP");
    assert_eq!(scope.block(":WAV:DATA?").len(), 2500);
    let a = bench.acquisitions().pop().expect("one was taken");
    assert!(scope.now.as_secs_f64() - a.trigger_s < 0.3, "{a:?} at {}", scope.now);
    scope.no_error();
}

#[test]
fn peak_detection_catches_what_sampling_misses() {
    let (bench, mut scope) = exact(|_| {});
    // 0.1 s: sampled at 25 kS/s the 1 MHz carrier aliases; peaks see its whole amplitude.
    scope.send(":CHAN1:SCAL 0.1;:TIM:SCAL 0.01;:ACQ:TYPE PEAK;:SING;*WAI");
    scope.listen(1.0);
    let fields = preamble(&mut scope);
    assert_eq!((fields[1], fields[2]), (1.0, 2500.0));
    let a = bench.acquisitions().pop().expect("one was taken");
    assert!((a.dt_s - 2.0 * fields[4]).abs() < 1e-15, "the increment is half the pair's spacing");
    assert!((a.dt_s - 0.1 / 1250.0).abs() < 1e-15);
    let data = scope.block(":WAV:DATA?");
    let codes = CARRIER.0 / (0.1 / 25.0);
    for pair in data.chunks_exact(2) {
        assert!((f64::from(pair[0]) - (128.0 - codes)).abs() <= 1.0, "{pair:?}");
        assert!((f64::from(pair[1]) - (128.0 + codes)).abs() <= 1.0, "{pair:?}");
    }
    // The same part of memory, in parts.
    scope.send(":WAV:STAR 11;STOP 14");
    assert_eq!(scope.block(":WAV:DATA?"), &data[10..14]);
    scope.send(":WAV:STAR 2499;STOP 9999");
    assert_eq!(scope.block(":WAV:DATA?"), &data[2498..]);
    scope.send(":WAV:STAR 9;STOP 3");
    assert_eq!(scope.ask(":WAV:DATA?"), "");
    assert_eq!(scope.ask("SYST:ERR?"), "-221,\"Settings conflict;points 9 to 3 of 2500\"");
}

#[test]
fn a_fast_record_has_no_more_points_than_the_converter_gives() {
    let (bench, mut scope) = exact(|_| {});
    scope.send(":TIM:SCAL 1E-6;:SING;*WAI");
    assert_eq!(scope.ask(":ACQ:SRAT?"), "1.0E+8");
    scope.listen(1.0);
    assert_eq!(scope.block(":WAV:DATA?").len(), 1000);
    assert!((bench.acquisitions()[0].dt_s - 10e-9).abs() < 1e-18);
}

#[test]
fn a_deep_memory_is_read_in_parts_that_join() {
    let (_, mut scope) = exact(|setup| {
        setup.specs = Specs::large().without_errors();
        setup.probes.channels.resize(4, sim_instrument::Probe::default());
    });
    scope.send(":CHAN1:SCAL 0.1;:TIM:SCAL 1E-3;:ACQ:POIN 2000000;:SING;*WAI");
    scope.listen(1.0);
    let whole = scope.block(":WAV:DATA?");
    assert_eq!(whole.len(), 2_000_000);
    let mut parts = Vec::new();
    for first in (1..=2_000_000).step_by(250_000) {
        scope.send(&format!(":WAV:STAR {first};STOP {}", first + 249_999));
        parts.extend(scope.block(":WAV:DATA?"));
    }
    assert!(whole == parts);
}

#[test]
fn coupling() {
    let (_, mut scope) = exact(|setup| setup.probes.channels[0].point = Point::Signal(Signal::Reference));
    let mut mean = |coupling: &str| {
        scope.wait(5.0);
        scope.send(&format!(":CHAN1:COUP {coupling};SCAL 1;OFFS 0;:TIM:SCAL 1E-3;:SING;*WAI"));
        scope.listen(1.0);
        let data = scope.block(":WAV:DATA?");
        data.iter().map(|c| (f64::from(*c) - 128.0) / 25.0).sum::<f64>() / data.len() as f64
    };
    assert!((mean("DC") - 1.25).abs() < 0.02);
    assert!(mean("AC").abs() < 0.02);
    assert!(mean("GND").abs() < 0.02);
}

#[test]
fn the_test_output_is_there_whatever_the_machine_does() {
    let (bench, mut scope) = exact(|_| {});
    bench.command(scope.now, "probe CH1 test-output").expect("it is a point");
    scope.send(":CHAN1:SCAL 1;OFFS 1.5;:TIM:SCAL 1E-3;:TRIG:EDGE:SOUR CHAN1;SLOP POS;LEV 1.5;:SING;*WAI");
    scope.listen(1.0);
    let data = scope.block(":WAV:DATA?");
    let high = data.iter().filter(|code| **code > 128).count();
    assert!((high as f64 - 1250.0).abs() <= 2.0, "{high}: a square of 1 kHz is high half the time");
    assert_eq!((data.iter().min(), data.iter().max()), (Some(&91), Some(&166)));
}

#[test]
fn a_change_of_the_machine_does_not_reach_back() {
    let (bench, mut scope) = exact(|_| {});
    // 1 s of ramp around a trigger; the machine falls silent in the middle of the part after it.
    scope.send(":CHAN1:DISP OFF;:CHAN2:DISP ON;SCAL 0.5;OFFS 1;:TIM:SCAL 0.1;:TRIG:SWE NORM;:TRIG:EDGE:SOUR CHAN2;LEV 0.2;:SING");
    scope.until(":TRIG:STAT?", "TD", 3.0);
    let trigger_s = 1.1;
    scope.now = tapewright_clock::Instant::from_secs_f64(trigger_s + 0.25);
    bench.command(scope.now, "fault silence").expect("the machine knows it");
    scope.until(":TRIG:STAT?", "STOP", 3.0);
    let data = scope.block(":WAV:SOUR CHAN2;:WAV:DATA?");
    let at = |t_s: f64| (f64::from(data[(1250.0 + t_s * 2500.0) as usize]) - 128.0) * 0.02 + 1.0;
    assert!((at(0.24) - RAMP.0 * (0.1 + 0.24)).abs() < 0.02, "{}", at(0.24));
    assert!(at(0.26).abs() < 0.02, "{}", at(0.26));
}

#[test]
fn a4_has_its_own_queries() {
    let (bench, mut scope) = exact(|setup| setup.front_end = FrontEnd::FamilyA(Scaling::A4));
    scope.send(":CHAN1:SCAL 0.1;:TIM:SCAL 1E-3;:ACQ:POIN 2400;:SING;*WAI");
    scope.listen(1.0);
    assert_eq!(scope.ask(":CHAN1:DATA:HEAD?"), "-5.0E-3,5.0E-3,2400,1");
    let data = scope.block(":CHAN1:DATA?");
    let origin: f64 = scope.ask(":CHAN1:DATA:YOR?").parse().expect("a number");
    let increment: f64 = scope.ask(":CHAN1:DATA:YINC?").parse().expect("a number");
    let a = bench.acquisitions().pop().expect("one was taken");
    for (i, code) in data.iter().enumerate() {
        let got_v = origin + increment * f64::from(*code);
        let exact_v = volts(Point::Signal(Signal::Rf), a.first_s + i as f64 * a.dt_s);
        assert!((got_v - exact_v).abs() <= 0.002 + 1e-9, "{i}: {got_v} for {exact_v}");
    }
}
