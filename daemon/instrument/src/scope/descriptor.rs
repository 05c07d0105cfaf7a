//! Scaling that comes in other ways than one line of text about the whole record.

use super::{Scope, ScopeError};
use crate::dialect::{Op, PreambleForm, RawPreamble, Values};
use crate::scpi::answer;

/// Most bytes of a descriptor.
const MOST: usize = 4096;

impl Scope {
    /// Asks for the binary descriptor of a channel's record; twice on a line that garbles, where a wrong byte would
    /// be wrong volts or seconds without any error.
    pub(super) async fn descriptor(
        &mut self,
        label: &str,
        name: &Values,
        doing: &str,
    ) -> Result<RawPreamble, ScopeError> {
        let bad = |why: String| ScopeError::BadData { channel: label.to_owned(), why };
        let message = self.built(Op::AskPreamble, name, doing)?;
        let block = self.session.query_block(&message, MOST).await;
        let block = block.map_err(|source| self.failed(doing, source))?;
        if self.read_twice {
            let again = self.session.query_block(&message, MOST).await;
            if again.map_err(|source| self.failed(doing, source))? != block {
                return Err(bad("the descriptor, asked twice, differs: the line garbles bytes".into()));
            }
        }
        self.dialect.read_descriptor(&block).map_err(|trouble| bad(trouble.to_string()))
    }

    /// Points of the record. Where the scaling is told field by field, its count is that of the part that was
    /// read last, so the record's length is asked for.
    pub(super) async fn points_of(&mut self, raw: &RawPreamble) -> Result<u32, ScopeError> {
        if !matches!(self.dialect.preamble, PreambleForm::NamedFields(_)) {
            return Ok(raw.points);
        }
        let doing = "ask the length of the record";
        let message = self.built(Op::AskPoints, &Values::new(), doing)?;
        let points = self.session.query_as(&message, answer::integer).await;
        let points = points.map_err(|source| self.failed(doing, source))?;
        Ok(u32::try_from(points).unwrap_or(0))
    }
}
