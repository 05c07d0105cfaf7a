//! Triage: from findings to a ranked list of causes and the next best check.

use serde::{Deserialize, Serialize};
use tapewright_formats::{Finding, Outcome};

/// One fault of the triage data.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Fault {
    /// Its name.
    pub name: String,
    /// Findings that must all be there.
    pub needs: Vec<Finding>,
    /// Of these at least one must be there, if any is listed.
    #[serde(default)]
    pub any: Vec<Finding>,
    /// Findings that must not be there.
    #[serde(default)]
    pub excludes: Vec<Finding>,
    /// What else is found follows from it: it comes before every fault that is not so.
    #[serde(default)]
    pub root: bool,
    /// What it means, in words.
    pub says: String,
    /// The next best check.
    pub next: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct FaultFile {
    fault: Vec<Fault>,
}

/// What the whole says: the causes by rank, in words.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Conclusion {
    /// Names of the faults that fit, the most telling first; empty when nothing was found wrong.
    pub faults: Vec<String>,
    /// The conclusion in a sentence or two.
    pub text: String,
    /// The next best check.
    pub next: String,
}

/// A file of triage data that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the triage data `{name}` are not right: {problem}")]
pub struct FaultsError {
    /// Name or path.
    pub name: String,
    /// What is wrong, and where.
    pub problem: String,
}

/// Reads triage data; `name` is what a message calls them.
///
/// # Errors
/// [`FaultsError`]: not TOML, an unknown key, or a finding that there is not.
pub fn read_faults(name: &str, text: &str) -> Result<Vec<Fault>, FaultsError> {
    let wrong =
        |e: toml::de::Error| FaultsError { name: name.to_owned(), problem: e.to_string().trim_end().to_owned() };
    toml::from_str::<FaultFile>(text).map(|file| file.fault).map_err(wrong)
}

/// The shipped triage data.
///
/// # Panics
/// Never in a released program: a test parses the shipped data.
#[must_use]
pub fn shipped_faults() -> Vec<Fault> {
    read_faults("faults.toml", include_str!("../../procedures/faults/faults.toml"))
        .expect("the shipped triage data parses")
}

/// Ranks the faults that fit the findings, and says what the whole means.
#[must_use]
pub fn conclude(faults: &[Fault], findings: &[Finding], whole: Outcome, why_not: &[String]) -> Conclusion {
    let mut fit: Vec<&Fault> = faults
        .iter()
        .filter(|f| f.needs.iter().all(|n| findings.contains(n)))
        .filter(|f| f.any.is_empty() || f.any.iter().any(|a| findings.contains(a)))
        .filter(|f| !f.excludes.iter().any(|e| findings.contains(e)))
        .collect();
    // A stable sort keeps the order of the file among faults that need equally much.
    fit.sort_by_key(|f| core::cmp::Reverse((f.root, f.needs.len())));
    let names = fit.iter().map(|f| f.name.clone()).collect();
    if let Some(first) = fit.first() {
        return Conclusion { faults: names, text: first.says.clone(), next: first.next.clone() };
    }
    let (text, next) = match whole {
        Outcome::Pass => {
            ("Nothing wrong was found.".to_owned(), "Go on with the next tape or the next sequence.".to_owned())
        }
        Outcome::Marginal => (
            "Nothing is beyond its reject limit, but not all is surely good.".to_owned(),
            "Look at the marginal measurements; clean and measure again.".to_owned(),
        ),
        Outcome::Inconclusive => (
            "A reject limit lies within the uncertainty of a measurement.".to_owned(),
            "Measure again with more frames or a longer record.".to_owned(),
        ),
        Outcome::Unable => (
            format!(
                "Not everything could be measured: {}",
                why_not.first().map_or("see the procedures", String::as_str)
            ),
            why_not
                .first()
                .map_or_else(|| "Look at the procedures, then run again.".to_owned(), |why| first_thing(why)),
        ),
        Outcome::Fail => (
            "A measurement is beyond its reject limit, and no known fault fits.".to_owned(),
            "Look at the failed measurements and their evidence.".to_owned(),
        ),
    };
    Conclusion { faults: names, text, next }
}

