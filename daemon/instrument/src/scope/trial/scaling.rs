//! The scaling that is told with a record, against the settings that it was taken at.

use super::compare::about_answer;
use super::record::DIVISION_S;
use super::{Draft, ScopeError, TrialOutcome, TrialRow, Walk};
use crate::dialect::{CodeScale, Formula, Op, PreambleForm, RawPreamble, Values};

impl Walk<'_> {
    /// Asks the scaling of the record; `Ok(None)` where it comes from settings alone.
    pub(super) async fn told_scaling(
        &mut self,
        name: &Values,
        draft: &mut Draft,
    ) -> Result<Result<Option<RawPreamble>, String>, ScopeError> {
        let dialect = self.scope.dialect.clone();
        if dialect.preamble == PreambleForm::Queries {
            return Ok(Ok(None));
        }
        let select = dialect.render(Op::Select, name).unwrap_or_default();
        self.send(draft, &select).await?;
        let question = dialect.render(Op::AskPreamble, name).ok().and_then(|mut list| list.pop());
        let Some(question) = question else { return Ok(Err("commands.ask-preamble cannot be built".into())) };
        if dialect.preamble == PreambleForm::Descriptor {
            draft.sent.push(question.text().to_owned());
            return match self.scope.session.query_block(&question, 4096).await {
                Ok(block) => {
                    draft.came.push(format!("{} bytes", block.len()));
                    Ok(dialect
                        .read_descriptor(&block)
                        .map(Some)
                        .map_err(|trouble| format!("{trouble}: check data.scaling-from and data.first-byte")))
                }
                Err(source) => {
                    let why = self.survivable(source)?;
                    draft.came.push(why.clone());
                    Ok(Err(about_answer("commands.ask-preamble", question.text(), Err(&why))))
                }
            };
        }
        let told = self.ask(draft, &question).await?;
        Ok(match told {
            Ok(text) => dialect.read_preamble(&text).map(Some).map_err(|trouble| {
                format!("{trouble}: check data.scaling-from, and data.fields where the fields have names")
            }),
            Err(why) => Err(about_answer("commands.ask-preamble", question.text(), Err(&why))),
        })
    }

    /// The scaling must fit the settings: volts a division, the middle, seconds a division.
    pub(super) async fn scaling(&mut self, name: &Values) -> Result<bool, ScopeError> {
        // Off the middle, and apart from it by another number than the range: no two formulas look alike then.
        let (division_v, centre_v) = (1.0, 1.5);
        self.come_to_rest(name, division_v, centre_v, DIVISION_S).await?;
        let rows = self.rows.len();
        let came = self.shot().await?;
        if came {
            self.rows.truncate(rows);
        }
        let mut draft =
            Draft::new(Op::AskPreamble, "a scaling that fits 1 V a division, 1.5 V in the middle, 1 ms a division");
        let raw = match self.told_scaling(name, &mut draft).await? {
            Ok(Some(raw)) => raw,
            Ok(None) => {
                self.rows.push(draft.end(TrialOutcome::NotOffered, None));
                return Ok(true);
            }
            Err(advice) => {
                self.rows.push(draft.differs(advice));
                return Ok(false);
            }
        };
        let row = self.fitting(draft, &raw, division_v, centre_v);
        let good = row.outcome == TrialOutcome::Ok;
        self.rows.push(row);
        Ok(good)
    }

    fn fitting(&self, draft: Draft, raw: &RawPreamble, division_v: f64, centre_v: f64) -> TrialRow {
        let dialect = &self.scope.dialect;
        let limits = &dialect.limits;
        if raw.format != dialect.format_code_8 {
            let advice = format!(
                "8-bit data are told to have form {}: set data.format-code-8 = {} if that is so, or look commands.format-8 up",
                raw.format, raw.format
            );
            return draft.differs(advice);
        }
        if raw.kind == dialect.type_code_peak {
            let advice = format!(
                "samples are told to be of type {}, which data.type-code-peak says of pairs: look both up",
                raw.kind
            );
            return draft.differs(advice);
        }
        let middle_code = if dialect.signed { 0.0 } else { limits.steps() / 2.0 };
        let fits = |scale: CodeScale, steps_a_division: f64| {
            let division = scale.gain_v * steps_a_division;
            let middle = scale.offset_v + middle_code * scale.gain_v;
            let good = (division / division_v - 1.0).abs() < 0.02 && (middle - centre_v).abs() < 0.3 * division_v;
            (good, division, middle)
        };
        let (good, division, middle) = fits(dialect.formula.scale(raw), limits.steps_a_division);
        let span_s = raw.x_increment_s * f64::from(raw.points);
        let divisions = span_s / DIVISION_S;
        if !good {
            if (division / division_v - 1.0).abs() >= 0.02 {
                let steps = division_v / raw.y_increment_v;
                let advice = format!(
                    "a division would be {division:.4} V, and {division_v} V were set: limits.steps-a-division would have to be {steps:.2}"
                );
                return draft.differs(advice);
            }
            let others: Vec<&str> = Formula::ALL
                .iter()
                .zip(Formula::WORDS)
                .filter(|(formula, _)| self.fits_data(**formula) && fits(formula.scale(raw), limits.steps_a_division).0)
                .map(|(_, word)| *word)
                .collect();
            let advice = if others.is_empty() {
                format!(
                    "the middle would be {middle:.4} V, and {centre_v} V were set: no formula fits; check data.codes and read-back.offset"
                )
            } else {
                format!(
                    "the middle would be {middle:.4} V, and {centre_v} V were set: data.formula = \"{}\" would fit",
                    others.join("\" or \"")
                )
            };
            return draft.differs(advice);
        }
        if self.whole_record(raw) && (divisions / limits.time_divisions - 1.0).abs() > 0.02 {
            let advice = format!(
                "the record is {span_s:.6} s long at {DIVISION_S} s a division: limits.time-divisions would have to be {divisions:.2}"
            );
            return draft.differs(advice);
        }
        draft.good()
    }

    /// Whether a formula goes with this form of scaling and these codes.
    fn fits_data(&self, formula: Formula) -> bool {
        let named = matches!(self.scope.dialect.preamble, PreambleForm::NamedFields(_));
        match formula {
            Formula::Range => false,
            Formula::B => named,
            Formula::A3 => !named && self.scope.dialect.signed,
            Formula::A1 | Formula::A2 | Formula::A4 => !named && !self.scope.dialect.signed,
        }
    }

    /// Whether the scaling's count is that of the whole record.
    fn whole_record(&self, raw: &RawPreamble) -> bool {
        !matches!(self.scope.dialect.preamble, PreambleForm::NamedFields(_))
            || raw.points == self.scope.dialect.limits.usual_points
    }
}
