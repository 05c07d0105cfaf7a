//! The sync separator on ideal video that is built here by hand, from the numbers of the standards.

mod synth;

use synth::Random;
use tapewright_formats::LineStandard;
use tapewright_measure::field::field_syncs;
use tapewright_measure::statistics::moments;
use tapewright_measure::switching::{difference, point_of_edge, switch_point};
use tapewright_measure::sync::{PulseKind, SyncPulse, Syncs, separate};
use tapewright_measure::time_base::{line_period, scatter_of_times, time_base_errors};
use tapewright_measure::{MeasureError, Trace};

/// One line standard in numbers: SMPTE 170M or ITU-R BT.470, as text books print them.
#[derive(Clone, Copy)]
struct Standard {
    lines: LineStandard,
    /// 63.5556 us (572/9) or 64 us.
    line_us: f64,
    /// Half lines of a field.
    halves: usize,
    broad: usize,
    equalising: usize,
    broad_us: f64,
    equalising_us: f64,
    tip_v: f64,
    subcarrier_hz: f64,
    edge_us: f64,
}

const NTSC_TIMES: Standard = Standard {
    lines: LineStandard::L525,
    line_us: 572.0 / 9.0,
    halves: 525,
    broad: 6,
    equalising: 6,
    broad_us: 27.1,
    equalising_us: 2.3,
    tip_v: -0.2857,
    subcarrier_hz: 3_579_545.0,
    edge_us: 0.14,
};

const PAL_TIMES: Standard = Standard {
    lines: LineStandard::L625,
    line_us: 64.0,
    halves: 625,
    broad: 5,
    equalising: 5,
    broad_us: 27.3,
    equalising_us: 2.35,
    tip_v: -0.300,
    subcarrier_hz: 4_433_619.0,
    edge_us: 0.20,
};

/// What is wrong with the signal.
#[derive(Clone, Default)]
struct Wrong {
    noise_v: f64,
    offset_v: f64,
    /// Volts peak of hum at 50 Hz.
    hum_v: f64,
    /// Drift in volts a second, as AC coupling gives.
    drift_v_s: f64,
    /// Half lines (counted from the first broad pulse at time 0) without their pulse.
    missing: Vec<i64>,
    gain: f64,
    /// Picture, volts above blanking.
    picture_v: f64,
    colour_v: f64,
    /// How long the picture of a line lasts; 0: all along.
    bar_us: f64,
}

impl Wrong {
    fn nothing() -> Self {
        Self { gain: 1.0, picture_v: 0.5, ..Self::default() }
    }
}

/// Volts at a time from the first broad pulse of `field` (1 or 2).
fn volts(s: &Standard, field: usize, wrong: &Wrong, t_us: f64) -> f64 {
    let half_us = s.line_us / 2.0;
    // Half lines since the first broad pulse of field 1.
    let shift = if field == 1 { 0 } else { s.halves as i64 };
    let near = (t_us / half_us).floor() as i64;
    // An edge is a straight line about its middle.
    let ramp = |away_us: f64| (away_us / (s.edge_us / 0.8) + 0.5).clamp(0.0, 1.0);
    let mut low = 0.0_f64;
    let mut picture = 0.0;
    for half in near - 1..=near + 1 {
        let in_frame = (half + shift).rem_euclid(2 * s.halves as i64);
        let in_field = in_frame as usize % s.halves;
        let width_us = if in_field < s.broad {
            s.broad_us
        } else if in_field < s.broad + s.equalising || in_field >= s.halves - s.equalising {
            s.equalising_us
        } else if in_frame % 2 == 0 {
            4.7
        } else {
            continue;
        };
        let since_us = t_us - half as f64 * half_us;
        if !wrong.missing.contains(&half) {
            low = low.max(ramp(since_us) * (1.0 - ramp(since_us - width_us)));
        }
        let active = in_frame % 2 == 0 && in_field > 40 && in_field < s.halves - 12;
        let until_us = if wrong.bar_us > 0.0 { 10.0 + wrong.bar_us } else { s.line_us - 2.0 };
        if active && since_us > 10.0 && since_us < until_us {
            let turns = core::f64::consts::TAU * s.subcarrier_hz * t_us * 1e-6;
            picture = wrong.picture_v + wrong.colour_v * turns.sin();
        }
        if active && since_us > 5.5 && since_us < 8.0 {
            picture = 0.14 * (core::f64::consts::TAU * s.subcarrier_hz * t_us * 1e-6).sin();
        }
    }
    let hum = wrong.hum_v * (core::f64::consts::TAU * 50.0 * t_us * 1e-6).sin();
    wrong.offset_v + hum + wrong.drift_v_s * t_us * 1e-6 + wrong.gain * (s.tip_v * low + picture)
}

