//! What is to be run, on which machine, with which tape.

use crate::records::{Job, NAME_CHARS, wrong_words};
use serde::{Deserialize, Serialize};
use tapewright_formats::{LineStandard, TapeKind, format_named, formats};
use tapewright_instrument::Hookup;

/// A run as it is asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct RunSpec {
    /// A sequence by name or path, or one procedure by name.
    pub sequence: String,
    /// The machine's shelf mark.
    pub machine: String,
    /// Format by name, e.g. `vhs-525-sp`.
    pub format: String,
    /// Which tape is in.
    pub tape: TapeKind,
    /// The tape's label.
    #[serde(default)]
    pub tape_name: String,
    /// Known RF level (carrier amplitude, in volts at the test point) of this point with this tape.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub known_level_v: Option<f64>,
    /// The tape's picture is the same from top to bottom.
    #[serde(default)]
    pub even_picture: bool,
    /// The operator declared the tape scratch: it may be recorded on.
    #[serde(default)]
    pub scratch: bool,
    /// An earlier run that this one is held against, by its name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub against: Option<String>,
    /// The job that the run belongs to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub job: Option<String>,
    /// The cautions were read beforehand, for unattended use.
    #[serde(default)]
    pub acknowledge: bool,
}

/// What is wrong with a run as it is asked for.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SpecError {
    /// No such format.
    #[error("there is no format `{given}`; known: {known}")]
    UnknownFormat {
        /// What was given.
        given: String,
        /// What there is.
        known: String,
    },
    /// No shelf mark.
    #[error("the machine has no shelf mark: give one, so that the records can be found again")]
    NoMachine,
    /// A name that is not kept.
    #[error("the {what} is not kept: {why}")]
    BadWords {
        /// Which.
        what: &'static str,
        /// What is wrong with it, and what to do.
        why: String,
    },
    /// The level is not a level.
    #[error("the known level is {0}: give volts of carrier amplitude, more than 0")]
    BadLevel(f64),
    /// The sequence is for another kind of tape.
    #[error("the sequence `{sequence}` is for a tape of kind `{wanted}`, and `{given}` was given: put such a tape in")]
    OtherTape {
        /// The sequence.
        sequence: String,
        /// What it is for.
        wanted: TapeKind,
        /// What is in.
        given: TapeKind,
    },
    /// No such job.
    #[error(
        "there is no job `{0}`: list the jobs with `tapewright job list`, and give the one that this machine is in for"
    )]
    NoJob(String),
    /// The machine of the job has left.
    #[error("the job {0} is closed, its machine left: open a new one with `tapewright job open` for what is done now")]
    ClosedJob(String),
    /// The run or live session is of another machine or format than its job.
    #[error(
        "this is to be of the {what} `{given}`, and the job {job} is of `{wanted}`: give that {what}, or the job that this one is in for"
    )]
    NotOfTheJob {
        /// The job.
        job: String,
        /// Machine or format.
        what: &'static str,
        /// The run's.
        given: String,
        /// The job's.
        wanted: String,
    },
    /// The hookup says another line standard.
    #[error(
        "the format `{format}` has {has} lines, and the hookup of bench `{bench}` says `lines = {says}`: give the format of this machine, or correct the hookup"
    )]
    OtherLines {
        /// The bench.
        bench: String,
        /// The format.
        format: String,
        /// Its lines.
        has: u32,
        /// The hookup's.
        says: u32,
    },
    /// No such earlier run.
    #[error("there is no run `{0}` to hold this one against: list the runs with `tapewright runs`")]
    NoEarlierRun(String),
    /// The earlier run's journal is damaged.
    #[error("the run {run} cannot be held against this one: {why}")]
    BrokenEarlierRun {
        /// The run.
        run: String,
        /// What is wrong, and what to do.
        why: String,
    },
    /// The earlier run is of another format.
    #[error(
        "the run {run} is of the format `{given}`, and this one of `{wanted}`: what they measured cannot be held against each other; name a run of the same format"
    )]
    OtherFormat {
        /// The run.
        run: String,
        /// Its format.
        given: String,
        /// The format of this run.
        wanted: String,
    },
    /// The earlier run measured nothing.
    #[error("the run {0}, which this one is to be held against, measured nothing: name another one")]
    NothingMeasured(String),
    /// An alignment tape is never scratch.
    #[error("an alignment tape was declared scratch: it is never recorded on; take the declaration back")]
    ScratchAlignment,
}

