//! What is not said to a scope again, and what is nevertheless found out.

use crate::common::{Knobs, run};
use crate::fake_scope::World;
use crate::scope::{bench, check_volts, hookup, triggered};
use std::sync::Mutex;
use tapewright_formats::Signal;
use tapewright_instrument::{CaptureRequest, Coupling};

const DIALECTS: [&str; 2] = ["channel-timebase-waveform", "scpi-99"];

fn heard(knobs: &Mutex<Knobs>) -> Vec<String> {
    core::mem::take(&mut knobs.lock().unwrap().heard)
}

/// Messages that set a vertical range.
fn ranges_set(messages: &[String]) -> usize {
    messages.iter().filter(|text| text.contains(":SCALe ") || text.contains(":PTPeak ")).count()
}

#[test]
fn a_set_up_that_stands_is_only_read_back() {
    run(async |clock| {
        for dialect in DIALECTS {
            let mut bench = bench(dialect, World::default(), &clock).await;
            let request = triggered(&[Signal::Rf], 0.01);
            let first = bench.scope.acquire(&hookup(dialect), &request).await.unwrap().remove(0);
            assert!(ranges_set(&heard(&bench.knobs)) > 0);
            let again = bench.scope.acquire(&hookup(dialect), &request).await.unwrap().remove(0);
            let said = heard(&bench.knobs);
            assert_eq!(ranges_set(&said), 0, "{said:?}");
            let polls = |text: &&String| text.contains(":STATus?") || text.contains(":CONDition?");
            let rest = said.iter().filter(|text| !polls(text)).count();
            assert!(rest <= 8, "{rest} beside polls: {said:?}");
            assert_eq!(again.setup, first.setup);
            // Another range is another set-up.
            let mut wider = hookup(dialect);
            wider.points[0].expected_v = Some(20.0);
            drop(bench.scope.acquire(&wider, &request).await.unwrap());
            assert!(ranges_set(&heard(&bench.knobs)) > 0);
        }
    });
}

#[test]
fn a_knob_that_was_turned_is_set_back() {
    run(async |clock| {
        for (dialect, header) in [(DIALECTS[0], "CHANNEL1:SCALE"), (DIALECTS[1], "SENSE:VOLTAGE1:DC:RANGE:PTPEAK")] {
            let mut bench = bench(dialect, World::default(), &clock).await;
            let request = triggered(&[Signal::Rf], 0.01);
            let first = bench.scope.acquire(&hookup(dialect), &request).await.unwrap().remove(0);
            bench.world.lock().unwrap().turned.push((header.to_owned(), "3.3".to_owned()));
            drop(heard(&bench.knobs));
            let again = bench.scope.acquire(&hookup(dialect), &request).await.unwrap().remove(0);
            assert!(ranges_set(&heard(&bench.knobs)) > 0);
            assert_eq!(again.traces[0].gain_v.to_bits(), first.traces[0].gain_v.to_bits());
        }
    });
}

#[test]
fn a_scope_that_cannot_be_forced_is_left_to_itself() {
    run(async |clock| {
        let world = World { forces: false, ..World::default() };
        let mut bench = bench(DIALECTS[0], world, &clock).await;
        let mut hookup = hookup(DIALECTS[0]);
        hookup.points[0].coupling = Some(Coupling::Dc);
        let request = CaptureRequest { count: 3, ..CaptureRequest::free([Signal::Rf], 0.01) };
        assert_eq!(bench.scope.acquire(&hookup, &request).await.unwrap().len(), 3);
        let said = heard(&bench.knobs);
        assert_eq!(said.iter().filter(|text| text.contains(":TRIGger:FORCe")).count(), 1, "{said:?}");
    });
}

fn free() -> CaptureRequest {
    CaptureRequest { count: 3, ..CaptureRequest::free([Signal::Rf, Signal::HeadSwitch], 0.01) }
}

/// A hookup whose signals lie where the range has room for them.
fn direct(dialect: &str) -> tapewright_instrument::Hookup {
    let mut hookup = hookup(dialect);
    hookup.points[0].coupling = Some(Coupling::Dc);
    hookup
}

