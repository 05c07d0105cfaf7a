//! Supply rails with the ripple of a rectifier, of a converter, or of both.

use super::sheet::{Scopes, Sheet};
use tapewright_formats::TapeKind;

pub(super) fn draw(sheet: &mut Sheet) {
    sheet.format(&["vhs-525-sp", "vhs-625-sp"]);
    sheet.scope(Scopes { slowest: 9_600, without_peak: true });
    sheet.tape(TapeKind::Other, &["bars"]);
    let rail_v: f64 = *sheet.random.one_of(&[5.0, 9.0, 12.0, -12.0, 15.0]);
    let off = 0.01 * sheet.near_or(&[-12.0, -7.0, 7.0, 12.0], 3.0, (-20.0, 20.0));
    let real_v = rail_v * (1.0 + off);
    sheet.set("machine.supply.rail_v", real_v);
    let hz = *sheet.random.one_of(&[50.0, 60.0, 99.9, 119.9, 120.1]);
    sheet.set("machine.supply.ripple_hz", hz);
    let ripple = 0.01 * sheet.near_or(&[1.0, 3.0], 0.2, (0.3, 6.0)).max(0.3);
    let of_mains = *sheet.random.one_of(&[1.0, 1.0, 0.7, 0.2]);
    sheet.set("machine.supply.ripple_v", real_v.abs() * ripple * of_mains);
    sheet.set("machine.supply.switching_v", real_v.abs() * ripple * (1.0 - of_mains));
    sheet.draw("machine.supply.switching_hz", 30e3, 130e3);
    sheet.draw("machine.supply.noise_v", 0.0005, 0.005);
    sheet.note("of-mains", &of_mains);
    // No expected voltage: the range follows from what is seen, so that the ripple fills it.
    sheet.probe("CH1", "supply", 1.0, None);
    sheet.setting("rail-v", rail_v);
    sheet.play_it(&[]);
}
