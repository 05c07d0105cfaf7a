//! The table of formats held against the relations of helical-scan geometry.
//!
//! Expected values were computed from the same rows in double precision by another program; the limits
//! are those that rounding in the table allows.

use tapewright_formats::relations::{
    SmallDrum, band_width_mm, blanking_hz, colour_under_lines, control_spacing_mm, degrees_a_line, delay_of_x_error_s,
    deviation_hz, half_inch_tape, head_speed_m_s, line_on_tape_um, line_shift, lines_a_sweep, pitch_um,
    running_angle_deg, small_drum, still_drift_um, tracking_of_x_error, writing_speed_m_s,
};
use tapewright_formats::sound::{FmSound, LinearSound};
use tapewright_formats::{Format, LineStandard, format_named, formats};

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

/// What the reference table gives for each family beside its rows: the start of the names, deviation in MHz (R9), colour-under
/// in lines (R10; of head A where the heads differ), azimuth in degrees, width of the tape in millimetres.
const FAMILIES: [(&str, f64, f64, f64, f64); 11] = [
    ("vhs-525", 1.0, 40.0, 6.0, 12.65),
    ("vhs-625", 1.0, 40.125, 6.0, 12.65),
    ("s-vhs-525", 1.6, 40.0, 6.0, 12.65),
    ("s-vhs-625", 1.6, 40.125, 6.0, 12.65),
    ("beta-525", 1.3, 43.75, 7.0, 12.65),
    ("beta-625", 1.4, 43.875, 7.0, 12.65),
    ("8mm-525", 1.2, 47.25, 10.0, 8.0),
    ("8mm-625", 1.2, 46.875, 10.0, 8.0),
    ("8mm-high-625", 2.0, 46.875, 10.0, 8.0),
    ("u-525", 1.6, 43.75, 0.0, 19.0),
    ("u-625", 1.6, 43.875, 0.0, 19.0),
];

/// A page about a format: its row, and what pages print besides. None: not printed.
#[derive(Clone, Copy)]
struct Page {
    row: Format,
    shortest_wave_um: Option<f64>,
    tape_m2_a_minute: Option<f64>,
    depth_sound: Option<bool>,
}

impl Page {
    const fn of(row: Format) -> Self {
        Self { row, shortest_wave_um: None, tape_m2_a_minute: None, depth_sound: None }
    }
}

/// The reason that a page cannot be right, if there is one.
fn contradiction(page: &Page) -> Option<String> {
    let f = &page.row;
    let family = FAMILIES.iter().find(|(start, ..)| f.name.starts_with(start));
    let &(_, deviation_mhz, under, azimuth, width_mm) = family.unwrap_or_else(|| panic!("no family of {}", f.name));
    let pitch = pitch_um(f);
    // Tables round the pitch: the coarsest is 1.01 % off.
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
    // Carriers are printed to 0.1 MHz and their difference is exact.
    if (deviation_hz(f) - deviation_mhz * 1e6).abs() > 1.0 {
        return Some(format!("R9: deviation {} Hz, not {deviation_mhz} MHz", deviation_hz(f)));
    }
    // Locked to the line rate, so exact but for printing whole hertz.
    if (f.colour_under_hz.value - under * f.lines.line_rate_hz()).abs() > 0.5 {
        return Some(format!("R10: colour-under is {:.4} lines, not {under}", colour_under_lines(f)));
    }
    if (f.azimuth_deg.value - azimuth).abs() > 1e-9 {
        return Some(format!("azimuth {}, not {azimuth}", f.azimuth_deg.value));
    }
    // Two digits are printed, of 0.4 um one.
    let wave = writing_speed_m_s(f) / f.fm_white_hz.value * 1e6;
    if page.shortest_wave_um.is_some_and(|printed| (printed / wave - 1.0).abs() > 0.015) {
        return Some(format!("wavelength at white is {wave:.2} um"));
    }
    let area = width_mm * f.tape_speed_mm_s.value * 60e-6;
    if page.tape_m2_a_minute.is_some_and(|printed| (printed - area).abs() > 0.000_5) {
        return Some(format!("area: {area:.4} square metres of tape a minute"));
    }
    if page.depth_sound.is_some_and(|depth| depth != matches!(f.fm_sound(), FmSound::Depth { .. })) {
        return Some("sound: recorded otherwise".into());
    }
    None
}

