//! Heads beside their tracks in a format with pilot tones.

use super::sheet::{Scopes, Sheet};
use tapewright_formats::TapeKind;

pub(super) fn draw(sheet: &mut Sheet) {
    let format = sheet.format(&["8mm-525-sp", "8mm-625-sp", "8mm-625-lp"]);
    sheet.scope(Scopes { slowest: 9_600, without_peak: false });
    sheet.tape(TapeKind::Own, &["bars", "grey", "random"]);
    let expected_v = sheet.rf();
    sheet.heads((0.9, 1.1), (1.2, 1.4), format);
    // A head that is wider than its track by w has a tracking error of 2 d / w pitches.
    let tracking = sheet.near_or(&[-0.8, -0.4, 0.4, 0.8], 0.1, (-0.9, 0.9));
    sheet.set("machine.tracking.offset_pitch", 0.15 * tracking);
    sheet.draw("machine.rf.pilot_ratio", 0.04, 0.1);
    sheet.probe("CH1", "rf", 1.0, Some(expected_v));
    sheet.play_it(&[]);
}