#[test]
fn a_capture_in_a_set_up_that_stands_is_one_message() {
    run(async |clock| {
        let mut bench = bench(DIALECTS[0], World::default(), &clock).await;
        bench.scope.acquire(&direct(DIALECTS[0]), &free()).await.unwrap();
        drop(heard(&bench.knobs));
        let captures = bench.scope.acquire(&direct(DIALECTS[0]), &free()).await.unwrap();
        let said = heard(&bench.knobs);
        // The scripted scope answers `*OPC?` at once, which its state gave away the first time: from then on a message
        // is sent when a record has had its time.
        let whole = said.iter().filter(|text| text.contains(":WAV:DATA?")).count();
        assert_eq!(whole, 3, "{said:?}");
        assert!(!said.iter().any(|text| text.contains("WAVeform")), "{said:?}");
        let world = bench.world.lock().unwrap();
        for (capture, trigger_s) in captures.iter().zip(&world.triggers[world.triggers.len() - 3..]) {
            check_volts(capture, &world, *trigger_s);
        }
    });
}

#[test]
fn a_scope_that_cuts_its_responses_is_asked_step_by_step() {
    run(async |clock| {
        let mut bench = bench(DIALECTS[0], World::default(), &clock).await;
        bench.knobs.lock().unwrap().cuts_responses = true;
        for round in 0..4 {
            let request = triggered(&[Signal::Rf, Signal::HeadSwitch], 0.01);
            let captures = bench.scope.acquire(&hookup(DIALECTS[0]), &request).await.unwrap();
            let world = bench.world.lock().unwrap();
            check_volts(&captures[0], &world, *world.triggers.last().unwrap());
            let whole = heard(&bench.knobs).iter().filter(|text| text.contains("DATA?;")).count();
            assert_eq!(whole, usize::from((1..=2).contains(&round)), "round {round}");
        }
    });
}

/// A response with a block, changed: the capture is right all the same, since it is asked for anew, or refused.
fn spoilt(what: &str, change: fn(Vec<u8>) -> Vec<u8>) {
    run(async |clock| {
        let mut bench = bench(DIALECTS[0], World::default(), &clock).await;
        let request = triggered(&[Signal::Rf, Signal::HeadSwitch], 0.01);
        bench.scope.acquire(&hookup(DIALECTS[0]), &request).await.unwrap();
        bench.knobs.lock().unwrap().change = Some(change);
        let seen = |bench: &mut crate::scope::Bench| {
            let session = bench.scope.session();
            (session.resyncs(), session.strays().len())
        };
        let before = seen(&mut bench);
        match bench.scope.acquire(&hookup(DIALECTS[0]), &request).await {
            Ok(captures) => {
                let world = bench.world.lock().unwrap();
                check_volts(&captures[0], &world, *world.triggers.last().unwrap());
            }
            Err(error) => assert!(error.is_fault(), "{what}: {error}"),
        }
        assert_ne!(seen(&mut bench), before, "{what}: it was not noticed");
    });
}

fn place(bytes: &[u8], of: &[u8]) -> Option<usize> {
    bytes.windows(of.len()).position(|window| window == of)
}

/// Takes bytes out of a response that holds several answers and a block.
fn without(mut bytes: Vec<u8>, from: &[u8], count: usize) -> Vec<u8> {
    if bytes.contains(&b';')
        && let (Some(at), true) = (place(&bytes, from), place(&bytes, b"#4").is_some())
    {
        bytes.drain(at..(at + count).min(bytes.len()));
    }
    bytes
}

#[test]
fn a_damaged_response_of_a_whole_capture_is_noticed() {
    // An answer is missing, and so is what stood between it and the next.
    spoilt("no scaling", |bytes| {
        let until = place(&bytes, b";#4").map_or(0, |at| at + 1);
        without(bytes, b"0,0,2500", until)
    });
    spoilt("a code less", |bytes| {
        without(bytes, b"#42500", 0).into_iter().enumerate().filter(|(i, _)| *i != 300).map(|(_, b)| b).collect()
    });
    spoilt("no separator after the block", |bytes| without(bytes, b";0;0,", 1));
    spoilt("no event register", |bytes| without(bytes, b"0;0,\"No", 2));
    spoilt("no error queue", |bytes| without(bytes, b"0,\"No error\";", 13));
    spoilt("no end", |bytes| {
        let most = bytes.len().saturating_sub(4);
        if place(&bytes, b"#4").is_some() { bytes[..most].to_vec() } else { bytes }
    });
    spoilt(
        "two responses",
        |bytes| if place(&bytes, b"#4").is_some() { [&bytes[..], &bytes[..]].concat() } else { bytes },
    );
}
