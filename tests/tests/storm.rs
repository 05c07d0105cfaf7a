//! Links that spoil things: captures come back bit-exact or not at all, and all comes right after.

use core::time::Duration;
use sim_instrument::{FrontEnd, Scaling};
use tapewright::report::chain;
use tapewright::simulated::SimPeer;
use tapewright_clock::{Clock, WallTime};
use tapewright_formats::Signal;
use tapewright_instrument::link::InProcess;
use tapewright_instrument::link::faults::{FarEnd, Moment, Tamper};
use tapewright_instrument::link::recorder::Way;
use tapewright_instrument::{Capture, CaptureRequest, Detection, Edge, Scope, ScopeError, Slope, Trigger};
use tapewright_tests::storm::oracle::Asked;
use tapewright_tests::storm::{Tally, pieces, run_bench};

#[test]
fn a_storm_makes_no_wrong_number_and_passes() {
    let mut sum = Tally::default();
    for number in 0..24 {
        sum.add(run_bench(1, number, 4));
    }
    assert_eq!((sum.wrong, sum.unrecovered), (0, 0), "{:#?}", sum.troubles);
    assert!(sum.exact > 24 && sum.faults > 100, "{sum:?}");
}

#[test]
fn the_same_seed_makes_the_same_storm() {
    assert_eq!(run_bench(7, 3, 4), run_bench(7, 3, 4));
}

const A: (&str, FrontEnd) = ("channel-timebase-waveform", FrontEnd::FamilyA(Scaling::A1));
const S: (&str, FrontEnd) = ("scpi-99", FrontEnd::Scpi99);

/// Spoils what holds `old` by `new` (nothing: the whole message is lost), so many times; what came of it.
struct Spoilt {
    way: Way,
    old: &'static str,
    new: &'static str,
    times: u32,
}

fn replaced(bytes: &[u8], old: &str, new: &str) -> Option<Vec<u8>> {
    let place = bytes.windows(old.len()).position(|part| part == old.as_bytes())?;
    Some([&bytes[..place], new.as_bytes(), &bytes[place + old.len()..]].concat())
}

/// A capture through one known fault: `exact`, or the error.
fn through(words: (&str, FrontEnd), fault: &Spoilt) -> String {
    let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime");
    runtime.block_on(async {
        let (sim, dialect, hookup) = pieces(words.0, words.1, 5, false, None);
        let clock = Clock::virtual_from(WallTime(0));
        let link = InProcess::new(SimPeer(sim.scope_port()), clock.clone(), "the scope");
        let (way, old, new, mut left) = (fault.way, fault.old, fault.new, fault.times);
        let link = Tamper::new(link, move |at, bytes| match replaced(&bytes, old, new) {
            Some(changed) if at == way && left > 0 => {
                left -= 1;
                if new.is_empty() { Vec::new() } else { changed }
            }
            _ => bytes,
        });
        let mut scope = Scope::open(Box::new(link), dialect.clone(), clock.clone()).await.expect("it opens");
        scope.set_read_twice(true);
        let edge = Edge { signal: Signal::HeadSwitch, slope: Slope::Falling, level_v: Some(2.5) };
        let request = CaptureRequest {
            before_s: 0.25e-3,
            least_points: 200,
            trigger: Trigger::Edge(edge),
            detection: Detection::Sample,
            deadline_s: 0.5,
            ..CaptureRequest::free([Signal::Rf, Signal::ControlTrack], 1e-3)
        };
        // Another capture first, so that an old record and other settings are there to be taken for the new.
        let other = CaptureRequest {
            trigger: Trigger::Free,
            detection: Detection::Peak,
            ..CaptureRequest::free([Signal::Rf], 2e-3)
        };
        let from_s = clock.now().as_secs_f64();
        let outcome = |taken: Result<Vec<Capture>, ScopeError>, request: &CaptureRequest, from_s: f64| match taken {
            Ok(captures) => {
                let taken = sim.taken();
                let asked = Asked { dialect: &dialect, hookup: &hookup, request, from_s, taken: &taken };
                asked.lie(&captures).unwrap_or_else(|| "exact".into())
            }
            Err(error) => chain(&error),
        };
        let first = scope.acquire(&hookup, &other).await;
        drop(outcome(first, &other, from_s));
        let from_s = clock.now().as_secs_f64();
        let taken = scope.acquire(&hookup, &request).await;
        outcome(taken, &request, from_s)
    })
}

