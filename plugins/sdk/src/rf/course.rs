//! Single scans whose level rises and falls within them, as in search, the noise taken off.

use super::floor::Kind;
use super::{Floor, Front, ends};
use crate::captures::Capture;
use crate::unable::{Result, Unable};
use tapewright_formats::{Signal, UnableCode};
use tapewright_measure::course::{Course, CourseByPeaks, course_by_power};
use tapewright_measure::scan::{Head as ScanHead, Scan, scans_from_trigger};

impl Front {
    /// The course of the first scan of each capture, all of which began at the edge that selects `head`, by
    /// [`Self::slow`] and a floor in its set-up.
    ///
    /// # Errors
    /// `no-trigger` for a capture that nothing triggered; `clipped`, `too-short`, `bad-data`; `not-possible` for a
    /// front that samples fast.
    pub fn courses(&self, captures: &[Capture], floor: &Floor, head: ScanHead) -> Result<Vec<Course>> {
        let first_scan = |from_s: f64, until_s: f64| -> Result<Scan> {
            let scans = scans_from_trigger(self.lines, head, from_s, until_s);
            scans.into_iter().find(|scan| scan.start_s.abs() < 1e-9).ok_or_else(|| {
                let why = "the record of a scan ends before the scan does: the drum may be far off its rate";
                Unable::new(UnableCode::TooShort, why)
            })
        };
        let mut by_peaks = None;
        let mut courses = Vec::new();
        for capture in captures {
            if !capture.info.triggered {
                let why = "a scan was captured without its head-switch edge";
                return Err(Unable::new(UnableCode::NoTrigger, why));
            }
            let codes = capture.trace(Signal::Rf)?;
            courses.push(match &floor.kind {
                Kind::Peaks(noise, _) => {
                    let pairs = codes.pairs()?;
                    let from_s = pairs.t0_s() - 0.5 * pairs.dt_s();
                    let scan = first_scan(from_s, from_s + pairs.len() as f64 * pairs.dt_s())?;
                    let way = match by_peaks.take() {
                        Some(way) => way,
                        None => CourseByPeaks::new(*noise, &self.carrier, pairs.dt_s())?,
                    };
                    by_peaks.insert(way).of(&pairs, &scan)?
                }
                Kind::Power(noise) => {
                    let trace = codes.samples()?;
                    let (from_s, until_s) = ends(&trace);
                    course_by_power(&trace, &first_scan(from_s, until_s)?, noise)?
                }
                Kind::Carrier(_) => {
                    let why = "scans in search need a floor taken for slow records";
                    return Err(Unable::new(UnableCode::NotPossible, why));
                }
            });
        }
        Ok(courses)
    }
}
