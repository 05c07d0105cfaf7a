//! Where heads lie on their tracks: slip, swing, tracking centre, the curve of a head, guides.

use super::keep;
use crate::Case;
use crate::signals::tape;
use std::path::Path;
use tapewright_formats::LineStandard;
use tapewright_formats::definitions::SEGMENTS;
use tapewright_measure::colour::ColourPart;
use tapewright_measure::curve::{entrance, exit, flatness};
use tapewright_measure::guides::{Places, guide_errors};
use tapewright_measure::picture::Picture;
use tapewright_measure::record::{LevelRecord, Reading};
use tapewright_measure::slip::{Course, course_of};
use tapewright_measure::swing::swing_of;
use tapewright_measure::tracking::{Step, tracking_centre};
use tapewright_measure::{HeadCurve, ScanLevels};

fn slip(folder: &Path) -> Case {
    let name = "slip: fit of a record of 10 s";
    let frame_rate_hz = LineStandard::L525.frame_rate_hz();
    let levels = tape::slip(frame_rate_hz);
    keep(folder, name, 1.0 / frame_rate_hz, levels.iter().copied());
    let samples = levels.len();
    let record = LevelRecord { t0_s: 0.0, dt_s: 1.0 / frame_rate_hz, level_v: levels, frame_rate_hz, bins_v: 0.0 };
    let run = move || match course_of(&record).expect("a course").course {
        Course::Slip { frequency, .. } => vec![frequency.value],
        _ => Vec::new(),
    };
    Case { name, samples, run: Box::new(run), truth: Some(vec![tape::SLIP_HZ]) }
}

/// Ten seconds of a level that goes up and down, without colour: how far it falls from its greatest.
fn swing(folder: &Path) -> Case {
    let name = "swing of a level, record of 10 s";
    let frame_rate_hz = LineStandard::L525.frame_rate_hz();
    let levels = tape::swinging(frame_rate_hz);
    keep(folder, name, 1.0 / frame_rate_hz, levels.iter().copied());
    let samples = levels.len();
    let record = LevelRecord { t0_s: 0.0, dt_s: 1.0 / frame_rate_hz, level_v: levels, frame_rate_hz, bins_v: 0.0 };
    let picture = Picture { colour_share: (0.0, 0.0), ..Picture::even() };
    let run = move || vec![swing_of(&record, &picture, Reading::Power).expect("a swing").value];
    Case { name, samples, run: Box::new(run), truth: Some(vec![tape::swing()]) }
}

/// Places of the tracking control: delays first, then the level at each. The centre.
fn centre(folder: &Path) -> Case {
    let name = "tracking centre, nine places";
    let places = tape::stepped(9);
    let values = places.iter().map(|place| place.0).chain(places.iter().map(|place| place.1));
    keep(folder, name, 1.0, values);
    let step = |&(delay_s, level_v): &(f64, f64)| Step { delay_s, delay_u_s: 2e-5, level_v, level_u_v: tape::STEP_U_V };
    let steps: Vec<Step> = places.iter().map(step).collect();
    let run = move || vec![tracking_centre(&steps).expect("a centre").centre.value];
    Case { name, samples: 2 * places.len(), run: Box::new(run), truth: Some(vec![tape::CENTRE_S]) }
}

fn scan_levels(level_v: [f64; SEGMENTS]) -> ScanLevels {
    ScanLevels {
        level_v,
        random_v: [tape::LEVEL_U_V; SEGMENTS],
        shared: Vec::new(),
        common: Vec::new(),
        of_head: Vec::new(),
        shape_u: 0.0,
        colour: ColourPart::None,
        noise_v: tape::LEVEL_U_V,
        frame_u: 0.0,
    }
}

/// Eight frames of a head's levels at the centre: flatness, entrance and exit.
fn curve(folder: &Path) -> Case {
    let name = "flatness, entrance, exit, eight frames";
    let frames = tape::beside(0.0, 8);
    keep(folder, name, 1.0, frames.iter().flatten().copied());
    let samples = frames.len() * SEGMENTS;
    let frames: Vec<ScanLevels> = frames.into_iter().map(scan_levels).collect();
    let run = move || {
        let curve = HeadCurve::over_frames(&frames).expect("a curve");
        [flatness(&curve), entrance(&curve), exit(&curve)].map(|of| of.expect("levels").value).to_vec()
    };
    Case { name, samples, run: Box::new(run), truth: Some(tape::curve()) }
}

/// Eight frames at the centre and on either side of the track: height of entrance and exit, with their signs.
fn guides(folder: &Path) -> Case {
    let name = "guides: heights from three places";
    let places = [0.0, tape::SIDE, -tape::SIDE].map(|aside| tape::beside(aside, 8));
    keep(folder, name, 1.0, places.iter().flatten().flatten().copied());
    let samples = places.iter().flatten().count() * SEGMENTS;
    let frames = places.map(|place| place.into_iter().map(scan_levels).collect::<Vec<_>>());
    let run = move || {
        let [centre, plus, minus] = frames.each_ref().map(|of| HeadCurve::over_frames(of).expect("a curve"));
        let places = Places { centre: &centre, plus: &plus, minus: &minus, apart: Some(2.0 * tape::SIDE) };
        let errors = guide_errors(&places, tape::PITCH_UM).expect("heights");
        vec![errors.entrance.value, errors.exit.value]
    };
    Case { name, samples, run: Box::new(run), truth: Some(tape::heights_um()) }
}

/// The cases of this room.
pub(super) fn all(folder: &Path) -> Vec<Case> {
    vec![slip(folder), swing(folder), centre(folder), curve(folder), guides(folder)]
}
