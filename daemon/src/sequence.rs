//! Sequences: procedures in order, with their settings and the rules for going on.

use serde::Deserialize;
use std::collections::BTreeMap;
use tapewright_formats::{Finding, Signal, TapeKind};

/// A sequence file.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Sequence {
    /// Its name.
    pub name: String,
    /// What it is for.
    pub purpose: String,
    /// The only kind of tape that it is for; none: any.
    #[serde(default)]
    pub tape: Option<TapeKind>,
    /// An alignment tape goes in only after a run proved in the same job that a scrap tape comes out unharmed.
    #[serde(default)]
    pub tape_safe_first: bool,
    /// Its steps, in order.
    #[serde(rename = "step")]
    pub steps: Vec<Step>,
}

/// One procedure of a sequence.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Step {
    /// The procedure's name.
    pub procedure: String,
    /// Settings that replace the procedure's defaults.
    #[serde(default)]
    pub settings: BTreeMap<String, SettingValue>,
    /// The step is left out when one of these was found before it.
    #[serde(default)]
    pub skip_when: Vec<Finding>,
    /// Why, in words.
    #[serde(default)]
    pub skip_because: String,
    /// The step is left out, rather than unable, where a signal that the procedure needs is not hooked up.
    #[serde(default)]
    pub when_hooked_up: bool,
    /// The step is left out, rather than unable, unless each of these is on a channel that takes samples.
    #[serde(default)]
    pub when_sampled: Vec<Signal>,
    /// The step is left out, rather than unable, unless one of these at least is on such a channel.
    #[serde(default)]
    pub when_one_sampled: Vec<Signal>,
    /// The step is only for formats that have a control track (true) or none (false); left out: for any.
    #[serde(default)]
    pub control_track: Option<bool>,
    /// The sequence ends after this step when one of these was found.
    #[serde(default)]
    pub stop_when: Vec<Finding>,
}

/// A setting's value in a file.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(untagged)]
pub enum SettingValue {
    /// A number, in the parameter's unit.
    Number(f64),
    /// A text.
    Text(String),
}

/// What is wrong with a sequence.
#[derive(Debug, thiserror::Error)]
pub enum SequenceError {
    /// No such sequence.
    #[error("there is no sequence `{name}`; known: {known}; or give the path of a sequence file")]
    Unknown {
        /// What was asked for.
        name: String,
        /// What there is.
        known: String,
    },
    /// The file could not be read.
    #[error("reading the sequence file `{path}` failed: check that it is there and readable")]
    Read {
        /// The file.
        path: String,
        /// Why.
        source: std::io::Error,
    },
    /// The file is not a sequence.
    #[error("the sequence `{name}` is not right: {problem}")]
    Parse {
        /// Name or path.
        name: String,
        /// What is wrong, and where.
        problem: String,
    },
}

/// The sequences that come with the program: name and text.
const SHIPPED: &[(&str, &str)] = &[
    ("first-look", include_str!("../../procedures/sequences/first-look.toml")),
    ("tape-safe", include_str!("../../procedures/sequences/tape-safe.toml")),
    ("alignment", include_str!("../../procedures/sequences/alignment.toml")),
    ("full-check", include_str!("../../procedures/sequences/full-check.toml")),
    ("after-repair", include_str!("../../procedures/sequences/after-repair.toml")),
];

/// Names of the shipped sequences.
pub fn shipped_names() -> impl Iterator<Item = &'static str> {
    SHIPPED.iter().map(|(name, _)| *name)
}

/// Finds a sequence: shipped by its name, or a file by its path.
///
/// # Errors
/// [`SequenceError`] says which name or file was tried, and what there is.
pub fn find(name: &str) -> Result<Sequence, SequenceError> {
    if let Some((_, text)) = SHIPPED.iter().find(|(shipped, _)| *shipped == name) {
        return parse(name, text);
    }
    if !name.ends_with(".toml") {
        let known = shipped_names().collect::<Vec<_>>().join(", ");
        return Err(SequenceError::Unknown { name: name.to_owned(), known });
    }
    let text = std::fs::read_to_string(name).map_err(|source| SequenceError::Read { path: name.to_owned(), source })?;
    parse(name, &text)
}

/// A sequence of one procedure with its defaults.
#[must_use]
pub fn of_one(procedure: &str) -> Sequence {
    Sequence {
        name: procedure.to_owned(),
        purpose: format!("the procedure {procedure} alone"),
        tape: None,
        tape_safe_first: false,
        steps: vec![Step {
            procedure: procedure.to_owned(),
            settings: BTreeMap::new(),
            skip_when: Vec::new(),
            skip_because: String::new(),
            when_hooked_up: false,
            when_sampled: Vec::new(),
            when_one_sampled: Vec::new(),
            control_track: None,
            stop_when: Vec::new(),
        }],
    }
}

fn parse(name: &str, text: &str) -> Result<Sequence, SequenceError> {
    let wrong = |problem: String| SequenceError::Parse { name: name.to_owned(), problem };
    let sequence: Sequence = toml::from_str(text).map_err(|e| wrong(e.to_string().trim_end().to_owned()))?;
    if sequence.steps.is_empty() {
        return Err(wrong("it has no [[step]]; give at least one".to_owned()));
    }
    Ok(sequence)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shipped_sequences_parse() {
        for name in shipped_names() {
            let sequence = find(name).expect("shipped sequences are right");
            assert_eq!(sequence.name, name);
            for step in sequence.steps {
                assert!(tapewright_shipped::procedure(&step.procedure).is_some(), "{name}: `{}`", step.procedure);
                assert_eq!(step.skip_when.is_empty(), step.skip_because.is_empty(), "{name}: `{}`", step.procedure);
            }
        }
    }

    /// Else no machine of such a format could pass: the step would be unable for the format's sake.
    #[test]
    fn steps_that_need_a_control_track_are_left_out_where_the_format_has_none() {
        let mut met = 0;
        for step in shipped_names().flat_map(|name| find(name).expect("shipped sequences are right").steps) {
            let wanted = match step.procedure.as_str() {
                "control-track" | "capstan-lock" | "tracking-centre" => Some(true),
                "pilot-tracking" => Some(false),
                _ => continue,
            };
            assert_eq!(step.control_track, wanted, "{}", step.procedure);
            met += 1;
        }
        assert!(met >= 8, "{met}");
    }

    #[test]
    fn what_is_wrong_is_said() {
        let check = |text: &str, expected: &str| {
            let message = parse("shop.toml", text).expect_err("it is wrong").to_string();
            assert!(message.contains(expected), "`{message}` should say `{expected}`");
        };
        check("name = 'x'\npurpose = ''\nstep = []", "no [[step]]");
        check("name = 'x'\npurpose = ''\nsteps = []", "steps");
        check("name = 'x'\npurpose = ''\n[[step]]\nprocedure = 'envelope'\nskip-when = ['rf.gone']", "rf.gone");
    }
}
