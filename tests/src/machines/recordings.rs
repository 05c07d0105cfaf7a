//! A machine's own recording against a reference tape, and one recording on two paths.

use super::sheet::{Scopes, Sheet};
use tapewright_formats::TapeKind;
use tapewright_formats::relations::pitch_um;

const FORMATS: &[&str] =
    &["vhs-525-sp", "vhs-625-sp", "vhs-525-ep", "vhs-625-lp", "s-vhs-525-sp", "beta-525-ii", "beta-625"];

fn common(sheet: &mut Sheet) -> f64 {
    let format = sheet.format(FORMATS);
    sheet.scope(Scopes { slowest: 9_600, without_peak: true });
    let expected_v = sheet.rf();
    sheet.heads((0.85, 1.1), (1.0, 1.2), format);
    sheet.probe("CH1", "rf", 1.0, Some(expected_v));
    sheet.probe("EXT", "head-switch", 10.0, Some(5.0));
    pitch_um(format)
}

/// The tape, with any picture; whether the operator says that it is even, which is true of some pictures only.
fn picture(sheet: &mut Sheet, kind: TapeKind) -> bool {
    sheet.tape(kind, &["grey", "bars", "random", "bright-bottom"]);
    let said = sheet.picture_is_even() && sheet.random.chance(0.7);
    sheet.note("said-even", &said);
    said
}

/// Records on a scratch tape what a reference tape showed before.
pub(super) fn own(sheet: &mut Sheet) {
    let pitch_um = common(sheet);
    let even = picture(sheet, TapeKind::Own);
    sheet.set("tapes.reference.kind", "alignment");
    sheet.set("tapes.reference.picture", "grey");
    let bend = pitch_um * sheet.random.between(-0.1, 0.1);
    sheet.set("machine.guides.exit_um", bend);
    sheet.play("envelope", "reference", &[]);
    // A head records too weakly; between the two, because it was cleaned, or wears.
    let kept = 10_f64.powf(-sheet.near_or(&[3.5, 6.0], 0.5, (0.0, 8.0)) / 20.0);
    let commands = if sheet.random.chance(0.5) { vec![format!("fault head-b-gain {kept:.4}")] } else { Vec::new() };
    let play = sheet.play("record-playback", "in", &commands);
    (play.scratch, play.against, play.even_picture) = (true, true, even);
}

/// One tape, played on a path and on another.
pub(super) fn interchange(sheet: &mut Sheet) {
    let pitch_um = common(sheet);
    let even = picture(sheet, TapeKind::Other);
    let bent = |sheet: &mut Sheet| pitch_um * sheet.random.between(-0.4, 0.4);
    let (entrance_um, exit_um) = (bent(sheet), bent(sheet));
    sheet.play("interchange", "in", &[format!("fault entrance-guide {entrance_um:.3}")]).even_picture = even;
    let play = sheet.play("interchange", "in", &[format!("fault exit-guide {exit_um:.3}")]);
    (play.against, play.even_picture) = (true, even);
}
