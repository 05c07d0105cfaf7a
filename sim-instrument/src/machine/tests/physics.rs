//! Heads, tracks and losses.

use super::super::conditions::{Conditions, Head, TapeState};
use super::super::config::{GuideCurve, MachineConfig, Picture, TapeConfig};
use super::super::faults::Faults;
use super::super::losses;
use super::super::reading::read_tracks;
use super::super::video::FrameTable;
use super::{config, running};
use std::sync::Arc;
use tapewright_formats::relations::{pitch_um, writing_speed_m_s};
use tapewright_formats::{Format, Mode, format_named, formats};

fn conditions(format: &'static Format, machine: MachineConfig) -> Conditions {
    let machine = Arc::new(MachineConfig { format: format.name.into(), ..machine });
    let table = Arc::new(FrameTable::new(format, Picture::Black, false, 0));
    let tape = TapeState::new(&TapeConfig::default(), format, &machine, table, 1);
    Conditions::new(&machine, format, Some(Arc::new(tape)), &Faults::default())
}

fn db(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

#[test]
fn wrong_azimuth_is_down_as_the_format_says() {
    for (name, want_db) in [("vhs-525-sp", -27.0), ("vhs-525-lp", -21.0), ("vhs-525-ep", -17.5)] {
        let format = format_named(name).unwrap();
        let state = conditions(format, MachineConfig::default());
        let tape = state.tracks().unwrap();
        let level = |kappa| read_tracks(&state, tape, Head::A, kappa, 0.5).level_v();
        let got = db(level(1.0) / level(0.0));
        assert!((got - want_db).abs() < 1.0, "{name}: {got}");
        // Halfway: half of its own track, and a little of the other.
        assert!((level(0.5) / level(0.0) - 0.5).abs() < 0.05);
        // Far less at the colour-under carrier.
        let x =
            losses::azimuth_x_a_um(format.azimuth_deg.value, format.colour_under_hz.value, writing_speed_m_s(format));
        let colour = db(losses::azimuth(x * pitch_um(format)));
        assert!(colour > got + 10.0, "{name}: colour {colour}, carrier {got}");
    }
}

#[test]
fn white_plays_back_below_sync() {
    for format in formats() {
        let state = conditions(format, MachineConfig::default());
        let white = db(state.heads[0].gain(format.fm_white_hz.value - format.fm_sync_hz.value));
        assert!((-4.0..=-1.0).contains(&white), "{}: white lies {white} dB from sync", format.name);
    }
}

#[test]
fn resting_tape_moves_a_head_by_one_pitch_a_scan() {
    let (machine, t) = running(config("ordinary"), 3, Mode::Still);
    let stretch = machine.timeline.stretch(t, machine.seed);
    let scan_s = 1.0 / stretch.rate_hz;
    let drift = stretch.kappa(stretch.edge_s + scan_s) - stretch.kappa(stretch.edge_s);
    assert!((drift + 1.0).abs() < 1e-9, "{drift}");
    // Both heads run over the same line.
    let next = machine.timeline.stretch(stretch.end_s + 1e-9, machine.seed);
    assert!((next.kappa(next.edge_s) - stretch.kappa(stretch.edge_s)).abs() < 1e-9);
    let (machine, t) = running(config("ordinary"), 3, Mode::Cue);
    let stretch = machine.timeline.stretch(t, machine.seed);
    let drift = stretch.kappa(stretch.edge_s + 1.0 / stretch.rate_hz) - stretch.kappa(stretch.edge_s);
    // The drum turns faster for the line rate, so the tape moves a little less than seven tracks in a scan.
    assert!((drift - 6.0).abs() < 0.3, "{drift}");
}

/// Levels over the still line of a head that is centred on a track of head A at mid-scan.
fn still_levels(width: f64, head: Head) -> [f64; 3] {
    let format = format_named("vhs-525-sp").unwrap();
    let mut machine = MachineConfig::default();
    machine.rf.overlap_lines = 7.0;
    machine.head_a.width_um = Some(width * pitch_um(format));
    machine.head_b = machine.head_a.clone();
    let state = conditions(format, machine);
    [0.0, 0.5, 1.0]
        .map(|y| read_tracks(&state, state.tracks().unwrap(), head, 0.5 - y, y).level_v() / state.heads[0].level_v)
}

#[test]
fn still_keeps_three_quarters_with_a_head_half_as_wide_again() {
    let [entrance, middle, exit] = still_levels(1.5, Head::A);
    assert!(
        (entrance - 0.75).abs() < 0.01 && (middle - 1.0).abs() < 0.01 && (exit - 0.75).abs() < 0.01,
        "{entrance} {middle} {exit}"
    );
    // The other head is between two of its own at mid-scan: a quarter from each, added as powers.
    let [_, between, _] = still_levels(1.5, Head::B);
    assert!((between - 0.25 * 2f64.sqrt()).abs() < 0.02, "{between}");
    // A head as wide as the pitch loses half at both ends.
    assert!((still_levels(1.0, Head::A)[0] - 0.5).abs() < 0.01);
}

#[test]
fn heads_differ_by_three_db_in_about_four_stops_of_ten() {
    let (mut machine, mut t) = running(config("ordinary"), 11, Mode::Still);
    let stops = 200;
    let mut far = 0;
    for _ in 0..stops {
        let curve = machine.curve_truth(t, t + 0.2).unwrap();
        let peak = |c: &[f64]| c.iter().fold(0.0_f64, |a, b| a.max(*b));
        if db(peak(&curve.head_a.curve_v) / peak(&curve.head_b.curve_v)).abs() > 3.0 {
            far += 1;
        }
        t = machine.key(Mode::Advance, t + 0.3);
    }
    let share = f64::from(far) / f64::from(stops);
    assert!((0.31..0.51).contains(&share), "{share}");
}

#[test]
fn guides_sag_at_their_own_end_and_an_own_recording_hides_them() {
    for (fault, entrance_falls) in [("entrance-guide", true), ("exit-guide", false)] {
        for value in ["25", "-25"] {
            let (mut machine, t) = running(config("alignment"), 5, Mode::Play);
            let before = machine.curve_truth(t, t + 0.3).unwrap().head_a;
            machine.fault(fault, value, t).unwrap();
            let after = machine.curve_truth(t + 0.5, t + 0.8).unwrap().head_a;
            let (sags, stays) =
                if entrance_falls { (after.entrance, after.exit) } else { (after.exit, after.entrance) };
            assert!(
                before.flatness > 0.97 && sags < 0.85 && (stays - 1.0).abs() < 0.02,
                "{fault} {value}: {sags} {stays}"
            );
        }
    }
    let bent = GuideCurve { entrance_um: 25.0, exit_um: 0.0 };
    let (machine, t) = running(MachineConfig { guides: bent, ..config("ordinary") }, 5, Mode::Play);
    assert!(machine.curve_truth(t, t + 0.3).unwrap().head_a.flatness > 0.97);
    let (machine, t) = running(MachineConfig { guides: bent, ..config("alignment") }, 5, Mode::Play);
    assert!(machine.curve_truth(t, t + 0.3).unwrap().head_a.flatness < 0.75);
}

#[test]
fn a_wide_head_hides_a_small_guide_error() {
    let format = format_named("vhs-525-sp").unwrap();
    let mut wide = config("alignment");
    wide.head_a.width_um = Some(pitch_um(format) + 30.0);
    wide.guides.entrance_um = 12.0;
    let (machine, t) = running(wide, 5, Mode::Play);
    assert!(machine.curve_truth(t, t + 0.3).unwrap().head_a.flatness > 0.99);
}

#[test]
fn wrong_tape_speed_looks_like_a_sagging_end() {
    let mut machine = config("ordinary");
    machine.format = "vhs-525-lp".into();
    machine.tapes.get_mut("ordinary").unwrap().format = Some("vhs-525-sp".into());
    let (machine, t) = running(machine, 9, Mode::Play);
    let stretch = machine.timeline.stretch(t, machine.seed);
    let drift = (stretch.speed - stretch.rate_hz) / stretch.rate_hz;
    assert!((drift + 0.5).abs() < 0.02, "{drift}");
}
