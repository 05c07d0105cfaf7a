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
        let message = self.built(Op::AskPreamble, name, doing)?;
        let mut heard: Vec<(Vec<u8>, u32)> = Vec::new();
        let block = loop {
            let block = self.session.query_block(&message, MOST).await;
            let block = block.map_err(|source| self.failed(doing, source))?;
            if !self.read_twice {
                break block;
            }
            // So that one answer that came twice does not count for two.
            self.confirm(doing).await?;
            let needed = self.readings(block.len());
            match heard.iter_mut().find(|(known, _)| *known == block) {
                Some((_, count)) => *count += 1,
                None => {
                    if !heard.is_empty() {
                        self.session.note_garbled();
                    }
                    heard.push((block, 1));
                }
            }
            let readings: u32 = heard.iter().map(|(_, count)| count).sum();
            if let Some(place) = heard.iter().position(|(_, count)| *count >= needed) {
                break heard.swap_remove(place).0;
            }
            if readings >= 3 * needed {
                return Err(ScopeError::garbled(label, &format!("of {readings} readings of the descriptor"), needed));
            }
        };
        self.dialect.read_descriptor(&block).map_err(|trouble| ScopeError::misfit(label, trouble.to_string()))
    }

    /// Points of the record. Where the scaling is told field by field, its count is that of the part that was
    /// read last, so the record's length is asked for.
    pub(super) async fn points_of(&mut self, raw: &RawPreamble) -> Result<u32, ScopeError> {
        if !matches!(self.dialect.preamble, PreambleForm::NamedFields(_)) {
            return Ok(raw.points);
        }
        let doing = "ask the length of the record";
        let message = self.built(Op::AskPoints, &Values::new(), doing)?;
        let told = self.agreed(&[message], doing).await?;
        Self::points_told(told.first().map_or("", String::as_str))
    }

    /// Reads the length of a record.
    pub(super) fn points_told(text: &str) -> Result<u32, ScopeError> {
        let points = answer::integer(text)
            .map_err(|trouble| ScopeError::misfit("the length of the record", trouble.to_string()))?;
        Ok(u32::try_from(points).unwrap_or(0))
    }
}
