//! Exit codes. The machine failed, and the tool failed, never share one.

use tapewright_formats::Outcome;

/// How the program ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// Everything asked for was done; a run passed.
    Done = 0,
    /// The command line was wrong (the usual code of the argument parser).
    Usage = 2,
    /// The machine failed a run.
    MachineFailed = 10,
    /// A run ended marginal: surely not reject, not surely good.
    Marginal = 11,
    /// A run could not decide.
    Inconclusive = 12,
    /// A run could not measure.
    Unable = 13,
    /// What was checked (a bench, a dialect file) has faults.
    Faulty = 14,
    /// The tool itself failed: no daemon, no disk, no link, bad files.
    ToolFailed = 20,
}

impl Exit {
    /// The code of a run's verdict.
    #[must_use]
    pub const fn of(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Pass => Self::Done,
            Outcome::Fail => Self::MachineFailed,
            Outcome::Marginal => Self::Marginal,
            Outcome::Inconclusive => Self::Inconclusive,
            Outcome::Unable => Self::Unable,
        }
    }
}

impl From<Exit> for std::process::ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

/// The codes as the help text lists them.
pub const HELP: &str = "\
Exit codes: 0 done, or the run passed; 2 wrong command line; 10 the machine failed; 11 marginal;
12 inconclusive; 13 unable to measure; 14 faults in what was checked; 20 the tool itself failed.";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_verdict_shares_a_code_with_a_failure_of_the_tool() {
        let codes: Vec<u8> = Outcome::ALL.iter().map(|&o| Exit::of(o) as u8).collect();
        for tool in [Exit::Usage, Exit::Faulty, Exit::ToolFailed] {
            assert!(!codes.contains(&(tool as u8)));
        }
        let mut unique = codes.clone();
        unique.sort_unstable();
        unique.dedup();
        assert_eq!(unique.len(), codes.len());
    }
}
