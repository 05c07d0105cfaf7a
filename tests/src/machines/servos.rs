//! Drums and tapes that are locked, run free, or whose servo hunts.

use super::sheet::{Scopes, Sheet, WITH_CONTROL_TRACK};
use tapewright_formats::TapeKind;

/// What a servo does.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Manner {
    Locked,
    Hunts,
    Free,
}

fn common(sheet: &mut Sheet, train: &str) -> Manner {
    sheet.format(WITH_CONTROL_TRACK);
    sheet.scope(Scopes { slowest: 9_600, without_peak: false });
    sheet.tape(TapeKind::Other, &["bars", "grey", "random"]);
    sheet.draw("machine.drum.phase_s", 2e-3, 8e-3);
    sheet.draw("machine.control.delay_s", 1e-3, 33e-3);
    sheet.draw("machine.tracking.offset_pitch", -0.3, 0.3);
    if train == "reference" && sheet.random.chance(0.2) {
        // The rate alone is told then.
        sheet.probe("CH1", "head-switch", 10.0, Some(5.0));
        sheet.note("sampled", &"alone");
    } else {
        sheet.trains("CH1", train);
    }
    let manner = *sheet.random.one_of(&[Manner::Locked, Manner::Locked, Manner::Hunts, Manner::Free]);
    sheet.note("manner", &["locked", "hunts", "free"][manner as usize]);
    manner
}

pub(super) fn drum(sheet: &mut Sheet) {
    let manner = common(sheet, "reference");
    let jitter_s = 1e-6 * sheet.near_or(&[6.5, 13.0], 1.7, (1.0, 20.0));
    sheet.set("machine.drum.jitter_s", jitter_s);
    let mut commands = Vec::new();
    match manner {
        Manner::Locked => {}
        Manner::Hunts => {
            // The swing that is judged is that of a sine with the course's power: about 0.6 of the greatest excursion.
            let swing_us = sheet.near_or(&[64.0, 200.0], 20.0, (50.0, 1000.0));
            sheet.set("machine.drum.hunting_s", 1e-6 * swing_us / 0.6);
            sheet.draw("machine.drum.hunting_period_s", 1.5, 5.0);
        }
        Manner::Free => {
            let error = 0.01 * sheet.near_or(&[-0.1, -0.01, 0.01, 0.1], 2e-4, (-2.0, 2.0));
            commands.push(format!("fault drum-unlocked {error:.8}"));
            sheet.wrong("drum runs free");
        }
    }
    sheet.play_it(&commands);
}

pub(super) fn capstan(sheet: &mut Sheet) {
    let manner = common(sheet, "control-track");
    let jitter_s = 1e-3 * sheet.near_or(&[0.3, 1.0], 0.1, (0.002, 0.5));
    // A millisecond is the most that the simulator gives.
    sheet.set("machine.control.jitter_s", jitter_s.clamp(2e-6, 1e-3));
    sheet.draw("machine.drum.jitter_s", 1e-6, 2e-5);
    let mut commands = Vec::new();
    match manner {
        Manner::Locked => {}
        Manner::Hunts => {
            let swing = sheet.near_or(&[0.05, 0.2], 0.03, (0.06, 0.4));
            sheet.set("machine.tracking.hunting_pitch", swing.max(0.0) / 0.6);
            sheet.draw("machine.tracking.hunting_period_s", 2.0, 6.0);
        }
        Manner::Free => {
            let error = 0.01 * sheet.near_or(&[-0.5, -0.1, 0.1, 0.5], 0.005, (-1.2, 1.2));
            commands.push(format!("fault capstan-free {error:.8}"));
            sheet.wrong("capstan runs free");
        }
    }
    sheet.play_it(&commands);
}
