//! Audio heads that lean, and tapes that waver.

use super::sheet::{Scopes, Sheet};
use tapewright_formats::sound::LinearSound;
use tapewright_formats::{Format, TapeKind};

const FORMATS: &[&str] =
    &["vhs-525-sp", "vhs-625-sp", "vhs-525-lp", "vhs-525-ep", "vhs-625-lp", "s-vhs-625-sp", "beta-525-ii", "beta-625"];

fn common(sheet: &mut Sheet) -> &'static Format {
    let format = sheet.format(FORMATS);
    sheet.scope(Scopes { slowest: 9_600, without_peak: false });
    sheet.tape(TapeKind::Alignment, &["bars"]);
    sheet.set("machine.audio.tone_hz", 1000.0);
    sheet.set("machine.audio.second_tone_hz", 6000.0);
    sheet.set("machine.audio.offset_v", 0.02);
    sheet.draw("machine.audio.noise_v", 0.0005, 0.01);
    sheet.draw("machine.audio.level_v", 0.15, 0.4);
    sheet.draw("machine.audio.hum_v", 0.0, 0.01);
    sheet.draw("machine.audio.weave_min", 0.0, 1.0);
    sheet.draw("machine.audio.drum_percent", 0.0, 0.1);
    sheet.draw("machine.audio.capstan_hz", 2.0, 8.0);
    sheet.draw("machine.audio.reel_hz", 0.3, 1.2);
    sheet.probe("CH1", "audio-left", 1.0, Some(1.3));
    sheet.set("operator.adjust.flutter-tone", ["fault audio-tone 3150"]);
    format
}

fn right(sheet: &mut Sheet) {
    sheet.probe("CH2", "audio-right", 1.0, Some(1.3));
}

/// Places of the screw over the angle at which a full-width track first loses the high tone; what is wrong; where the head leans
/// at first; the turns at the low tone and at the high one. A side lobe's peak lies at 1.43.
type Climb = (&'static str, f64, &'static [f64], &'static [f64]);

const CLIMBS: [Climb; 3] = [
    // As the operator is told to.
    ("healthy", 0.7, &[1.6, 0.1, -1.5, 0.05], &[-0.3, -0.1, 0.02, 0.2, 0.02]),
    ("only a side lobe climbed", 1.41, &[1.36, 1.46, 1.52, 1.44, 1.39, 1.43], &[1.6, 1.43, 1.26, 1.43]),
    ("low tone climbed too coarsely", 1.41, &[2.4, 1.19, -2.4, 1.19], &[1.3, 1.43, 1.62, 1.43]),
];

/// One channel: the peak of its level, with the lower peaks beside it.
fn by_level(sheet: &mut Sheet, format: &Format) {
    let LinearSound::Edge { mono_width_mm, .. } = format.linear_sound() else { return };
    let null_min = (format.tape_speed_mm_s.value / (mono_width_mm.value * 6000.0)).atan().to_degrees() * 60.0;
    let (fault, first, coarse, fine) = *sheet.random.one_of(&CLIMBS);
    if fault != "healthy" {
        sheet.wrong(fault);
    }
    let side = *sheet.random.one_of(&[null_min, -null_min]);
    sheet.set("machine.audio.stereo", false);
    sheet.set("machine.audio.azimuth_min", side * first);
    for (what, turns) in [("coarse", coarse), ("fine", fine)] {
        for (round, place) in (1..).zip(turns) {
            let turn = format!("fault audio-azimuth {:.3}", side * place);
            sheet.set(&format!("operator.adjust.azimuth-{what}-{round}"), [turn]);
        }
    }
    sheet.play_it(&[]);
}

pub(super) fn azimuth(sheet: &mut Sheet) {
    let format = common(sheet);
    sheet.draw("machine.audio.capstan_percent", 0.05, 0.6);
    sheet.draw("machine.audio.reel_percent", 0.0, 0.6);
    if !sheet.near && sheet.random.chance(0.3) {
        return by_level(sheet, format);
    }
    right(sheet);
    // Half a decibel and two of loss, for tracks of the common width; the limits follow the format.
    let azimuth_min = sheet.near_or(&[-10.0, -5.0, 5.0, 10.0], 1.5, (-25.0, 25.0));
    sheet.set("machine.audio.azimuth_min", azimuth_min);
    if sheet.random.chance(0.3) {
        // The operator turns the screw under guidance.
        sheet.setting("rounds", 3.0);
        for round in 1..=3 {
            let left = azimuth_min / 3_f64.powi(round);
            sheet.set(&format!("operator.adjust.azimuth-adjust-{round}"), [format!("fault audio-azimuth {left:.3}")]);
        }
    }
    if sheet.random.chance(0.15) {
        // Where the tone lies over the whole width it takes from one channel, and from the phase.
        sheet.draw("machine.audio.height_um", -120.0, 120.0);
    }
    sheet.play_it(&[]);
}

/// Heads off their height or tilted: by the balance of two channels with the control pulses beside them, or with the nut turned.
pub(super) fn head(sheet: &mut Sheet) {
    common(sheet);
    right(sheet);
    sheet.draw("machine.audio.capstan_percent", 0.0, 0.3);
    sheet.draw("machine.audio.azimuth_min", -6.0, 6.0);
    // Within what the settings say of the channels.
    sheet.draw("machine.audio.right_ratio", 0.945, 1.058);
    if sheet.random.chance(0.3) {
        // Three and six per cent of unsteadiness lie about there, with the head at its height.
        let tilt_min = sheet.near_or(&[27.0, 55.0], 6.0, (0.0, 120.0));
        let side = *sheet.random.one_of(&[-1.0, 1.0]);
        sheet.set("machine.audio.tilt_min", side * tilt_min);
    }
    let pulses = !sheet.is_modest() && sheet.random.chance(0.8);
    if pulses {
        sheet.probe("CH3", "control-track", 10.0, Some(5.0));
        sheet.draw("machine.control.square_v", 4.7, 5.3);
    }
    // A decibel and three of loss, for tracks of 0.35 mm.
    let height_um = sheet.near_or(&[-102.0, -38.0, 38.0, 102.0], 20.0, (-200.0, 200.0));
    sheet.set("machine.audio.height_um", height_um);
    if pulses && sheet.random.chance(0.7) {
        sheet.setting("full-width-tone", 1.0);
        return sheet.play_it(&[]);
    }
    let full_width = sheet.random.chance(0.5);
    sheet.set("tapes.in.full_width_tone", full_width);
    let turns = if sheet.random.chance(0.3) {
        sheet.wrong("nut turned on one side of the peak only");
        vec![height_um.signum() * 230.0, height_um.signum() * 260.0, height_um.signum() * 200.0]
    } else {
        // Past the peak and back, and left where the operator thinks that it is.
        vec![height_um + 60.0, 0.0, -150.0, 150.0, 0.0, sheet.random.between(-60.0, 60.0)]
    };
    sheet.setting("rounds", turns.len() as f64);
    for (round, um) in (1..).zip(turns) {
        sheet.set(&format!("operator.adjust.height-{round}"), [format!("fault audio-height {um:.1}")]);
    }
    sheet.play_it(&[]);
}

pub(super) fn flutter(sheet: &mut Sheet) {
    common(sheet);
    right(sheet);
    // The weighted figure is about the capstan's peak where that turns at 4 Hz.
    let percent = sheet.near_or(&[0.3, 0.5], 0.03, (0.05, 0.8));
    sheet.set("machine.audio.capstan_percent", percent);
    sheet.draw("machine.audio.reel_percent", 0.0, 0.3);
    sheet.play_it(&[]);
}
