//! What only eyes can see: questions to the operator, whose answers are judged like measurements.

use tapewright_sdk::prelude::*;

/// How long somebody may look.
const LOOK_DEADLINE_S: f64 = 600.0;

/// Answer where it could not be seen: nothing is claimed then.
const NOT_SEEN: &str = "not-seen";

/// One question. The first choice is good, the second is not.
pub(crate) struct Eyes {
    pub(crate) id: &'static str,
    /// Name of what is reported.
    pub(crate) what: &'static str,
    pub(crate) text: &'static str,
    pub(crate) good: &'static str,
    pub(crate) bad: &'static str,
    /// What it means when it is bad.
    pub(crate) finding: Option<Finding>,
    pub(crate) advice: &'static str,
}

pub(crate) const IS_SCRAP: Eyes = Eyes {
    id: "scrap-tape-in",
    what: "tape",
    text: "Put in a tape that nobody would miss, with some minutes of recording on it. Is the tape in the machine such a one?",
    good: "scrap",
    bad: "precious",
    finding: None,
    advice: "Take the precious tape out, and put in a scrap tape.",
};

pub(crate) const EDGES: Eyes = Eyes {
    id: "edges-in-play",
    what: "seen.edges",
    text: "The tape plays. With a lamp and hands clear, look at it at the guides and at the pinch roller: does it run flat, with neither edge \
           curling or riding up?",
    good: "flat",
    bad: "curls",
    finding: Some(Finding::TapeEdgeCurls),
    advice: "Clean guides and pinch roller, look at the roller's parallelism and at the guides' flanges, before any more tape goes in.",
};

pub(crate) const TAKE_UP: Eyes = Eyes {
    id: "take-up-in-play",
    what: "seen.take-up",
    text: "Does the take-up reel turn evenly, and is the tape before it taut, with no loop?",
    good: "even",
    bad: "loop",
    finding: Some(Finding::TakeUpWeak),
    advice: "Look at the take-up clutch, the idler and the belt: a loop is pulled into the machine at the next stop.",
};

pub(crate) const TENSION: Eyes = Eyes {
    id: "tension-in-play",
    what: "seen.tension",
    text: "Does the back-tension arm stand still, neither slack nor swinging?",
    good: "stands",
    bad: "swings",
    finding: Some(Finding::TensionUnsteady),
    advice: "Look at felt and band of the supply brake, then measure the back tension.",
};

pub(crate) const WINDS_ON: Eyes = Eyes {
    id: "winds-forward",
    what: "seen.fast-forward",
    text: "The tape winds forward. Does it run through without stalling, in an even pack?",
    good: "even",
    bad: "uneven",
    finding: Some(Finding::WindsUneven),
    advice: "Look at idler, reel tables and soft brakes.",
};

pub(crate) const WINDS_BACK: Eyes = Eyes {
    id: "winds-back",
    what: "seen.rewind",
    text: "The tape winds back. Does it run through without stalling, in an even pack?",
    good: "even",
    bad: "uneven",
    finding: Some(Finding::WindsUneven),
    advice: "Look at idler, reel tables and soft brakes.",
};

pub(crate) const UNHARMED: Eyes = Eyes {
    id: "tape-afterwards",
    what: "seen.tape",
    text: "Take the tape out and pull a metre of what was played from the shell. Are its edges and its surface as before: no crease, no scratch, \
           no fold?",
    good: "unharmed",
    bad: "harmed",
    finding: Some(Finding::TapeHarmed),
    advice: "No precious tape goes in. Follow the mark: an edge comes from a guide or the roller, a scratch from whatever the tape \
             rubs on, a fold from the take-up.",
};

impl Eyes {
    /// Asks, and reports what was seen: whether it was good; none: it was not seen.
    pub(crate) fn look(&self, report: &mut Report) -> Result<Option<bool>> {
        let prompt = Prompt {
            id: self.id,
            text: self.text,
            action: Action::Answer,
            choices: &[self.good, self.bad, NOT_SEEN],
            deadline_s: LOOK_DEADLINE_S,
        };
        let answer = prompt.ask().on(self.what)?;
        if answer == NOT_SEEN {
            report.unable(Unable::new(UnableCode::Declined, "the operator could not see it").on(self.what));
            return Ok(None);
        }
        let good = answer == self.good;
        let value = if good { 1.0 } else { 0.0 };
        let at_least = Limit { at_least: Some(0.5), at_most: None };
        let seen = Measured {
            name: self.what.to_owned(),
            unit: Unit::One,
            value,
            interval: Interval { low: value, high: value, coverage: 0.95 },
            degrees_of_freedom: None,
            contributions: Vec::new(),
            limits: Some(Limits {
                good: at_least,
                reject: at_least,
                source: "the operator's eyes: 1 is good, 0 is not".to_owned(),
            }),
        };
        report.measured(seen);
        if !good {
            if let Some(finding) = self.finding {
                report.found(finding, &format!("the operator saw: {}", self.bad));
            }
            report.advise(self.advice);
        }
        Ok(Some(good))
    }
}
