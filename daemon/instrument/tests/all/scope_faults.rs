//! The scope room through faults: a short or garbled block, a restart, a bad line.

use crate::common::{chain, run};
use crate::fake_scope::World;
use crate::scope::{FAMILY_A, bench, check_volts, each_dialect, hookup, triggered};
use core::time::Duration;
use tapewright_formats::{Signal, UnableCode};
use tapewright_instrument::CaptureRequest;
use tapewright_instrument::link::faults::Spoil;

#[test]
fn short_and_garbled_data_never_become_a_capture() {
    run(async |clock| {
        let mut bench = bench(FAMILY_A, World { extra_points: -1, ..World::default() }, &clock).await;
        let request = triggered(&[Signal::Rf], 0.04);
        let error = bench.scope.acquire(&hookup(FAMILY_A), &request).await.unwrap_err();
        assert_eq!(
            chain(&error),
            "data of CHANnel1: 2499 bytes came where 2500 were due; check the line (cable, earth, rate) and that nobody works the scope's knobs; if both are well, `tapewright dialect try` says what to change in the dialect"
        );
        assert_eq!(error.unable_code(), UnableCode::BadData);
        // A byte turned inside a block: two readings of three agree, and they are right.
        bench.world.lock().unwrap().extra_points = 0;
        bench.scope.set_read_twice(true);
        bench.world.lock().unwrap().garble_blocks = 1;
        let captures = bench.scope.acquire(&hookup(FAMILY_A), &request).await.unwrap();
        let world = bench.world.lock().unwrap();
        assert_eq!(world.garble_blocks, 0);
        check_volts(&captures[0], &world, *world.triggers.last().unwrap());
    });
}

#[test]
fn a_restart_between_is_noticed() {
    each_dialect(&async |name, clock| {
        let mut bench = bench(name, World::default(), &clock).await;
        let request = CaptureRequest { count: 3, ..triggered(&[Signal::Rf], 0.04) };
        bench.world.lock().unwrap().restart = true;
        bench.knobs.lock().unwrap().events = 0x80;
        let captures = bench.scope.acquire(&hookup(name), &request).await.unwrap();
        let world = bench.world.lock().unwrap();
        let last = captures.last().unwrap();
        check_volts(last, &world, *world.triggers.last().unwrap());
        assert_eq!(captures.len(), 3);
    });
}

#[test]
fn captures_through_a_bad_line_are_right_or_refused() {
    let late_by = Duration::from_millis(3_500);
    let kinds = [
        Spoil { late_chunk: 0.02, late_by, ..Spoil::default() },
        Spoil { repeat_chunk: 0.02, late_by: Duration::from_micros(1500), split: true, ..Spoil::default() },
        Spoil { drop_byte: 1e-4, double_byte: 1e-4, split: true, ..Spoil::default() },
        Spoil { drop_message: 0.01, drop_chunk: 0.01, close: 0.005, ..Spoil::default() },
    ];
    for spoil in kinds {
        let (mut good, mut refused) = (0, 0);
        run(async |clock| {
            let mut bench = bench(FAMILY_A, World::default(), &clock).await;
            for n in 0..12 {
                bench.faults.set(spoil);
                let request =
                    CaptureRequest { least_points: 500, ..triggered(&[Signal::Rf, Signal::HeadSwitch], 0.02) };
                let taken = bench.scope.acquire(&hookup(FAMILY_A), &request).await;
                bench.faults.set(Spoil::default());
                match taken {
                    Ok(captures) => {
                        let world = bench.world.lock().unwrap();
                        check_volts(&captures[0], &world, *world.triggers.last().unwrap());
                        let off = (captures[0].trigger_s - world.triggers.last().unwrap()).abs();
                        assert!(off <= captures[0].trigger_uncertainty_s * 1.74, "{n}: {off}");
                        good += 1;
                    }
                    Err(error) => {
                        assert!(error.is_fault() || error.unable_code() == UnableCode::LinkLost, "{}", chain(&error));
                        refused += 1;
                    }
                }
            }
            assert!(bench.faults.spoilt() > 0, "{spoil:?}");
        });
        assert!(good >= 6, "{spoil:?}: {good} good, {refused} refused");
    }
}