/// A record in which vertical sync starts at `start_us`.
fn record(
    s: &Standard,
    field: usize,
    wrong: &Wrong,
    (dt_us, from_us, span_us): (f64, f64, f64),
    start_us: f64,
    random: &mut Random,
) -> Trace {
    let count = (span_us / dt_us) as usize;
    let samples = (0..count)
        .map(|i| {
            let t_us = from_us + i as f64 * dt_us - start_us;
            (volts(s, field, wrong, t_us) + wrong.noise_v * random.normal()) as f32
        })
        .collect();
    Trace::from_volts(from_us * 1e-6, dt_us * 1e-6, samples).unwrap()
}

fn found(s: &Standard, trace: &Trace) -> Syncs {
    separate(trace, s.lines).unwrap_or_else(|error| panic!("{:?}: {error}", s.lines))
}

#[test]
fn vertical_sync_is_found_in_both_fields_of_both_standards_whatever_the_signal_stands_on() {
    let mut random = Random::new(1);
    let cases = [
        ("clean", Wrong::nothing()),
        ("noisy", Wrong { noise_v: 0.03, ..Wrong::nothing() }),
        ("on 3 V", Wrong { offset_v: 3.0, noise_v: 0.01, ..Wrong::nothing() }),
        ("with hum and drift", Wrong { hum_v: 0.5, drift_v_s: -8.0, noise_v: 0.01, ..Wrong::nothing() }),
        ("small", Wrong { gain: 0.3, noise_v: 0.005, ..Wrong::nothing() }),
        ("large", Wrong { gain: 2.0, noise_v: 0.01, ..Wrong::nothing() }),
        ("black", Wrong { picture_v: 0.0, noise_v: 0.01, ..Wrong::nothing() }),
        ("white", Wrong { picture_v: 0.71, noise_v: 0.01, ..Wrong::nothing() }),
        ("deep colour", Wrong { picture_v: 0.2, colour_v: 0.31, noise_v: 0.01, ..Wrong::nothing() }),
        ("first broad pulse missing", Wrong { missing: vec![0], ..Wrong::nothing() }),
        ("two broad pulses missing", Wrong { missing: vec![1, 4], ..Wrong::nothing() }),
        ("an equalising and a line pulse missing", Wrong { missing: vec![-3, -10, 14], ..Wrong::nothing() }),
    ];
    for s in [NTSC_TIMES, PAL_TIMES] {
        for field in [1, 2] {
            for (name, wrong) in &cases {
                for (dt_us, start_us) in [(0.61, 413.1), (0.05, 420.0), (0.2794, 318.7)] {
                    let trace = record(&s, field, wrong, (dt_us, -130.0, 1540.0), start_us, &mut random);
                    let starts = field_syncs(&found(&s, &trace), s.lines);
                    let [start] = starts.as_slice() else {
                        panic!("{:?} field {field}, {name}, {dt_us} us: {starts:?}", s.lines)
                    };
                    let away_us = start.at_s * 1e6 - start_us;
                    let within = 0.02 + dt_us / 2.0 + 4.0 * start.at_u_s * 1e6;
                    assert!(
                        away_us.abs() < within,
                        "{:?} field {field}, {name}, {dt_us} us: off by {away_us} us",
                        s.lines
                    );
                    assert_eq!(start.field, Some(field as u8), "{:?}, {name}, {dt_us} us: {start:?}", s.lines);
                    let lost = wrong.missing.iter().filter(|half| (0..s.broad as i64).contains(half)).count() as u32;
                    assert_eq!(start.broad + lost, s.broad as u32, "{:?}, {name}: {start:?}", s.lines);
                }
            }
        }
    }
}

