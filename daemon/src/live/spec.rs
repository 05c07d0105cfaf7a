//! What is to be watched, with which tape.

use crate::run::spec::RunSpec;
use serde::{Deserialize, Serialize};
use tapewright_formats::{TapeKind, format_named, formats};

/// A live session as it is asked for. What is left out is that of the run that waits for the adjustment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct LiveSpec {
    /// The procedure whose live readings are shown.
    pub procedure: String,
    /// The machine's shelf mark, where a job is given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<String>,
    /// Format by name, e.g. `vhs-525-sp`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub format: Option<String>,
    /// Which tape is in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub tape: Option<TapeKind>,
    /// The tape's label.
    #[serde(default)]
    pub tape_name: String,
    /// The tape's picture is the same from top to bottom.
    #[serde(default)]
    pub even_picture: bool,
    /// The job that the session belongs to: an alignment tape needs one in which a scrap tape ran safely.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub job: Option<String>,
    /// The cautions were read.
    #[serde(default)]
    pub acknowledge: bool,
}

impl LiveSpec {
    /// The machine, for its job to be held against.
    ///
    /// # Errors
    /// That it is missing.
    pub(crate) fn machine<'a>(&'a self, waiting: Option<&'a RunSpec>) -> Result<&'a str, String> {
        let machine = self.machine.as_deref().or_else(|| waiting.map(|run| run.machine.as_str()));
        machine.ok_or_else(|| missing("machine"))
    }

    /// The subject as the procedure is told it.
    ///
    /// # Errors
    /// What is missing or unknown, and what there is.
    pub(crate) fn subject(&self, waiting: Option<&RunSpec>) -> Result<tapewright_host::Subject, String> {
        let format = self.format.clone().or_else(|| waiting.map(|run| run.format.clone()));
        let format = format.ok_or_else(|| missing("format"))?;
        if format_named(&format).is_none() {
            let known = formats().iter().map(|f| f.name).collect::<Vec<_>>().join(", ");
            return Err(format!("there is no format `{format}`; known: {known}"));
        }
        let tape = self.tape.or_else(|| waiting.map(|run| run.tape)).ok_or_else(|| missing("tape"))?;
        let of_run = waiting.filter(|run| self.tape.is_none() || self.tape == Some(run.tape));
        Ok(tapewright_host::Subject {
            format,
            tape,
            tape_name: match of_run {
                Some(run) if self.tape_name.is_empty() => run.tape_name.clone(),
                _ => self.tape_name.clone(),
            },
            known_level_v: of_run.and_then(|run| run.known_level_v),
            even_picture: self.even_picture || of_run.is_some_and(|run| run.even_picture),
        })
    }
}

fn missing(what: &str) -> String {
    format!("give the {what}: no run waits whose {what} could be taken")
}
