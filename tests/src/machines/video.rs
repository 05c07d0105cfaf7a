//! Video outputs whose levels and times are off.

use super::sheet::{ALL, Scopes, Sheet};
use tapewright_formats::TapeKind;

pub(super) fn draw(sheet: &mut Sheet) {
    let format = sheet.format(ALL);
    sheet.scope(Scopes { slowest: 9_600, without_peak: false });
    sheet.tape(TapeKind::Other, &["bars", "grey", "black", "random"]);
    let timing = format.lines.video();
    let gain = sheet.draw("machine.video.gain", 0.8, 1.2);
    let right_mv = -timing.sync_tip_mv.value;
    let sync_mv =
        sheet.near_or(&[right_mv - 70.0, right_mv - 35.0, right_mv + 35.0, right_mv + 70.0], 8.0, (180.0, 400.0));
    sheet.set("machine.video.sync_ratio", sync_mv / right_mv / gain);
    let right_mv = timing.burst_pp_mv.value;
    let burst_mv =
        sheet.near_or(&[right_mv - 100.0, right_mv - 35.0, right_mv + 35.0, right_mv + 100.0], 10.0, (150.0, 420.0));
    sheet.set("machine.video.burst_ratio", burst_mv / right_mv / gain);
    let jitter_us = sheet.near_or(&[0.1, 0.3], 0.03, (0.01, 0.4));
    // The distance of two lines has the jitter of both.
    sheet.set("machine.video.line_jitter_s", 1e-6 * jitter_us / core::f64::consts::SQRT_2);
    sheet.draw("machine.drum.jitter_s", 0.0, 1e-6);
    sheet.draw("machine.video.noise_v", 0.002, 0.012);
    sheet.draw("machine.video.offset_v", -0.2, 0.2);
    sheet.draw("machine.video.hum_v", 0.0, 0.1);
    if sheet.random.chance(0.3) {
        sheet.draw("machine.video.time_base_s", 1e-6, 1e-5);
        sheet.draw("machine.video.time_base_period_s", 3e-3, 10e-3);
    }
    sheet.probe("CH1", "video", 1.0, Some(2.0));
    sheet.probe("EXT", "head-switch", 10.0, Some(5.0));
    let snow = sheet.random.chance(0.06);
    if snow {
        sheet.set("machine.video.mute", false);
        sheet.wrong("snow");
    }
    sheet.play_it(&if snow { vec!["fault preamp-dead".to_owned()] } else { Vec::new() });
    sheet.draw("machine.video.set_up_v", -0.04, 0.04);
}