impl RunSpec {
    /// Checks what can be checked without the bench.
    ///
    /// # Errors
    /// The first thing that is wrong.
    pub fn check(&self) -> Result<(), SpecError> {
        if format_named(&self.format).is_none() {
            let known = formats().iter().map(|f| f.name).collect::<Vec<_>>().join(", ");
            return Err(SpecError::UnknownFormat { given: self.format.clone(), known });
        }
        if self.machine.trim().is_empty() {
            return Err(SpecError::NoMachine);
        }
        for (what, words) in [("machine's shelf mark", &self.machine), ("tape's label", &self.tape_name)] {
            if let Some(why) = wrong_words(words, NAME_CHARS) {
                return Err(SpecError::BadWords { what, why });
            }
        }
        if let Some(level) = self.known_level_v.filter(|v| !(v.is_finite() && *v > 0.0)) {
            return Err(SpecError::BadLevel(level));
        }
        if self.scratch && self.tape == TapeKind::Alignment {
            return Err(SpecError::ScratchAlignment);
        }
        Ok(())
    }

    /// The subject as procedures are told it.
    #[must_use]
    pub fn subject(&self) -> tapewright_host::Subject {
        tapewright_host::Subject {
            format: self.format.clone(),
            tape: self.tape,
            tape_name: self.tape_name.clone(),
            known_level_v: self.known_level_v,
            even_picture: self.even_picture,
        }
    }
}

/// Checks a format against what is written down of the bench: a wrong line standard would be measured as a wrong machine.
///
/// # Errors
/// If the hookup says another line standard than the format has.
pub(crate) fn check_hookup(format: &str, bench: &str, hookup: &Hookup) -> Result<(), SpecError> {
    let has = format_named(format).map(|format| match format.lines {
        LineStandard::L525 => 525,
        LineStandard::L625 => 625,
    });
    match (has, hookup.lines) {
        (Some(has), Some(says)) if has != says => {
            let (bench, format) = (bench.to_owned(), format.to_owned());
            Err(SpecError::OtherLines { bench, format, has, says })
        }
        _ => Ok(()),
    }
}

/// Checks machine and format against the job: what a job allows, it allows to its own machine only.
///
/// # Errors
/// The first thing that does not fit.
pub(crate) fn check_job(job: &Job, machine: &str, format: &str) -> Result<(), SpecError> {
    if job.closed.is_some() {
        return Err(SpecError::ClosedJob(job.id.to_string()));
    }
    for (what, given, wanted) in [("machine", machine, &job.opened.machine), ("format", format, &job.opened.format)] {
        if given.trim() != wanted.trim() {
            let (job, given, wanted) = (job.id.to_string(), given.to_owned(), wanted.clone());
            return Err(SpecError::NotOfTheJob { job, what, given, wanted });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[track_caller]
    fn check(change: fn(&mut RunSpec), expected: &str) {
        let mut spec: RunSpec = serde_json::from_value(serde_json::json!({
            "sequence": "first-look", "machine": "VC-07", "format": "vhs-525-sp", "tape": "alignment",
        }))
        .unwrap();
        assert_eq!(spec.check(), Ok(()));
        change(&mut spec);
        let said = spec.check().expect_err("it is refused").to_string();
        assert!(said.contains(expected), "{said}");
    }

    #[test]
    fn what_is_wrong_with_a_run_is_said_before_it_begins() {
        check(|spec| spec.known_level_v = Some(f64::NAN), "the known level is NaN: give volts");
        check(|spec| spec.known_level_v = Some(f64::INFINITY), "the known level is inf: give volts");
        check(|spec| spec.known_level_v = Some(-0.1), "the known level is -0.1: give volts");
        check(|spec| spec.format = "vhs".into(), "there is no format `vhs`");
        check(|spec| spec.machine = " ".into(), "no shelf mark");
        check(|spec| spec.machine = "A\nB".into(), "shelf mark is not kept: it holds the control character `\\n`");
        check(
            |spec| spec.tape_name = "x".repeat(65),
            "label is not kept: it has 65 characters: shorten it to at most 64",
        );
        check(|spec| spec.scratch = true, "an alignment tape was declared scratch");
    }

    #[test]
    fn a_hookup_of_the_other_line_standard_is_refused() {
        for (format, lines, fits) in [
            ("vhs-625-sp", Some(525), false),
            ("vhs-525-sp", Some(625), false),
            ("vhs-525-sp", Some(525), true),
            ("vhs-625-sp", Some(625), true),
            ("vhs-625-sp", None, true),
        ] {
            let checked = check_hookup(format, "left", &Hookup { lines, points: Vec::new() });
            assert_eq!(checked.is_ok(), fits, "{format} {lines:?}");
            let said = checked.map_or_else(|error| error.to_string(), |()| String::new());
            assert!(fits || said.contains(format) && said.contains("lines = "), "{said}");
        }
    }
}
