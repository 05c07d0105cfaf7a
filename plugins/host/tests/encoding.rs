//! A capture's bytes: back and forth, and anything else refused.

use proptest::prelude::*;
use tapewright_formats::Signal;
use tapewright_host::{Capture, CaptureError, TraceData, TraceInfo};

fn trace() -> impl Strategy<Value = TraceData> {
    let numbers = (any::<i32>(), 1e-9..1.0_f64, 1e-6..10.0_f64, -1e3..1e3_f64, 0.0..0.1_f64);
    (prop::sample::select(Signal::ALL), ".{0,8}", numbers, any::<bool>(), prop::collection::vec(-128..=127_i16, 0..40))
        .prop_map(|(signal, channel, (t0, dt_s, gain_v, offset_v, uncertainty), pairs, mut codes)| {
            codes.truncate(codes.len() & !1);
            TraceData {
                info: TraceInfo {
                    signal,
                    channel,
                    t0_s: f64::from(t0) * 1e-7,
                    dt_s,
                    pairs,
                    gain_v,
                    offset_v,
                    code_low: -128,
                    code_high: 127,
                    gain_uncertainty: uncertainty,
                    offset_uncertainty_v: uncertainty * 0.3,
                    bandwidth_hz: 2e8,
                },
                codes: codes.into(),
            }
        })
}

fn capture() -> impl Strategy<Value = Capture> {
    (-1e4..1e4_f64, 0.0..1.0_f64, any::<bool>(), prop::collection::vec(trace(), 0..4)).prop_map(
        |(trigger_s, uncertainty, triggered, traces)| Capture {
            trigger_s,
            trigger_uncertainty_s: uncertainty,
            timebase_uncertainty: uncertainty * 1e-4,
            triggered,
            traces,
        },
    )
}

proptest! {
    #[test]
    fn a_capture_comes_back_to_the_bit(capture in capture()) {
        let bytes = capture.to_bytes().expect("it makes sense");
        let back = Capture::from_bytes(&bytes).expect("it was written just now");
        prop_assert_eq!(&back, &capture);
        prop_assert_eq!(back.to_bytes().expect("it makes sense"), bytes);
    }

    #[test]
    fn cut_or_changed_bytes_never_panic_and_a_cut_is_refused(capture in capture(), at in any::<prop::sample::Index>(), flip in 1..=255_u8) {
        let mut bytes = capture.to_bytes().expect("it makes sense");
        let at = at.index(bytes.len());
        prop_assert!(Capture::from_bytes(&bytes[..at]).is_err());
        bytes[at] ^= flip;
        // A changed digit may still be a capture: its hash is then another one.
        if let Ok(other) = Capture::from_bytes(&bytes) {
            prop_assert!(other.check().is_ok());
        }
    }
}

#[test]
fn what_is_no_capture_says_why() {
    for (bytes, expected) in [
        (b"capture".as_slice(), "the first line is not"),
        (b"tapewright-capture 2\n{}\n", "one of a newer format"),
        (b"tapewright-capture 1\n{}\n", "the header cannot be read"),
        (
            b"tapewright-capture 1\n{\"trigger_s\":0,\"trigger_uncertainty_s\":0,\"timebase_uncertainty\":0,\"triggered\":true,\"traces\":[]}\nxx",
            "the header says 0 bytes of codes, there are 2",
        ),
    ] {
        let error: CaptureError = Capture::from_bytes(bytes).expect_err("it is none");
        assert!(error.to_string().contains(expected), "{error}");
    }
}
