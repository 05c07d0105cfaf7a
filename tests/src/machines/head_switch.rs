//! Machines whose switching point is off, uneven, or jitters.

use super::sheet::{ALL, Scopes, Sheet};
use tapewright_formats::TapeKind;

pub(super) fn draw(sheet: &mut Sheet) {
    let format = sheet.format(ALL);
    sheet.scope(Scopes { slowest: 9_600, without_peak: false });
    sheet.tape(TapeKind::Alignment, &["bars", "grey", "black", "random", "bright-bottom"]);
    let drum_s = sheet.draw("machine.drum.jitter_s", 0.0, 4e-6);
    let lines = sheet.near_or(&[5.0, 6.0, 7.0, 8.0], 0.1, (3.0, 12.0));
    sheet.set("machine.head_switch.lines_before_sync", lines);
    let uneven = sheet.near_or(&[-1.5, -0.5, 0.5, 1.5], 0.15, (-2.0, 2.0));
    sheet.set("machine.head_switch.b_earlier_lines", uneven);
    let line_s = 1.0 / format.lines.line_rate_hz();
    let jitter_s = line_s * sheet.near_or(&[0.1, 0.2], 0.05, (0.02, 0.25));
    sheet.set("machine.head_switch.jitter_s", jitter_s.max(0.0));
    sheet.note("drum-jitter", &drum_s);
    let high = sheet.random.chance(0.5);
    sheet.set("machine.head_switch.high_is_a", high);
    sheet.draw("machine.video.noise_v", 0.002, 0.03);
    sheet.draw("machine.video.gain", 0.6, 1.4);
    sheet.draw("machine.video.offset_v", -0.2, 0.2);
    sheet.draw("machine.video.hum_v", 0.0, 0.2);
    sheet.set("machine.video.line_jitter_s", 2e-8);
    sheet.draw("machine.tracking.offset_pitch", -0.15, 0.15);
    sheet.probe("CH1", "video", 1.0, Some(2.0));
    sheet.probe("EXT", "head-switch", 10.0, Some(5.0));
    let dead = sheet.random.chance(0.06);
    if dead {
        // Without RF the machine mutes, and sends a picture of its own.
        sheet.wrong("head amplifier dead");
    }
    sheet.play_it(&if dead { vec!["fault preamp-dead".to_owned()] } else { Vec::new() });
}
