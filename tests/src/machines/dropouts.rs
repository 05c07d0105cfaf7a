//! Tapes that shed.

use super::sheet::{Scopes, Sheet};
use tapewright_formats::TapeKind;

/// Time that is observed, in seconds.
const OBSERVE_S: f64 = 1.5;
/// On a scope of 2,500 points, whose records are short.
const OBSERVE_MODEST_S: f64 = 0.3;

pub(super) fn draw(sheet: &mut Sheet) {
    sheet.format(&["vhs-525-sp", "vhs-625-sp", "s-vhs-525-sp", "beta-625", "vhs-625-lp"]);
    sheet.scope(Scopes { slowest: 9_600, without_peak: false });
    sheet.tape(TapeKind::Other, &["bars", "grey", "random"]);
    let expected_v = sheet.rf();
    let rate = if sheet.random.chance(0.2) { 0.0 } else { sheet.random.between(60.0, 1500.0) };
    sheet.set("tapes.in.dropouts.per_minute", rate);
    // Clear of what makes a dropout, 16 dB and 15 us.
    let least_us = sheet.draw("tapes.in.dropouts.least_us", 30.0, 40.0);
    let more_us = sheet.random.between(5.0, 100.0);
    sheet.set("tapes.in.dropouts.greatest_us", least_us + more_us);
    sheet.draw("tapes.in.dropouts.least_db", 20.0, 22.0);
    sheet.draw("tapes.in.dropouts.greatest_db", 22.0, 26.0);
    sheet.probe("CH1", "rf", 1.0, Some(expected_v));
    let observe_s = if sheet.is_modest() { OBSERVE_MODEST_S } else { OBSERVE_S };
    sheet.setting("observe-s", observe_s);
    // Limits of which this tape is near one, and which the time that is observed can decide.
    let good = if sheet.near { (rate * sheet.random.between(0.5, 1.5)).max(100.0) } else { 300.0 };
    sheet.setting("rate-good", good);
    sheet.setting("rate-reject", 2.0 * good);
    sheet.play_it(&[]);
}