#[test]
fn pulses_have_their_widths_and_the_sync_its_depth() {
    let mut random = Random::new(2);
    for s in [NTSC_TIMES, PAL_TIMES] {
        let wrong = Wrong { noise_v: 0.004, offset_v: -1.0, ..Wrong::nothing() };
        let trace = record(&s, 1, &wrong, (0.05, -400.0, 1000.0), 0.0, &mut random);
        let syncs = found(&s, &trace);
        assert!((syncs.depth_v + s.tip_v).abs() < 0.003, "{:?}: {} V", s.lines, syncs.depth_v);
        assert!((syncs.noise_v / 0.004 - 1.0).abs() < 0.3, "noise {} V", syncs.noise_v);
        for (kind, width_us) in
            [(PulseKind::Broad, s.broad_us), (PulseKind::Line, 4.7), (PulseKind::Equalising, s.equalising_us)]
        {
            let of: Vec<f64> = syncs.pulses.iter().filter(|p| p.kind == kind).map(|p| p.width_s * 1e6).collect();
            assert!(of.len() > 3, "{kind:?}: {of:?}");
            for width in of {
                assert!((width - width_us).abs() < 0.05, "{:?} {kind:?}: {width} us, {width_us} us", s.lines);
            }
        }
    }
}

/// Lines of a picture 30 lines and more below vertical sync, and how far each leading edge lies from where it is, in microseconds.
fn leads_of_lines(s: &Standard, wrong: &Wrong, dt_us: f64, random: &mut Random) -> (Syncs, Vec<f64>) {
    let syncs = found(s, &record(s, 1, wrong, (dt_us, 0.0, 100.3 * s.line_us), -30.3 * s.line_us, random));
    let away = syncs.pulses.iter().filter(|pulse| pulse.kind == PulseKind::Line).map(|pulse| {
        let lines = pulse.lead_s * 1e6 / s.line_us + 0.3;
        (lines - lines.round()) * s.line_us
    });
    let away = away.collect();
    (syncs, away)
}

/// Saturated colour reaches below blanking; at a rate that just shows it, it must not be taken for pulses.
#[test]
fn strong_colour_is_not_taken_for_sync() {
    let mut random = Random::new(6);
    for s in [NTSC_TIMES, PAL_TIMES] {
        for dt_us in [0.06, 0.12, 0.179] {
            let wrong = Wrong { picture_v: 0.15, colour_v: 0.36, noise_v: 0.01, ..Wrong::nothing() };
            let (syncs, away) = leads_of_lines(&s, &wrong, dt_us, &mut random);
            assert_eq!(syncs.pulses.len(), 100, "{:?}, {dt_us} us", s.lines);
            assert!(away.len() == 100 && away.iter().all(|us| us.abs() < 0.3), "{:?}, {dt_us} us: {away:?}", s.lines);
        }
    }
}

/// At rates under two samples a cycle colour comes out as slow dips, as wide as pulses where they are merged: a saturated dark bar.
#[test]
fn colour_that_sampling_folds_is_not_taken_for_lines() {
    let mut random = Random::new(10);
    for s in [NTSC_TIMES, PAL_TIMES] {
        for dt_us in [0.2, 0.25, 0.4, 0.5] {
            for (picture_v, colour_v) in [(0.0, 0.3), (0.03, 0.35), (0.06, 0.45), (0.08, 0.6)] {
                let wrong = Wrong { picture_v, colour_v, bar_us: 6.5, noise_v: 0.003, ..Wrong::nothing() };
                let (_, away) = leads_of_lines(&s, &wrong, dt_us, &mut random);
                let what = format!("{:?}, {dt_us} us, {colour_v} V on {picture_v} V", s.lines);
                assert!(away.len() > 60 && away.iter().all(|us| us.abs() < dt_us + 0.1), "{what}: {away:?}");
            }
        }
    }
}

