//! What is not said to a scope again, and what is nevertheless found out.

use crate::common::{Knobs, run};
use crate::fake_scope::World;
use crate::scope::{bench, hookup, triggered};
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