/// Words that what is to be done begins with, in what procedures say.
const TO_DO: &[&str] = &[
    "add", "ask", "begin", "bring", "check", "choose", "clean", "close", "connect", "declare", "feed", "find",
    "follow", "give", "go", "hold", "insert", "join", "lead", "leave", "let", "look", "lower", "make", "measure",
    "mend", "move", "name", "open", "press", "put", "raise", "read", "run", "say", "see", "set", "stop", "switch",
    "take", "tell", "try", "turn", "use", "wait", "write",
];

/// The first thing to do about something that could not be measured, in its own words: from where they say what to do, or all
/// of them.
fn first_thing(why: &str) -> String {
    let starts = why.match_indices([':', ';', '.']).map(|(place, mark)| place + mark.len());
    let to_do = starts.filter_map(|start| why[start..].strip_prefix(' ')).find(|rest| {
        let word = rest.split(|c: char| !c.is_alphanumeric() && c != '-' && c != '.').next().unwrap_or_default();
        TO_DO.contains(&word.to_lowercase().as_str())
    });
    let mut letters = to_do.unwrap_or_default().trim_end_matches('.').chars();
    match letters.next() {
        Some(first) => format!("{}{}; then run again.", first.to_uppercase(), letters.as_str()),
        None => format!("See to this first, then run again: {}.", why.trim_end_matches('.')),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_could_not_be_measured_says_what_to_do_first() {
        for (why, next) in [
            (
                "envelope, head-a: no trigger within 4 s: a rising edge; check that the signal is there, and its probe",
                "Check that the signal is there, and its probe; then run again.",
            ),
            (
                "hifi, rf: RF is on `CH3`, which can only trigger: put it on a channel.",
                "Put it on a channel; then run again.",
            ),
            (
                "x, tone: it lasts 2 s. Let it play longer. Then listen",
                "Let it play longer. Then listen; then run again.",
            ),
            // The name of a quantity is nothing to do.
            ("p, set: play.rf: nothing came", "See to this first, then run again: p, set: play.rf: nothing came."),
            ("p, q: take.x came to nothing.", "See to this first, then run again: p, q: take.x came to nothing."),
        ] {
            assert_eq!(conclude(&[], &[], Outcome::Unable, &[why.to_owned()]).next, next);
        }
    }

    #[track_caller]
    fn check(findings: &[Finding], expected: &[&str]) {
        let conclusion = conclude(&shipped_faults(), findings, Outcome::Fail, &[]);
        assert_eq!(conclusion.faults, expected);
    }

    #[test]
    fn look_alikes_are_told_apart() {
        use Finding::*;
        check(&[ControlTrackAbsent, RfPresent, TapeSlip, RfUnsteadyInPlay], &["control-track-lost"]);
        check(&[ControlTrackHidden, RfPresent, TapeSlip, RfUnsteadyInPlay], &["control-track-weak-or-lost"]);
        check(&[ControlTrackWeak, ControlTrackPresent, RfPresent, TapeSlip], &["tape-slip", "control-track-weak"]);
        check(&[ControlTrackAbsent, RfAbsent], &["blank-tape-or-no-signal"]);
        check(&[ControlTrackHidden, RfAbsent], &["blank-tape-or-no-signal"]);
        check(&[ControlTrackHidden, ControlTrackAbsent, RfPresent], &["control-track-lost"]);
        check(&[ControlTrackPresent, RfAbsent], &["rf-lost"]);
        check(&[ControlTrackPresent, TapeSlip, RfUnsteadyInPlay], &["tape-slip"]);
        // Control pulses are said to be there only where they were seen: 8 mm has none.
        check(&[RfPresent, TapeSlip, RfUnsteadyInPlay], &["tape-slip-without-pulses"]);
        check(&[HeadSwitchWrongRate, ControlTrackPresent, TapeSlip], &["drum-off-speed"]);
        check(&[TrackingHunting, RfUnsteadyInPlay], &["tracking-hunts"]);
        check(&[EnvelopeExitSag], &["exit-guide"]);
        check(&[EnvelopeExitSag, MachineOrTape], &["machine-or-tape"]);
        check(&[TapeNoRf, ControlTrackPresent], &["blank-tape"]);
        // Without a control track, as on 8 mm, too.
        check(&[RfAbsent, HeadSwitchPresent], &["rf-lost-no-pulses-told"]);
        check(&[RfAbsent, HeadSwitchAbsent], &["nothing-moves", "head-switch-lost"]);
        check(&[LevelLow, RfPresent, ControlTrackPresent], &["level-low"]);
        check(&[LevelLow, RfLevelInStill, RfPresent], &["tracking-off"]);
        check(&[LevelLow, HeadBWeak, RfPresent], &["head-b-weak", "level-low"]);
        check(&[TapeNoControlTrack, RfPresent, TapeSlip, RfUnsteadyInPlay], &["tape-without-control-track"]);
        check(&[], &[]);
    }

    #[test]
    fn what_the_rest_follows_from_comes_first() {
        use Finding::*;
        let all = [ControlTrackAbsent, RfAbsent, HeadSwitchAbsent];
        check(&all, &["nothing-moves", "blank-tape-or-no-signal", "head-switch-lost"]);
        check(&[ReferenceAbsent, ControlTrackPresent, TapeSlip], &["reference-lost", "tape-slip"]);
        let starved = [SupplyWrong, ControlTrackPresent, RfAbsent, HeadSwitchPresent];
        check(&starved, &["supply-wrong", "rf-lost"]);
    }

    #[test]
    fn one_of_any_is_enough_and_none_is_not() {
        let text =
            "[[fault]]\nname = \"f\"\nneeds = []\nany = [\"rf.absent\", \"video.absent\"]\nsays = \"\"\nnext = \"\"";
        let faults = read_faults("test", text).unwrap();
        let named = |findings: &[Finding]| conclude(&faults, findings, Outcome::Fail, &[]).faults.len();
        assert_eq!((named(&[Finding::VideoAbsent]), named(&[Finding::RfPresent])), (1, 0));
    }

    #[test]
    fn a_fault_can_be_named_at_all() {
        for fault in shipped_faults() {
            assert!(!fault.needs.is_empty() || !fault.any.is_empty(), "{} would always fit", fault.name);
            let contradicts = fault.excludes.iter().any(|finding| fault.needs.contains(finding));
            assert!(!contradicts, "{} never fits", fault.name);
        }
    }

    /// Findings that say that something is well, or only that it is there.
    const WELL: &[Finding] = &[
        Finding::RfSteadyInStill,
        Finding::RfSteadyInPlay,
        Finding::HeadSwitchPresent,
        Finding::VideoPresent,
        Finding::ReferencePresent,
        Finding::SupplyPresent,
        Finding::AudioPresent,
        Finding::GeneratorPresent,
        Finding::EnvelopeFlat,
        Finding::HeadSwitchOnPoint,
        Finding::DrumLocked,
        Finding::CapstanLocked,
        Finding::TrackingCentred,
        Finding::VideoRight,
        Finding::SearchAsPredicted,
        Finding::PilotsCentred,
        Finding::TapeSafe,
    ];

    #[test]
    fn what_is_wrong_is_spoken_of() {
        let faults = shipped_faults();
        let spoken = |finding: &Finding| faults.iter().any(|f| f.needs.contains(finding) || f.any.contains(finding));
        let silent: Vec<_> = Finding::ALL.iter().filter(|f| !WELL.contains(f) && !spoken(f)).collect();
        assert!(silent.is_empty(), "no fault is named by {silent:?}");
    }

    #[test]
    fn names_are_unique() {
        let mut names: Vec<_> = shipped_faults().into_iter().map(|f| f.name).collect();
        let all = names.len();
        names.sort();
        names.dedup();
        assert_eq!(names.len(), all);
    }
}
