//! Machines that search at all speeds, and are made for one of them.

use super::sheet::{ALL, Scopes, Sheet};
use tapewright_formats::TapeKind;
use tapewright_formats::definitions::pitches_a_bar;
use tapewright_formats::relations::pitch_um;

/// Formats without azimuth, whose tracks guard bands keep apart.
const GUARDED: &[&str] = &["u-525", "u-625"];

pub(super) fn draw(sheet: &mut Sheet) {
    let format = sheet.format(&[ALL, GUARDED].concat());
    sheet.scope(Scopes { slowest: 9_600, without_peak: true });
    // Only an alignment tape judges where bars lie.
    let kind = *sheet.random.one_of(&[TapeKind::Other, TapeKind::Alignment]);
    sheet.tape(kind, &["bars", "grey", "random"]);
    let speed = sheet.draw("machine.transport.search_speed", 3.0, 11.0);
    let corrects = sheet.random.chance(0.7);
    sheet.set("machine.drum.corrects_line_rate", corrects);
    let expected_v = sheet.rf();
    if GUARDED.contains(&format.name) {
        let track_um = sheet.random.between(0.6, 0.75) * pitch_um(format);
        sheet.set("tapes.in.track_width_um", track_um);
        for head in ["head_a", "head_b"] {
            let width_um = track_um * sheet.random.between(0.95, 1.1);
            sheet.set(&format!("machine.{head}.width_um"), width_um);
        }
    }
    // Head B against head A, in decibels.
    let gain_a = sheet.draw("machine.head_a.gain", 0.8, 1.1);
    let db = sheet.near_or(&[-8.0, -3.0, 3.0], 0.5, (-2.0, 2.0));
    sheet.set("machine.head_b.gain", gain_a * 10_f64.powf(db / 20.0));
    // And in height, so that its bars lie off by such shares of their distance.
    let a_bar_um = pitches_a_bar(format) * pitch_um(format);
    let height_a_um = a_bar_um * sheet.random.between(-0.05, 0.05);
    let apart = sheet.near_or(&[-0.25, -0.1, 0.1, 0.25], 0.02, (-0.06, 0.06));
    sheet.set("machine.head_a.height_um", height_a_um);
    sheet.set("machine.head_b.height_um", height_a_um + a_bar_um * apart);
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
