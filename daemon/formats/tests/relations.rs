//! The table of formats held against the relations of helical-scan geometry.
//!
//! Expected values were computed from the same rows in double precision by another program; the limits
//! are those that rounding in the table allows.

use tapewright_formats::relations::{
    SmallDrum, band_width_mm, blanking_hz, colour_under_lines, control_spacing_mm, degrees_a_line, delay_of_x_error_s,
    half_inch_tape, head_speed_m_s, line_on_tape_um, line_shift, lines_a_sweep, pitch_um, running_angle_deg,
    small_drum, still_drift_um, tracking_of_x_error, writing_speed_m_s,
};
use tapewright_formats::{Format, LineStandard, Sourced, format_named, formats};

fn near(what: &str, got: f64, want: f64, within: f64) {
    assert!((got - want).abs() <= within, "{what}: {got}, expected {want} within {within}");
}

fn row(name: &str) -> &'static Format {
    format_named(name).unwrap_or_else(|| panic!("no format {name}"))
}

fn seconds(degrees: f64, minutes: f64, seconds: f64) -> f64 {
    degrees * 3600.0 + minutes * 60.0 + seconds
}

/// One line: name, running angle (d, m, s), writing speed, pitch, control spacing (0: none), line shift,
/// band width, line on tape.
type Row = (&'static str, (f64, f64, f64), f64, f64, f64, f64, f64, f64);

const COMPUTED: [Row; 16] = [
    ("vhs-525-sp", (5.0, 58.0, 10.0), 5.8044, 57.863, 1.1128, 1.5001, 10.071, 368.90),
    ("vhs-525-lp", (5.0, 57.0, 8.5), 5.8209, 28.841, 0.5562, 0.7477, 10.071, 369.95),
    ("vhs-525-ep", (5.0, 56.0, 48.1), 5.8265, 19.220, 0.3710, 0.4983, 10.071, 370.30),
    ("vhs-625-sp", (5.0, 57.0, 50.3), 4.8462, 48.606, 0.9356, 1.5001, 10.071, 310.16),
    ("vhs-625-lp", (5.0, 56.0, 58.8), 4.8578, 24.255, 0.4680, 0.7486, 10.071, 310.90),
    ("vhs-625-ep", (5.0, 56.0, 41.6), 4.8617, 16.157, 0.3120, 0.4987, 10.071, 311.15),
    ("beta-525-i", (5.0, 1.0, 43.1), 6.9734, 58.494, 1.3347, 1.4999, 10.198, 443.20),
    ("beta-525-ii", (5.0, 0.0, 51.4), 6.9933, 29.164, 0.6673, 0.7478, 10.198, 444.46),
    ("beta-525-iii", (5.0, 0.0, 34.2), 6.9999, 19.419, 0.4448, 0.4980, 10.198, 444.89),
    ("beta-625", (5.0, 0.0, 57.7), 5.8315, 32.753, 0.7492, 0.9999, 10.198, 373.22),
    ("8mm-525-sp", (4.0, 54.0, 13.2), 3.7519, 20.457, 0.0, 1.0, 5.351, 238.45),
    ("8mm-525-lp", (4.0, 53.0, 39.6), 3.7590, 10.229, 0.0, 0.5, 5.351, 238.90),
    ("8mm-625-sp", (4.0, 54.0, 58.8), 3.1216, 34.368, 0.0, 1.9999, 5.351, 199.78),
    ("8mm-625-lp", (4.0, 54.0, 2.4), 3.1316, 17.185, 0.0, 1.0, 5.351, 200.42),
    ("u-525", (4.0, 57.0, 33.2), 10.2620, 137.443, 3.1798, 2.4286, 14.800, 652.20),
    ("u-625", (4.0, 58.0, 6.2), 8.5444, 165.071, 3.8120, 3.4724, 14.800, 546.84),
];

#[test]
fn the_table_gives_the_computed_geometry() {
    for (name, (d, m, s), writing, pitch, spacing, shift, band, line) in COMPUTED {
        let f = row(name);
        near(&format!("{name} angle, seconds of arc"), running_angle_deg(f) * 3600.0, seconds(d, m, s), 0.06);
        near(&format!("{name} writing speed"), writing_speed_m_s(f), writing, 6e-5);
        near(&format!("{name} pitch"), pitch_um(f), pitch, 6e-4);
        near(&format!("{name} control spacing"), control_spacing_mm(f).unwrap_or(0.0), spacing, 6e-5);
        near(&format!("{name} line shift"), line_shift(f), shift, 6e-5);
        near(&format!("{name} band width"), band_width_mm(f), band, 6e-4);
        near(&format!("{name} line on tape"), line_on_tape_um(f), line, 6e-3);
    }
}

/// What a row must fulfil by itself. The reason it does not, if so.
fn contradiction(f: &Format) -> Option<String> {
    let pitch = pitch_um(f);
    if (f.pitch_um.value / pitch - 1.0).abs() > 0.011 {
        return Some(format!("R1: pitch {} um, from the speed {pitch:.2} um", f.pitch_um.value));
    }
    if (still_drift_um(f) / pitch - 1.0).abs() > 1e-9 {
        return Some("R5: still drift is not the pitch".into());
    }
    let shift = line_shift(f);
    if !f.name.starts_with("u-") && (shift * 4.0 - (shift * 4.0).round()).abs() / 4.0 > 0.005 {
        return Some(format!("R6: line shift {shift:.4}"));
    }
    if f.fm_white_hz.value <= f.fm_sync_hz.value {
        return Some("R9: white below sync".into());
    }
    let under = colour_under_lines(f) * 8.0;
    if (under - under.round()).abs() > 1e-3 {
        return Some(format!("R10: colour-under is {:.4} lines", under / 8.0));
    }
    None
}

#[test]
fn every_row_fulfils_the_relations() {
    assert_eq!(formats().len(), 18);
    for f in formats() {
        assert_eq!(contradiction(f), None, "{}", f.name);
        let approximate = head_speed_m_s(f) - f.tape_speed_mm_s.value * 1e-3 * running_angle_deg(f).to_radians().cos();
        near(&format!("{} R4, short form", f.name), writing_speed_m_s(f) / approximate, 1.0, 1e-4);
        assert!(formats().iter().filter(|g| g.name == f.name).count() == 1, "{} is there once", f.name);
    }
}

#[test]
fn pages_that_were_wrong_are_caught() {
    let changed = |name: &str, change: &dyn Fn(&mut Format)| {
        let mut f = *row(name);
        change(&mut f);
        contradiction(&f).unwrap_or_else(|| panic!("{name}: the error was not caught"))
    };
    let to = |field: &mut Sourced, value: f64| field.value = value;
    // A 625-line table with the pitch of 525 lines.
    assert!(changed("vhs-625-sp", &|f| to(&mut f.pitch_um, 58.0)).starts_with("R1"));
    // `(44 f_H + 1953) Hz` given for what is 40 f_H + 1953: another format's carrier, not 0.627 MHz.
    let printed = 44.0 * LineStandard::L625.line_rate_hz() + 1953.125;
    near("that carrier, in lines", printed / LineStandard::L625.line_rate_hz(), 44.125, 1e-9);
    assert!((printed - row("vhs-625-sp").colour_under_hz.value).abs() > 6e4);
    // A tape speed from another format's page.
    assert!(changed("8mm-625-sp", &|f| to(&mut f.tape_speed_mm_s, 83.88)).starts_with("R1"));
    // Shortest wavelength 0.78 um beside white of 4.8 MHz.
    let white = row("vhs-625-sp");
    near("wavelength at white", writing_speed_m_s(white) / white.fm_white_hz.value * 1e6, 1.01, 0.005);
    // A track width of 32.8 mm is a slip of the unit.
    assert!(changed("beta-625", &|f| to(&mut f.pitch_um, 32_800.0)).starts_with("R1"));
    // Azimuth of one format printed for the other.
    assert_eq!((row("vhs-525-sp").azimuth_deg.value, row("beta-625").azimuth_deg.value), (6.0, 7.0));
    // And a drum of 62.5 mm, which one textbook prints.
    assert!(changed("vhs-525-sp", &|f| to(&mut f.drum_diameter_mm, 62.5)).starts_with("R6"));
}

#[test]
fn tabled_angles_and_speeds_agree() {
    for (name, d, m, s, within) in [
        ("vhs-525-sp", 5.0, 58.0, 9.9, 0.2),
        ("vhs-625-sp", 5.0, 57.0, 50.3, 0.2),
        ("beta-525-i", 5.0, 1.0, 42.0, 1.5),
        ("8mm-525-sp", 4.0, 54.0, 13.2, 0.2),
        ("8mm-625-sp", 4.0, 54.0, 58.8, 0.2),
        ("u-525", 4.0, 57.0, 33.2, 0.2),
    ] {
        near(&format!("{name} R2"), running_angle_deg(row(name)) * 3600.0, seconds(d, m, s), within);
    }
    for (name, speed) in [
        ("vhs-525-sp", 5.80),
        ("vhs-625-sp", 4.84),
        ("beta-525-i", 6.973),
        ("beta-525-ii", 6.993),
        ("beta-625", 5.83),
        ("8mm-525-sp", 3.75),
        ("8mm-625-sp", 3.12),
        ("u-525", 10.26),
        ("u-625", 8.54),
    ] {
        near(&format!("{name} R4"), writing_speed_m_s(row(name)) / speed, 1.0, 0.002);
    }
}

#[test]
fn edges_small_drums_and_consequences() {
    use half_inch_tape::{AUDIO_FROM_MM, AUDIO_MM, CONTROL_MM, VIDEO_CENTRE_MM, VIDEO_MM, WIDTH_MM};
    near("R8 upper edge", AUDIO_FROM_MM + AUDIO_MM, WIDTH_MM, 1e-12);
    near(
        "R8 guards",
        VIDEO_CENTRE_MM - VIDEO_MM / 2.0 - CONTROL_MM,
        AUDIO_FROM_MM - (VIDEO_CENTRE_MM + VIDEO_MM / 2.0),
        1e-12,
    );
    assert!(band_width_mm(row("vhs-525-sp")) < VIDEO_MM);
    for (name, diameter, rate) in
        [("vhs-525-sp", 41.333, 44.955), ("vhs-625-sp", 41.333, 37.5), ("8mm-525-sp", 26.667, 44.955)]
    {
        let SmallDrum { diameter_mm, wrap_deg, rate_hz } = small_drum(row(name));
        near("R11 diameter", diameter_mm, diameter, 5e-4);
        near("R11 wrap", wrap_deg, 270.0, 1e-9);
        near("R11 rate", rate_hz, rate, 5e-4);
    }
    for lines in [LineStandard::L525, LineStandard::L625] {
        near("R12", lines_a_sweep(lines), lines.lines_a_scan(), 1e-9);
    }
    near("R14 525", degrees_a_line(LineStandard::L525), 0.685_71, 1e-5);
    near("R14 625", degrees_a_line(LineStandard::L625), 0.576_00, 1e-9);
    for (name, share, delay_ms) in [
        ("vhs-525-sp", 0.18, 3.00),
        ("vhs-525-ep", 0.54, 8.99),
        ("vhs-625-lp", 0.43, 8.55),
        ("beta-525-ii", 0.30, 5.00),
    ] {
        near(&format!("{name} R13"), tracking_of_x_error(row(name), 0.1), share, 0.005);
        near(&format!("{name} R13 delay"), delay_of_x_error_s(row(name), 0.1) * 1e3, delay_ms, 0.006);
    }
    for (name, blanking) in
        [("vhs-525-sp", 3.686e6), ("vhs-625-sp", 4.1e6), ("s-vhs-525-sp", 5.857e6), ("s-vhs-625-sp", 5.88e6)]
    {
        near(&format!("{name} R9"), blanking_hz(row(name)), blanking, 600.0);
    }
}