#[test]
fn every_row_fulfils_the_relations() {
    assert_eq!(formats().len(), 18);
    for f in formats() {
        assert_eq!(contradiction(&Page::of(*f)), None, "{}", f.name);
        let approximate = head_speed_m_s(f) - f.tape_speed_mm_s.value * 1e-3 * running_angle_deg(f).to_radians().cos();
        near(&format!("{} R4, short form", f.name), writing_speed_m_s(f) / approximate, 1.0, 1e-4);
        assert!(formats().iter().filter(|g| g.name == f.name).count() == 1, "{} is there once", f.name);
    }
}

fn page(name: &str, change: impl FnOnce(&mut Page)) -> Option<String> {
    let mut page = Page::of(*row(name));
    change(&mut page);
    contradiction(&page)
}

/// The 8 mm high band has the mechanics of the standard band; it is no row of its own.
fn high_band(p: &mut Page) {
    p.row.name = "8mm-high-625-sp";
    (p.row.fm_sync_hz.value, p.row.fm_white_hz.value) = (5.7e6, 7.7e6);
}

/// What stored pages print wrongly (reference tables, 2.3), each beside what the same place should say.
#[test]
fn pages_that_were_wrong_are_refused() {
    #[track_caller]
    fn refused(by: &str, got: Option<String>) {
        let why = got.unwrap_or_else(|| panic!("accepted, expected {by}"));
        assert!(why.starts_with(by), "expected {by}, got {why}");
    }
    // A 625-line table with the pitch of 525 lines; R1 gives 48.61.
    refused("R1", page("vhs-625-sp", |p| p.row.pitch_um.value = 58.0));
    near("R1", pitch_um(row("vhs-625-sp")), 48.61, 0.005);
    // `(44 f_H + 1953) Hz` beside 0.627 MHz: 689 453 Hz, which is head B's carrier of another format; 40 f_H is meant.
    let printed = |lines: f64| lines * LineStandard::L625.line_rate_hz() + 1953.0;
    near("that carrier", printed(44.0), 689_453.0, 1e-9);
    near("it, in lines", printed(44.0) / LineStandard::L625.line_rate_hz(), 44.125, 1e-4);
    for name in ["vhs-625-sp", "s-vhs-625-sp", "beta-625"] {
        refused("R10", page(name, |p| p.row.colour_under_hz.value = printed(44.0)));
    }
    assert_eq!(page("vhs-625-sp", |p| p.row.colour_under_hz.value = printed(40.0)), None);
    // Shortest wavelength 0.78 um beside white of 4.8 MHz: 1.01 um. The same site's other two are right.
    refused("wavelength at white is 1.01", page("vhs-625-sp", |p| p.shortest_wave_um = Some(0.78)));
    assert_eq!(page("vhs-625-sp", |p| p.shortest_wave_um = Some(1.01)), None);
    assert_eq!(page("8mm-625-sp", |p| p.shortest_wave_um = Some(0.58)), None);
    let high = |change: fn(&mut Page)| {
        page("8mm-625-sp", |p| {
            high_band(p);
            change(p);
        })
    };
    assert_eq!(high(|p| p.shortest_wave_um = Some(0.4)), None);
    // Tape speed and tape area of a half-inch format on a page of the 8 mm high band; R1 at 34.4 um gives 20.07 mm/s.
    refused("R1", high(|p| p.row.tape_speed_mm_s.value = 83.88));
    refused("area", high(|p| p.tape_m2_a_minute = Some(0.064)));
    let eight = row("8mm-625-sp");
    let speed = eight.pitch_um.value * 1e-3 * eight.lines.field_rate_hz() / running_angle_deg(eight).to_radians().sin();
    near("R1, speed", speed, 20.07, 0.005);
    // A track width of 32.8 mm is a slip of the unit.
    refused("R1", page("beta-625", |p| p.row.pitch_um.value = 32_800.0));
    // 7 degrees belong to another format.
    for name in ["vhs-525-sp", "vhs-625-sp"] {
        refused("azimuth", page(name, |p| p.row.azimuth_deg.value = 7.0));
    }
    // FM of 6 to 9 MHz, and sound below the picture, where four carriers lie beside it.
    for name in ["beta-525-i", "beta-625"] {
        refused("R9", page(name, |p| (p.row.fm_sync_hz.value, p.row.fm_white_hz.value) = (6e6, 9e6)));
    }
    refused("sound", page("beta-525-i", |p| p.depth_sound = Some(true)));
    assert_eq!(page("beta-525-i", |p| p.depth_sound = Some(false)), None);
    // And a drum of 62.5 mm, which one textbook prints.
    refused("R6", page("vhs-525-sp", |p| p.row.drum_diameter_mm.value = 62.5));
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
    for (name, blanking) in
        [("vhs-525-sp", 3.686e6), ("vhs-625-sp", 4.1e6), ("s-vhs-525-sp", 5.857e6), ("s-vhs-625-sp", 5.88e6)]
    {
        near(&format!("{name} R9"), blanking_hz(row(name)), blanking, 600.0);
    }
}

