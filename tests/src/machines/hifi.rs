//! Depth-recorded sound: weak heads, weak carriers, carriers beside their frequency.

use super::sheet::{Scopes, Sheet};
use tapewright_formats::TapeKind;

pub(super) fn draw(sheet: &mut Sheet) {
    sheet.format(&["vhs-525-sp", "vhs-625-sp", "s-vhs-525-sp", "s-vhs-625-sp"]);
    sheet.scope(Scopes { slowest: 9_600, without_peak: false });
    sheet.tape(TapeKind::Other, &["bars", "grey"]);
    sheet.set("machine.hifi", true);
    sheet.draw("machine.hifi_heads.level_v", 0.03, 0.06);
    let left = sheet.draw("machine.hifi_heads.left_gain", 0.4, 1.0);
    let db = sheet.near_or(&[-6.0, -3.0, 3.0, 6.0], 0.4, (-4.0, 4.0));
    sheet.set("machine.hifi_heads.right_gain", left * 10_f64.powf(db / 20.0));
    let db = sheet.near_or(&[-4.0, -2.0, 2.0, 4.0], 0.3, (-3.0, 1.0));
    sheet.set("machine.hifi_heads.head_b_gain", 10_f64.powf(db / 20.0));
    sheet.draw("machine.hifi_heads.noise_v", 0.0005, 0.003);
    let modulated = sheet.random.chance(0.4);
    let deviation_hz = if modulated { sheet.random.between(5e3, 60e3) } else { 0.0 };
    sheet.set("machine.hifi_heads.deviation_hz", deviation_hz);
    sheet.draw("machine.hifi_heads.tone_hz", 400.0, 3000.0);
    sheet.draw("machine.guides.exit_um", 0.0, 40.0);
    sheet.draw("machine.tracking.offset_pitch", -0.1, 0.1);
    sheet.note("modulated", &modulated);
    sheet.probe("CH1", "hifi-rf", 1.0, Some(0.25));
    sheet.probe("EXT", "head-switch", 1.0, Some(5.0));
    let away_hz = sheet.near_or(&[-20e3, -5e3, 5e3, 20e3], 200.0, (-40e3, 40e3));
    let off = sheet.random.chance(0.4);
    sheet.play_it(&if off { vec![format!("fault hifi-off {away_hz:.1}")] } else { Vec::new() });
}
