//! The curves of the heads in play, at the tracking that the machine has: captured, checked, ready to be
//! judged. (Permissions `captures` and `transport`.)

use crate::bench::Subject;
use crate::captures::Capture;
use crate::parameters::{Number, Settings};
use crate::report::{Figure, Report, Series};
use crate::rf::Front;
use crate::unable::{On, Result};
use tapewright_formats::Unit;
use tapewright_measure::curve::HeadCurve;
use tapewright_measure::preconditions::demand_clear_of_noise;
use tapewright_measure::scan::Head;
use tapewright_measure::steadiness::demand_steady;

/// `head-a` or `head-b`.
#[must_use]
pub const fn name(head: Head) -> &'static str {
    match head {
        Head::A => "head-a",
        Head::B => "head-b",
    }
}

/// What must hold for a curve to be judged.
#[derive(Debug, Clone, Copy)]
pub struct Demands {
    /// Frames of each head.
    pub frames: u32,
    /// The level must be so many times the noise.
    pub clear_of_noise: f64,
    /// Change from frame to frame, over the level, up to which a curve is steady.
    pub steady: f64,
}

/// [`Demands::clear_of_noise`], as a procedure lists it.
pub const CLEAR_OF_NOISE: Number =
    Number::practice("clear-of-noise", "the level must be so many times the noise", Unit::One, [3.0, 1.0, 100.0]);

/// [`Demands::steady`], as a procedure lists it.
pub const STEADY: Number =
    Number::ratio("steady", "change from frame to frame, over the level, up to which a curve counts as steady", 0.10);

impl Demands {
    /// As set, for a procedure that lists [`CLEAR_OF_NOISE`], [`STEADY`] and its own count of frames.
    ///
    /// # Panics
    /// If it does not list them.
    #[must_use]
    pub fn in_force(settings: &Settings, frames: &Number) -> Self {
        Self {
            frames: settings.count(frames),
            clear_of_noise: settings.number(&CLEAR_OF_NOISE),
            steady: settings.number(&STEADY),
        }
    }
}

/// Curves over the scan, each with its name, to be drawn.
#[must_use]
pub fn figure<'a>(what: impl Into<String>, curves: impl IntoIterator<Item = (&'a str, &'a HeadCurve)>) -> Figure {
    let series = |(name, curve): (&str, &HeadCurve)| Series {
        name: name.into(),
        values: curve.median_v.to_vec(),
        standard_errors: curve.standard_error_v.to_vec(),
    };
    Figure {
        name: what.into(),
        x_label: "position, entrance to exit".into(),
        x_low: 0.0,
        x_high: 1.0,
        unit: Unit::Volt,
        series: curves.into_iter().map(series).collect(),
    }
}

/// Goes to play, captures each head, takes the noise in stop, and gives each head's curve. The machine
/// stands in stop afterwards.
///
/// # Errors
/// What the daemon says; `in-noise`, `not-steady`, `clipped`, `too-short`.
pub fn curves_in_play(subject: &Subject, demands: Demands, report: &mut Report) -> Result<Vec<(Head, HeadCurve)>> {
    let count = demands.frames;
    let front = Front::for_scans(subject, 1, 2 * count + 1)?;
    report.note(&format!("Level by {}.", front.way.text()));
    front.to_play()?;
    let mut captures: Vec<Vec<Capture>> = front.heads.iter().map(|_| Vec::new()).collect();
    // Half of the first head, all of the other, the other half: a slow change of the level meets both alike.
    let half = count / 2;
    let order = if front.heads.len() == 2 { vec![(0, half), (1, count), (0, count - half)] } else { vec![(0, count)] };
    for (place, share) in order {
        let head = front.heads[place];
        captures[place].extend(front.frames(head, 1, share).on(name(head))?);
    }
    let floor = front.floor_in_stop(1)?;
    let taken: Vec<_> = front.heads.iter().copied().zip(captures.iter().map(Vec::as_slice)).collect();
    let front = front.with_blanking(&taken, &floor).unwrap_or_else(|_| {
        report.note(
            "What field blanking takes off the first lines could not be told from these scans, and is not corrected.",
        );
        front.clone()
    });
    let mut curves = Vec::new();
    for (head, captures) in front.heads.iter().zip(&captures) {
        let mut frames = Vec::new();
        for capture in captures {
            let found = front.levels(capture, &floor, *head, 1).on(name(*head))?;
            frames.extend(found.into_iter().filter(|(of, _)| of == head).map(|(_, levels)| levels));
        }
        let curve = HeadCurve::over_frames(&frames).on(name(*head))?;
        floor.demand_below(curve.mean_v()).map_err(|e| e.on(name(*head)))?;
        demand_clear_of_noise(&curve, demands.clear_of_noise).on(name(*head))?;
        demand_steady(&frames, demands.steady).on(name(*head))?;
        curves.push((*head, curve));
    }
    Ok(curves)
}
