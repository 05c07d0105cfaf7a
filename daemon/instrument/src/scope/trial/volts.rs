//! What no read-back shows: whether the volts stay the same when the range and the middle are others.

use super::record::DIVISION_S;
use super::{Draft, ScopeError, TrialOutcome, Walk};
use crate::dialect::{CodeScale, Values, decode};

/// Greatest difference of the same volts at other settings, in divisions.
pub(super) const SAME_DIVISIONS: f64 = 0.35;

/// A record read at one setting: volts as the instrument means them.
pub(super) struct Seen {
    pub(super) volts: Vec<f64>,
    /// Point at the trigger, where it is told.
    pub(super) trigger: Option<f64>,
    pub(super) clipped: bool,
}

impl Seen {
    fn mean_v(&self) -> f64 {
        self.volts.iter().sum::<f64>() / self.volts.len().max(1) as f64
    }
}

impl Walk<'_> {
    /// Takes a record in free run at a setting and means it.
    async fn seen(
        &mut self,
        name: &Values,
        division_v: f64,
        centre_v: f64,
        draft: &mut Draft,
    ) -> Result<Result<Seen, String>, ScopeError> {
        self.come_to_rest(name, division_v, centre_v, DIVISION_S).await?;
        let rows = self.rows.len();
        if !self.shot().await? {
            return Ok(Err("no record came to its end".into()));
        }
        self.rows.truncate(rows);
        let seen = self.volts(name, division_v, centre_v).await?;
        if let Ok(seen) = &seen {
            draft.came.push(format!("{:.4} V at {division_v} V a division about {centre_v} V", seen.mean_v()));
        }
        Ok(seen)
    }

    /// The volts of the record that the scope holds.
    pub(super) async fn volts(
        &mut self,
        name: &Values,
        division_v: f64,
        centre_v: f64,
    ) -> Result<Result<Seen, String>, ScopeError> {
        let raw = match self.told_scaling(name, &mut Draft::new("", "")).await? {
            Ok(raw) => raw,
            Err(why) => return Ok(Err(why)),
        };
        let dialect = self.scope.dialect.clone();
        let scale = match &raw {
            Some(raw) => dialect.formula.scale(raw),
            None => CodeScale { gain_v: dialect.limits.full_scale(division_v) / 256.0, offset_v: centre_v },
        };
        let count = dialect.limits.usual_points.min(dialect.limits.points_a_read);
        let block = match self.part(name, 1, count, &mut Draft::new("", "")).await? {
            Ok(block) => block,
            Err(why) => return Ok(Err(why)),
        };
        let decoded = match decode(&dialect, &block, 8, scale) {
            Ok(decoded) => decoded,
            Err(trouble) => return Ok(Err(trouble.to_string())),
        };
        let ends = [decoded.code_low, decoded.code_high];
        Ok(Ok(Seen {
            volts: decoded
                .codes
                .iter()
                .map(|&code| decoded.scale.offset_v + f64::from(code) * decoded.scale.gain_v)
                .collect(),
            trigger: raw.map(|raw| raw.x_reference - raw.x_origin_s / raw.x_increment_s),
            clipped: decoded.codes.iter().any(|&code| ends.contains(&i32::from(code))),
        }))
    }

    /// The same volts must come whatever the range and the middle are: so a wrong sign, a wrong number of steps
    /// and signed codes taken for unsigned ones show.
    pub(super) async fn other_settings(&mut self, name: &Values) -> Result<(), ScopeError> {
        let least_v = 2.0_f64.clamp(
            self.scope.dialect.limits.least_volts_a_division,
            self.scope.dialect.limits.greatest_volts_a_division,
        );
        let most_v = (2.0 * least_v).min(self.scope.dialect.limits.greatest_volts_a_division);
        let mut draft = Draft::new("volts at other settings", "the same mean volts, whatever the range and the middle");
        draft.sent.push("what is on the first channel, at three settings".into());
        let mut seen = Vec::new();
        for (division_v, centre_v) in [(least_v, 0.0), (least_v, 1.5 * least_v), (most_v, 0.0)] {
            match self.seen(name, division_v, centre_v, &mut draft).await? {
                Ok(one) => seen.push(one),
                Err(why) => {
                    self.rows.push(draft.end(TrialOutcome::NotTried, Some(why)));
                    return Ok(());
                }
            }
        }
        let [first, moved, wider] = seen.as_slice() else { return Ok(()) };
        let row = if seen.iter().any(|one| one.clipped) {
            draft.end(
                TrialOutcome::NotTried,
                Some("what is on the first channel runs against an end of the converter".into()),
            )
        } else if (moved.mean_v() - first.mean_v()).abs() > SAME_DIVISIONS * least_v {
            let twice = (moved.mean_v() - first.mean_v()).abs() / (1.5 * least_v);
            draft.differs(format!(
                "the volts follow the middle ({twice:.2} of its move): check the sign of the offset (read-back.offset, {{centre-v}} or {{minus-centre-v}}), data.codes and data.formula"
            ))
        } else if (wider.mean_v() - first.mean_v()).abs() > SAME_DIVISIONS * most_v {
            draft.differs("the volts follow the range: check data.formula, data.codes and limits.steps-a-division")
        } else {
            draft.good()
        };
        self.rows.push(row);
        Ok(())
    }
}
