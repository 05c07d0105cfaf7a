//! Transports that a scrap tape is run through, and what the operator sees.

use super::sheet::{Scopes, Sheet, WITH_CONTROL_TRACK};
use tapewright_formats::TapeKind;

pub(super) fn draw(sheet: &mut Sheet) {
    sheet.format(WITH_CONTROL_TRACK);
    sheet.scope(Scopes { slowest: 9_600, without_peak: true });
    sheet.tape(TapeKind::Unknown, &["bars", "grey", "random"]);
    let expected_v = sheet.rf();
    let jitter = 0.01 * sheet.near_or(&[3.0], 0.4, (0.02, 2.0));
    // A period has the jitter of two pulses; the frame is 33 or 40 ms.
    sheet.set("machine.control.jitter_s", 0.033 * jitter / core::f64::consts::SQRT_2);
    sheet.probe("CH1", "rf", 1.0, Some(expected_v));
    sheet.probe("CH2", "control-track", 10.0, Some(5.0));
    sheet.probe("EXT", "head-switch", 10.0, Some(5.0));
    sheet.set("operator.answers.scrap-tape-in", "scrap");
    let mut commands = Vec::new();
    if sheet.near && sheet.random.chance(0.5) {
        let error = 0.01 * sheet.near_or(&[-2.0, -0.5, 0.5, 2.0], 0.05, (-3.0, 3.0));
        commands.push(format!("fault wrong-tape-speed {:.6}", 1.0 + error));
        sheet.note("speed", &"off");
    } else if sheet.random.chance(0.2) {
        let pitches = sheet.random.between(0.1, 0.6);
        commands.push(format!("fault hunting {pitches:.3}"));
        sheet.note("speed", &"hunts");
    }
    let (fault, answer) = *sheet.random.one_of(&[
        ("", ("", "")),
        ("", ("", "")),
        ("", ("", "")),
        ("take-up weak", ("take-up-in-play", "loop")),
        ("tape harmed", ("tape-afterwards", "harmed")),
    ]);
    if !fault.is_empty() {
        sheet.wrong(fault);
        sheet.set(&format!("operator.answers.{}", answer.0), answer.1);
    }
    sheet.play_it(&commands);
}
