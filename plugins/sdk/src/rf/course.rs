//! Single scans whose level rises and falls within them, as in search, the noise taken off.

use super::floor::Kind;
use super::{Floor, Front, ends};
use crate::captures::Capture;
use crate::unable::{Result, Unable};
use tapewright_formats::{Signal, UnableCode};
use tapewright_measure::course::{Course, CourseByPeaks, course_by_power};
use tapewright_measure::scan::{Head as ScanHead, Scan, scans_from_trigger};

impl Front {
    /// The courses of the first `scans` scans of each capture, all of which began at the edge that selects `first`, by
    /// [`Self::slow`] and a floor in its set-up.
    ///
    /// # Errors
    /// `no-trigger` for a capture that nothing triggered; `clipped`, `too-short`, `bad-data`; `not-possible` for a
    /// front that samples fast.
    pub fn courses(
        &self,
        captures: &[Capture],
        floor: &Floor,
        first: ScanHead,
        scans: usize,
    ) -> Result<Vec<Vec<Course>>> {
        let first_scans = |from_s: f64, until_s: f64| -> Result<Vec<Scan>> {
            let inside = scans_from_trigger(self.lines, first, from_s, until_s);
            let found: Vec<Scan> = inside.into_iter().filter(|scan| scan.start_s > -1e-9).take(scans).collect();
            if found.len() == scans && found.first().is_some_and(|scan| scan.start_s < 1e-9) {
                return Ok(found);
            }
            let why = "the record of a scan ends before the scan does: the drum may be far off its rate";
            Err(Unable::new(UnableCode::TooShort, why))
        };
        let mut by_peaks = None;
        let mut courses = Vec::new();
        for capture in captures {
            if !capture.info.triggered {
                let why = "a scan was captured without its head-switch edge";
                return Err(Unable::new(UnableCode::NoTrigger, why));
            }
            let codes = capture.trace(Signal::Rf)?;
            let of_capture: Vec<Course> = match &floor.kind {
                Kind::Peaks(noise, _) => {
                    let pairs = codes.pairs()?;
                    let from_s = pairs.t0_s() - 0.5 * pairs.dt_s();
                    let found = first_scans(from_s, from_s + pairs.len() as f64 * pairs.dt_s())?;
                    let way = match by_peaks.take() {
                        Some(way) => way,
                        None => CourseByPeaks::new(*noise, &self.carrier, pairs.dt_s())?,
                    };
                    let way = by_peaks.insert(way);
                    found.iter().map(|scan| way.of(&pairs, scan)).collect::<core::result::Result<_, _>>()?
                }
                Kind::Power(noise) => {
                    let trace = codes.samples()?;
                    let (from_s, until_s) = ends(&trace);
                    let found = first_scans(from_s, until_s)?;
                    let of = |scan: &Scan| course_by_power(&trace, scan, noise);
                    found.iter().map(of).collect::<core::result::Result<_, _>>()?
                }
                Kind::Carrier(_) => {
                    let why = "scans in search need a floor taken for slow records";
                    return Err(Unable::new(UnableCode::NotPossible, why));
                }
            };
            courses.push(of_capture);
        }
        Ok(courses)
    }
}