fn check(words: (&str, FrontEnd), way: Way, old: &'static str, new: &'static str, always: &str) {
    // Once: the next try finds it right. Always: it is refused, in these words.
    let once = through(words, &Spoilt { way, old, new, times: 1 });
    assert_eq!(once, "exact", "{old} as {new} once");
    let refused = through(words, &Spoilt { way, old, new, times: u32::MAX });
    assert!(refused.contains(always), "{old} as {new} always: {refused}");
}

#[test]
fn a_lost_or_altered_command_is_found() {
    use Way::Sent;
    check(A, Sent, ":SINGle", "", "no whole answer to `:SINGle;");
    check(A, Sent, ":CHANnel1:COUPling AC", ":CHANnel1:COUPling DC", "`:CHANnel1:COUPling` was set to AC");
    check(A, Sent, ":CHANnel2:PROBe 10", ":CHANnel2:PROBe 18", "the setting of `:CHANnel2:PROBe` was set to 10");
    check(A, Sent, ":SLOPe NEGative", ":SLOPe POSitive", "was set to NEGative, but the scope reads back POS");
    check(A, Sent, ":LEVel 2.5E-1", ":LEVel 6.5E-1", "`:TRIGger:EDGE:LEVel` was set to 2.5E-1");
    check(A, Sent, ":SWEep NORMal", ":SWEep AUTO", "was set to NORMal, but the scope reads back AUTO");
    check(A, Sent, ":TYPE NORMal", ":TYPE PEAK", "`:ACQuire:TYPE` was set to NORMal, but the scope reads back PEAK");
    check(A, Sent, ":SOURce CHANnel2;", ":SOURce CHANnel7;", "the instrument refused");
    check(S, Sent, ":INITiate:IMMediate", "", "no whole answer to `:INITiate:IMMediate;");
    check(S, Sent, ":INPut1:COUPling AC", ":INPut1:COUPling DC", "the setting of `:INPut1:COUPling` was set to AC");
    check(S, Sent, ":STATe OFF", ":STATe ON", "was set to OFF, but the scope reads back 1");
    // A digit less: a quarter of a point.
    check(S, Sent, "LOCation 2.51", "LOCation 2.50", "`:SENSe:SWEep:OREFerence:LOCation` was set to");
    check(S, Sent, "LOCation 2.5", "LOCation 4.5", "`:SENSe:SWEep:OREFerence:LOCation` was set to");
}

#[test]
fn an_altered_answer_is_outvoted() {
    // A digit of the scaling, of a range, of a register; a byte of a block.
    for (words, old, new) in [
        (A, "0,0,200,1,", "0,0,208,1,"),
        (A, "Simulated Ins", "Simulated Inn"),
        (A, "STOP\n", "WAIT\n"),
        (A, "#800000200", "#800000300"),
        (S, "\n", "\r\n"),
    ] {
        let came = through(words, &Spoilt { way: Way::Received, old, new, times: 1 });
        assert_eq!(came, "exact", "{old} as {new}");
    }
}

#[test]
fn a_restart_is_found_though_the_line_spoils_the_register_that_tells_it() {
    let runtime = tokio::runtime::Builder::new_current_thread().build().expect("a runtime");
    for (words, times) in [(A, 40), (S, 40)] {
        for restart_at in 20..times + 60 {
            runtime.block_on(async {
                let (sim, dialect, hookup) = pieces(words.0, words.1, 5, false, None);
                let clock = Clock::virtual_from(WallTime(0));
                let link = InProcess::new(SimPeer(sim.scope_port()), clock.clone(), "the scope");
                let mut port = sim.scope_port();
                let link = FarEnd::new(link, clock.clone(), move |now, moment| {
                    if moment == Moment::Sending(restart_at) {
                        port.restart(now);
                    }
                });
                let link = Tamper::new(link, |way, bytes| match replaced(&bytes, "128\n", "28\n") {
                    Some(changed) if way == Way::Received => changed,
                    _ => bytes,
                });
                let mut scope = Scope::open(Box::new(link), dialect.clone(), clock.clone()).await.expect("it opens");
                scope.set_read_twice(true);
                let request =
                    CaptureRequest { least_points: 200, count: 2, ..CaptureRequest::free([Signal::Rf], 1e-3) };
                let from_s = clock.now().as_secs_f64();
                if let Ok(captures) = scope.acquire(&hookup, &request).await {
                    let taken = sim.taken();
                    let asked = Asked { dialect: &dialect, hookup: &hookup, request: &request, from_s, taken: &taken };
                    assert_eq!(asked.lie(&captures), None, "{} restarted at message {restart_at}", words.0);
                }
                clock.sleep(Duration::from_secs(1)).await;
            });
        }
    }
}
