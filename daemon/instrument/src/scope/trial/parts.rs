//! A record read by parts: each must be the same points as in a longer one.

use super::compare::{about_answer, about_complaint};
use super::{Draft, ScopeError, TrialOutcome, TrialRow, Walk};
use crate::dialect::{Op, Slot, Values};

impl Walk<'_> {
    /// Reads points `first` to `last`, counted from 1.
    pub(super) async fn part(
        &mut self,
        name: &Values,
        first: u32,
        last: u32,
        draft: &mut Draft,
    ) -> Result<Result<Vec<u8>, String>, ScopeError> {
        let dialect = self.scope.dialect.clone();
        let values = name
            .clone()
            .number(Slot::First, f64::from(first))
            .number(Slot::Last, f64::from(last))
            .number(Slot::Count, f64::from(last + 1 - first));
        for op in [Op::Select, Op::Chunk] {
            let words = dialect.render(op, &values).unwrap_or_default();
            let complaints = self.send(draft, &words).await?;
            if !complaints.is_empty() {
                return Ok(Err(about_complaint(op, &complaints)));
            }
        }
        let question = dialect.render(Op::AskData, &values).ok().and_then(|mut list| list.pop());
        let Some(question) = question else { return Ok(Err("commands.ask-data cannot be built".into())) };
        draft.sent.push(question.text().to_owned());
        match self.scope.session.query_block(&question, 1 << 20).await {
            Ok(block) => {
                draft.came.push(format!("{} bytes", block.len()));
                Ok(Ok(block))
            }
            Err(source) => {
                let why = self.survivable(source)?;
                draft.came.push(why.clone());
                let advice = about_answer("commands.ask-data", question.text(), Err(&why));
                Ok(Err(format!(
                    "{advice}; a block of another shape is told by the keys block-... and padding in [manners]"
                )))
            }
        }
    }

    /// A part read by itself must be the same as in a longer one.
    pub(super) async fn parts(&mut self, name: &Values) -> Result<bool, ScopeError> {
        let mut draft =
            Draft::new(Op::AskData, "100 bytes, 11 of them once more, the same, and the last 10 of the record");
        let whole = match self.part(name, 1, 100, &mut draft).await? {
            Ok(whole) => whole,
            Err(advice) => {
                self.rows.push(draft.differs(advice));
                return Ok(false);
            }
        };
        let can_part = self.scope.dialect.can(Op::Chunk)
            || self.scope.dialect.limits.points_a_read < self.scope.dialect.limits.greatest_points;
        let row = if !can_part {
            draft.good()
        } else if whole.len() != 100 {
            draft.differs(format!(
                "{} bytes came where 100 were asked for: look commands.chunk up, and whether points count from 1 or from 0",
                whole.len()
            ))
        } else {
            match self.part(name, 20, 30, &mut draft).await? {
                Ok(part) if part.len() == 11 && part[..] == whole[19..30] => self.last_points(name, draft).await?,
                Ok(part) => {
                    let place = whole.windows(part.len().max(1)).position(|window| window == part);
                    let told =
                        place.map_or_else(String::new, |place| format!(" (they begin with point {})", place + 1));
                    draft.differs(format!(
                        "points 20 to 30 are not those of the longer reading{told}: look commands.chunk up, and whether points count from 1 ({{first}}, {{last}}) or from 0 ({{first-from-0}})"
                    ))
                }
                Err(advice) => draft.differs(advice),
            }
        };
        let good = row.outcome == TrialOutcome::Ok;
        self.rows.push(row);
        if good {
            self.long_reading(name).await?;
        } else {
            self.not_tried(&["manners.short-readings"], "not even short parts of a record can be read");
        }
        Ok(good)
    }

    /// As many points in one reading as a capture asks for.
    async fn long_reading(&mut self, name: &Values) -> Result<(), ScopeError> {
        let limits = &self.scope.dialect.limits;
        let count = limits.usual_points.min(limits.points_a_read);
        let mut draft = Draft::new("manners.short-readings", format!("{count} points in one reading"));
        let row = match self.part(name, 1, count, &mut draft).await? {
            Err(advice) => draft.differs(advice),
            Ok(part) if part.len() < count as usize && !self.scope.dialect.profile.short_readings => {
                draft.differs(format!(
                    "{} points came where {count} were asked for: set limits.points-a-read to what one reading holds, or manners.short-readings = true",
                    part.len()
                ))
            }
            Ok(_) => draft.good(),
        };
        self.rows.push(row);
        Ok(())
    }

    /// The last ten points must be ten: counted from the wrong place, every reading is off by one and agrees with
    /// every other.
    async fn last_points(&mut self, name: &Values, mut draft: Draft) -> Result<TrialRow, ScopeError> {
        let last = self.scope.dialect.limits.usual_points;
        Ok(match self.part(name, last - 9, last, &mut draft).await? {
            Ok(part) if part.len() == 10 => draft.good(),
            Ok(part) => draft.differs(format!(
                "the last 10 of {last} points came as {}: points count from another number than commands.chunk has it, from 1 ({{first}}) or from 0 ({{first-from-0}}), or the record is shorter than commands.points says",
                part.len()
            )),
            Err(advice) => draft.differs(advice),
        })
    }
}