/// What is stated for one leading edge is what leading edges scatter by, whether samples resolve them or miss them.
#[test]
fn leading_edges_scatter_by_what_is_stated() {
    let mut random = Random::new(7);
    for s in [NTSC_TIMES, PAL_TIMES] {
        // Rates that are not in step with the lines.
        for dt_us in [0.0587, 0.1793, 0.2517, 0.4516] {
            let wrong = Wrong { noise_v: 0.003, ..Wrong::nothing() };
            let (syncs, away) = leads_of_lines(&s, &wrong, dt_us, &mut random);
            let seen_us = (away.iter().map(|us| us * us).sum::<f64>() / away.len() as f64).sqrt();
            let ratio = syncs.lead_u_s * 1e6 / seen_us;
            assert!((0.7..1.8).contains(&ratio), "{:?}, {dt_us} us: {seen_us} us, stated {ratio} of it", s.lines);
        }
    }
}

/// Lines that jitter, each edge seen at the nearest sample: in 625 lines all lie at one place between two samples of 0.5 us, and
/// jitter may be hidden whole. The interval holds what the lines of the record really do.
#[test]
fn time_base_errors_hold_the_truth_whether_lines_and_samples_keep_step_or_not() {
    const DT_S: f64 = 0.5e-6;
    const TRIALS: usize = 400;
    let mut random = Random::new(8);
    for (s, in_step) in [(NTSC_TIMES, false), (PAL_TIMES, true)] {
        for lines in [19, 148, 600] {
            let mut held = 0;
            for _ in 0..TRIALS {
                let (start_s, jitter_s) = (DT_S * random.uniform(), DT_S * (0.02 + random.uniform()));
                let (true_s, seen_s): (Vec<f64>, Vec<f64>) = (0..lines)
                    .map(|line| {
                        let late_s = jitter_s * random.normal();
                        let at_s = start_s + f64::from(line) * s.line_us * 1e-6 + late_s;
                        (late_s, ((at_s / DT_S).floor() + 0.5) * DT_S)
                    })
                    .unzip();
                let times = time_base_errors(&syncs_at(&s, &seen_s, DT_S));
                // A few lines that jitter by as much as they move between samples do not tell.
                if lines == 600 || (in_step && jitter_s < 0.3 * DT_S) {
                    assert_eq!(times.sampling.in_step, in_step, "{:?}, {lines} lines", s.lines);
                }
                let said = scatter_of_times(&times.errors_s, f64::from(lines), times.sampling).unwrap();
                let truth_s = moments(&true_s).unwrap().standard_deviation;
                held += usize::from(said.interval.low <= truth_s && truth_s <= said.interval.high);
                assert!(said.interval.high > 0.7 * truth_s, "{:?}, {lines} lines of {jitter_s}: {said:?}", s.lines);
            }
            assert!(held * 100 >= 93 * TRIALS, "{:?}, {lines} lines: {held} of {TRIALS}", s.lines);
        }
    }
}

/// Sync pulses of lines at these places.
fn syncs_at(s: &Standard, leads_s: &[f64], dt_s: f64) -> Syncs {
    let pulse = |lead_s: &f64| SyncPulse { lead_s: *lead_s, width_s: 4.7e-6, kind: PulseKind::Line };
    Syncs {
        pulses: leads_s.iter().map(pulse).collect(),
        depth_v: 0.3,
        noise_v: 0.0,
        lead_u_s: dt_s / 12.0_f64.sqrt(),
        blanking: Vec::new(),
        tips: Vec::new(),
        glitches: 0,
        observed: (leads_s[0], leads_s[leads_s.len() - 1]),
        line_s: s.line_us * 1e-6,
        dt_s,
    }
}

/// Periods taken in step with a wobble: 16 at one place of its turn, 8 at another, as if it were steady.
#[test]
fn line_periods_that_keep_step_with_a_wobble_count_as_fewer() {
    let mut random = Random::new(9);
    for (first_us, then_us) in [(0.4, 0.1), (-0.6, 0.5), (0.3, -0.3)] {
        let period = |i: usize| 64e-6 + 1e-6 * (if i < 16 { first_us } else { then_us } + 0.05 * random.normal());
        let periods: Vec<f64> = (0..24).map(period).collect();
        let said = line_period(&periods, 5e-9, 2e-5).unwrap();
        assert!(said.interval.low <= 64e-6 && 64e-6 <= said.interval.high, "{first_us}, {then_us}: {said:?}");
    }
}

