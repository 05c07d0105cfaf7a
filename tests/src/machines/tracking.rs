//! Machines whose audio and control head stands out of its place, and an operator who steps unevenly through the tracking.

use super::sheet::{Scopes, Sheet};
use tapewright_formats::TapeKind;
use tapewright_formats::relations::pitch_um;

/// Places of the control, as the procedure asks for them unless set otherwise.
const STEPS: u32 = 9;
/// The control's ends, in pitches.
const END: f64 = 0.75;

pub(super) fn draw(sheet: &mut Sheet) {
    let format = sheet.format(&["vhs-525-sp", "vhs-625-sp", "vhs-625-lp", "s-vhs-525-sp", "beta-525-ii", "beta-625"]);
    sheet.scope(Scopes { slowest: 9_600, without_peak: true });
    sheet.tape(TapeKind::Alignment, &["grey", "bars"]);
    // Judged as a share of the control's range.
    let offset = 0.02 * END * sheet.near_or(&[-10.0, -5.0, 5.0, 10.0], 1.0, (-20.0, 20.0));
    let mm_a_pitch = format.tape_speed_mm_s.value / format.lines.field_rate_hz();
    sheet.set("machine.tracking.x_error_mm", -offset * mm_a_pitch);
    sheet.set("operator.adjust.tracking-detent", ["fault tracking 0"]);
    for step in 1..=STEPS {
        let even = END * (2.0 * f64::from(step - 1) / f64::from(STEPS - 1) - 1.0);
        let place = even + sheet.random.between(-0.04, 0.04);
        sheet.set(&format!("operator.adjust.tracking-{step}"), [format!("fault tracking {place:.4}")]);
    }
    let expected_v = sheet.rf();
    sheet.heads((0.85, 1.1), (1.0, 1.3), format);
    sheet.draw("machine.drum.jitter_s", 1e-6, 1e-5);
    sheet.draw("machine.control.jitter_s", 2e-6, 1e-4);
    sheet.draw("machine.control.delay_s", 1e-3, 30e-3);
    sheet.probe("CH1", "rf", 1.0, Some(expected_v));
    sheet.trains("CH2", "control-track");
    sheet.play_it(&[]);
    // Half of the machines have keys, which relays press: then nobody is asked.
    let keys = sheet.random.between(0.0, 1.0) < 0.5;
    sheet.note("control", &if keys { "keys" } else { "knob" });
    if keys {
        sheet.set("machine.tracking.keys", true);
        sheet.set("machine.tracking.range_pitch", END);
        let step = sheet.random.between(0.05, 0.1);
        let way: f64 = *sheet.random.one_of(&[-1.0, 1.0]);
        sheet.set("machine.tracking.step_pitch", way * step);
    }
    // A third of them have a head at another height than the other.
    if sheet.random.between(0.0, 1.0) < 0.33 {
        let apart = sheet.near_or(&[-0.25, -0.1, 0.1, 0.25], 0.02, (-0.4, 0.4));
        sheet.note("heads", &"apart");
        let height_um = apart * pitch_um(format);
        let of = *sheet.random.one_of(&[0.0, 0.5, 1.0]);
        sheet.set("machine.head_a.height_um", -of * height_um);
        sheet.set("machine.head_b.height_um", (1.0 - of) * height_um);
    }
}
