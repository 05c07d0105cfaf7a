//! Whether a record fits what was set: its form, its time, and its scaling.

use super::plan::{ChannelPlan, TimePlan};
use super::setup::Standing;
use super::{Scope, ScopeError};
use crate::dialect::{CodeScale, Formula, PreambleForm, RawPreamble};
use crate::request::{CaptureRequest, Detection};

impl Scope {
    pub(super) fn check_codes_of(&self, label: &str, raw: &RawPreamble, paired: bool) -> Result<(), ScopeError> {
        let dialect = &self.dialect;
        let format = if self.data_bits() == 16 { dialect.format_code_16 } else { dialect.format_code_8 };
        let bad = |why: String| Err(ScopeError::misfit(label, why));
        // A header does not tell the form; the scaling of another one does not fit the range.
        if raw.format != format && dialect.preamble != PreambleForm::Header {
            return bad(format!("its data are told to have form {}, but form {format} was asked for", raw.format));
        }
        if paired != (raw.kind == dialect.type_code_peak) {
            let asked = if paired { "pairs" } else { "samples" };
            return bad(format!("the acquisition is told to be of type {}, but {asked} were asked for", raw.kind));
        }
        Ok(())
    }

    /// The record must hold what was asked for: span, place, rate and number.
    pub(super) fn check_time(
        &self,
        label: &str,
        interval_s: f64,
        codes: u32,
        first_s: f64,
        time: &TimePlan,
        request: &CaptureRequest,
    ) -> Result<(), ScopeError> {
        let bad = |why: String| Err(ScopeError::misfit(label, why));
        let each = if request.detection == Detection::Peak { 2.0 } else { 1.0 };
        let last_s = first_s + interval_s * f64::from(codes);
        let slack = 2.0 * each * interval_s + 1e-3 * request.span_s;
        if first_s > -request.before_s + slack || last_s < request.span_s - request.before_s - slack {
            return bad(format!(
                "the record runs from {first_s:.6e} s to {last_s:.6e} s of the trigger, but {:.6e} s to {:.6e} s were asked for",
                -request.before_s,
                request.span_s - request.before_s
            ));
        }
        let length = interval_s * f64::from(codes);
        if length > time.span_s * 2.6 {
            return bad(format!("the record is {length:.6e} s long, but {:.6e} s were set", time.span_s));
        }
        let rate = 1.0 / (interval_s * each);
        if rate < request.least_rate_hz * 0.999 {
            return bad(format!(
                "the rate is {rate:.6e} Hz, but at least {:.6e} Hz were asked for",
                request.least_rate_hz
            ));
        }
        let inside = request.span_s / interval_s;
        if inside * 1.001 + 1.0 < f64::from(request.least_points) {
            return bad(format!(
                "{inside:.0} points lie in the time asked for, but at least {} were asked for",
                request.least_points
            ));
        }
        Ok(())
    }

    /// The scaling told with the data must fit the settings read back: a wrong formula gives wrong
    /// volts without any error of the instrument.
    pub(super) fn check_scaling(
        &self,
        label: &str,
        plan: &ChannelPlan,
        standing: &Standing,
        scale: CodeScale,
        ends: (i32, i32),
        bits: u32,
    ) -> Result<(), ScopeError> {
        if self.dialect.formula == Formula::Range {
            return Ok(());
        }
        let back = if self.dialect.volts_at_tip { 1.0 } else { plan.point.probe_factor };
        let limits = &self.dialect.limits;
        let codes_a_step = f64::from(1_u32 << bits.saturating_sub(limits.converter_bits));
        let division = scale.gain_v * back * codes_a_step * limits.steps_a_division;
        let wrong = |why: String| {
            Err(ScopeError::Scaling { channel: label.to_owned(), why, dialect: self.dialect.name.clone() })
        };
        if (division / standing.volts_a_division - 1.0).abs() > 0.02 {
            return wrong(format!(
                "a division would be {division:.6} V, but {:.6} V are set",
                standing.volts_a_division
            ));
        }
        let middle_code = (f64::from(ends.0) + f64::from(ends.1) + codes_a_step) / 2.0;
        let middle = (scale.offset_v + middle_code * scale.gain_v) * back;
        if (middle - standing.centre_v).abs() > 0.6 * standing.volts_a_division {
            return wrong(format!(
                "the middle of the range would be {middle:.6} V, but {:.6} V are set",
                standing.centre_v
            ));
        }
        Ok(())
    }
}
