//! Machines that search at all speeds, and are made for one of them.

use super::sheet::{ALL, Scopes, Sheet};
use tapewright_formats::TapeKind;

pub(super) fn draw(sheet: &mut Sheet) {
    let format = sheet.format(ALL);
    sheet.scope(Scopes { slowest: 9_600, without_peak: true });
    sheet.tape(TapeKind::Other, &["bars", "grey", "random"]);
    let speed = sheet.draw("machine.transport.search_speed", 3.0, 11.0);
    let corrects = sheet.random.chance(0.7);
    sheet.set("machine.drum.corrects_line_rate", corrects);
    let expected_v = sheet.rf();
    // Head B against head A, in decibels.
    let gain_a = sheet.draw("machine.head_a.gain", 0.8, 1.1);
    let db = sheet.near_or(&[-8.0, -3.0, 3.0], 0.5, (-2.0, 2.0));
    sheet.set("machine.head_b.gain", gain_a * 10_f64.powf(db / 20.0));
    sheet.probe("CH1", "rf", 1.0, Some(expected_v));
    if format.control_track {
        sheet.probe("CH2", "control-track", 10.0, Some(5.0));
    }
    sheet.probe("EXT", "head-switch", 10.0, Some(5.0));
    // The speed that the machine is said to be made for lies off by so many per cent.
    let off = 0.01 * sheet.near_or(&[-20.0, -10.0, 10.0, 20.0], 2.0, (-30.0, 30.0));
    sheet.setting("search-speed", (speed / (1.0 + off)).clamp(1.5, 30.0));
    sheet.play_it(&[]);
}