#[test]
fn noise_alone_and_records_that_cannot_tell_are_refused() {
    let mut random = Random::new(3);
    let noise: Vec<f32> = (0..4000).map(|_| (0.25 * random.normal()) as f32).collect();
    let trace = Trace::from_volts(0.0, 0.4e-6, noise).unwrap();
    if let Ok(syncs) = separate(&trace, LineStandard::L525) {
        assert!(field_syncs(&syncs, LineStandard::L525).is_empty(), "vertical sync in noise");
    }
    let flat = Trace::from_volts(0.0, 0.4e-6, vec![0.3; 4000]).unwrap();
    assert!(matches!(separate(&flat, LineStandard::L625), Err(MeasureError::InNoise { .. })));
    let slow = Trace::from_volts(0.0, 2e-6, vec![0.3; 4000]).unwrap();
    assert!(matches!(separate(&slow, LineStandard::L625), Err(MeasureError::TooSlow { .. })));
    let short = Trace::from_volts(0.0, 1e-8, vec![0.3; 100]).unwrap();
    assert!(matches!(separate(&short, LineStandard::L625), Err(MeasureError::TooShort { .. })));
}

/// A switching 6.5 lines before vertical sync (413.1 us, 416.0 us), and one that comes three lines late.
#[test]
fn an_edge_belongs_to_the_sync_that_follows_or_if_late_to_the_one_just_before() {
    let mut random = Random::new(4);
    for (s, start_us, lines) in [(NTSC_TIMES, 413.1, 6.5), (PAL_TIMES, 416.0, 6.5), (PAL_TIMES, -192.0, -3.0)] {
        let from_us = if lines < 0.0 { -1200.0 } else { -130.0 };
        let trace = record(&s, 2, &Wrong::nothing(), (0.61, from_us, 1540.0), start_us, &mut random);
        let starts = field_syncs(&found(&s, &trace), s.lines);
        let (point_s, _) = point_of_edge(&starts, 20.0 * s.line_us * 1e-6).unwrap();
        let got = point_s / (s.line_us * 1e-6);
        assert!((got - lines).abs() < 0.01, "{:?}: {got} lines, {lines} expected", s.lines);
    }
    assert!(point_of_edge(&[], 1.0).is_none());
}

/// The stated 95 % intervals of mean, jitter and difference cover the truth: 200 draws, and the count must lie where
/// 99.9 % of binomial counts of 95 % lie.
#[test]
fn intervals_of_the_switching_point_cover_the_truth() {
    let mut random = Random::new(5);
    let dt_s = 0.61e-6;
    let (mut mean, mut jitter, mut apart) = (0, 0, 0);
    const TRIALS: usize = 200;
    const BESIDE_HALF_S: f64 = 14e-6;
    for _ in 0..TRIALS {
        let sigma_s = 20e-6 * random.uniform();
        // Tracking moves both points alike.
        let beside_s = BESIDE_HALF_S * (2.0 * random.uniform() - 1.0);
        let truths = [300e-6 + 200e-6 * random.uniform(), 300e-6 + 200e-6 * random.uniform()];
        let points = truths.map(|truth| {
            let edges: Vec<f64> = (0..12)
                .map(|_| {
                    let at = truth + beside_s + sigma_s * random.normal();
                    // The edge is seen at a sample or the next.
                    ((at / dt_s).floor() + 0.5) * dt_s
                })
                .collect();
            switch_point(&edges, dt_s / 12.0_f64.sqrt(), 0.5 * dt_s, BESIDE_HALF_S, 3e-5).unwrap()
        });
        let covers = |e: &tapewright_measure::Estimate, truth: f64| {
            usize::from(e.interval.low <= truth && truth <= e.interval.high)
        };
        mean += covers(&points[0].mean, truths[0]);
        jitter += covers(&points[0].jitter, sigma_s);
        apart += covers(&difference(&points[0], &points[1]).unwrap(), truths[1] - truths[0]);
    }
    for (what, count) in [("mean", mean), ("jitter", jitter), ("difference", apart)] {
        assert!(count >= 179, "{what}: {count} of {TRIALS} intervals hold the truth");
    }
    assert!(switch_point(&[1e-4, 1e-4], 0.0, 0.0, 0.0, 0.0).is_err());
    assert!(switch_point(&[1e-4, f64::NAN, 1e-4], 0.0, 0.0, 0.0, 0.0).is_err());
}