/// What 0.1 mm of an error of the control head's place is: as a share of a pitch, and as a delay in milliseconds.
type Tenth = (f64, f64);

/// Travel of the tape in a track, in millimetres, and what a tenth does (computed; none: no control pulses).
const TRAVEL: [(&str, f64, Option<Tenth>); 6] = [
    ("vhs-525-sp", 0.5564, Some((0.18, 3.00))),
    ("vhs-525-ep", 0.1855, Some((0.54, 8.99))),
    ("vhs-625-sp", 0.4678, Some((0.21, 4.28))),
    ("vhs-625-lp", 0.2340, Some((0.43, 8.55))),
    ("8mm-625-sp", 0.4010, None),
    ("beta-525-ii", 0.3337, Some((0.30, 5.00))),
];

#[test]
fn what_an_error_of_the_control_head_does() {
    for (name, travel_mm, of_a_tenth) in TRAVEL {
        let f = row(name);
        // An error of one track's travel is one pitch.
        near(&format!("{name} R13, a track"), tracking_of_x_error(f, travel_mm), 1.0, 5e-5 / travel_mm);
        let Some((share, delay_ms)) = of_a_tenth else {
            assert_eq!(control_spacing_mm(f), None, "{name} R7");
            continue;
        };
        // Two tracks lie between pulses.
        near(&format!("{name} R7"), control_spacing_mm(f).unwrap_or(0.0) / 2.0, travel_mm, 5e-5);
        near(&format!("{name} R13"), tracking_of_x_error(f, 0.1), share, 0.005);
        near(&format!("{name} R13 delay"), delay_of_x_error_s(f, 0.1) * 1e3, delay_ms, 0.005);
    }
}

/// R7: one control pulse a frame, every 33.3667 ms or 40.000 ms, at every tape speed.
#[test]
fn control_pulses_come_once_a_frame() {
    for f in formats() {
        let period_ms = if f.lines == LineStandard::L525 { 33.3667 } else { 40.000 };
        near(&format!("{} R7, frame", f.name), 1e3 / f.lines.frame_rate_hz(), period_ms, 5e-5);
        let Some(spacing_mm) = control_spacing_mm(f) else { continue };
        near(&format!("{} R7, tape", f.name), spacing_mm / f.tape_speed_mm_s.value * 1e3, period_ms, 5e-5);
    }
}

/// R8: both channels and the gap between them fill the single track: what is left over, in millimetres.
fn left_over_mm(channel_mm: f64, gap_mm: f64, single_mm: f64) -> f64 {
    single_mm - (2.0 * channel_mm + gap_mm)
}

#[test]
fn two_sound_tracks_fill_the_place_of_one() {
    let mut families = [0; 2];
    for f in formats() {
        let LinearSound::Edge { mono_width_mm, stereo: Some(tracks) } = f.linear_sound() else { continue };
        let (channel, single) = (tracks.width_mm.value, mono_width_mm.value);
        near(&format!("{} R8", f.name), left_over_mm(channel, tracks.distance_mm.value - channel, single), 0.0, 1e-12);
        let half_inch = f.name.starts_with("vhs") || f.name.starts_with("s-vhs");
        if half_inch {
            near(&format!("{} R8, one track", f.name), single, half_inch_tape::AUDIO_MM, 1e-12);
            near(&format!("{} R8, a channel", f.name), channel, 0.35, 1e-12);
        }
        families[usize::from(half_inch)] += 1;
    }
    assert_eq!(families, [4, 8]);
    // Pages disagree: 2 x 0.3 with 0.4 between them closes as well, so R8 cannot choose; 0.7 in all does not.
    near("R8, the other page", left_over_mm(0.3, 0.4, half_inch_tape::AUDIO_MM), 0.0, 1e-12);
    near("R8, the third page", left_over_mm(0.3, 0.1, half_inch_tape::AUDIO_MM), 0.3, 1e-12);
}
