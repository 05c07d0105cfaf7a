//! Guides out of height, dirt that looks like it, and an operator who turns tracking and screws.

use super::sheet::{Scopes, Sheet};
use tapewright_formats::TapeKind;
use tapewright_formats::relations::pitch_um;

pub(super) fn draw(sheet: &mut Sheet) {
    let format = sheet.format(&["vhs-525-sp", "vhs-625-sp", "s-vhs-525-sp", "s-vhs-625-sp", "beta-525-ii"]);
    sheet.scope(Scopes { slowest: 9_600, without_peak: true });
    sheet.tape(TapeKind::Alignment, &["grey", "bars"]);
    let expected_v = sheet.rf();
    let pitch = pitch_um(format);
    // Both heads of a drum are of one make; some drums have heads much wider than this speed's tracks.
    let width = sheet.random.between(1.0, 1.6);
    sheet.heads((0.85, 1.1), (width, (width + 0.05).min(1.6)), format);
    sheet.draw("machine.control.jitter_s", 2e-6, 5e-5);
    sheet.probe("CH1", "rf", 1.0, Some(expected_v));
    sheet.probe("CH2", "control-track", 10.0, Some(5.0));
    sheet.probe("EXT", "head-switch", 10.0, Some(5.0));
    // What a guide's setting moves at the ends of the scan is a little less than the setting.
    let height = |sheet: &mut Sheet| {
        if sheet.random.chance(0.3) {
            return 0.0;
        }
        let limits = [-0.25, -0.12, 0.12, 0.25];
        1.2 * pitch * sheet.near_or(&limits, 0.05, (-0.5, 0.5))
    };
    let mut commands =
        vec![format!("fault entrance-guide {:.3}", height(sheet)), format!("fault exit-guide {:.3}", height(sheet))];
    if sheet.random.chance(0.3) {
        let dip = 1.0 - sheet.near_or(&[0.63, 0.75], 0.03, (0.4, 0.95));
        commands.push(format!("fault contact-dip {dip:.4}"));
    }
    sheet.set("operator.adjust.tracking-centre", ["clear tracking"]);
    // The wider the head, the later the level falls.
    let side = 0.5 * (width - 1.0) + sheet.random.between(0.36, 0.44);
    sheet.set("operator.adjust.tracking-one-side", [format!("fault tracking {side:.3}")]);
    sheet.set("operator.adjust.tracking-other-side", [format!("fault tracking {:.3}", -side)]);
    // Half of the operators turn the screws; what they leave is as small as a screw can be set.
    let turned: Vec<String> = if sheet.random.chance(0.5) {
        ["entrance-guide", "exit-guide"]
            .map(|guide| format!("fault {guide} {:.3}", pitch * sheet.random.between(-0.15, 0.15)))
            .to_vec()
    } else {
        Vec::new()
    };
    sheet.note("turned", &!turned.is_empty());
    sheet.set("operator.adjust.adjust-guides", turned);
    sheet.play_it(&commands);
}
