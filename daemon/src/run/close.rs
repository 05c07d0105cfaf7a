//! The end of a run: the transport stopped and verified, the conclusion drawn, the journal closed, the job told.

use super::{Prepared, RunError};
use crate::bench::events::BenchEvent;
use crate::records::{FindingRecord, JobEvent, JobId, Note, RunClosed, RunEvent, ScrapTapeRan};
use crate::report::run_report::{ALARM, About, ProcedureReport, RunReport, tape_text};
use crate::triage::{Conclusion, conclude, shipped_faults};
use tapewright_formats::{Finding, Mode, Outcome, Signal, UnableCode};

/// The procedure whose verdict a job is told.
const TAPE_SAFE: &str = "tape-safe";

impl Prepared {
    /// Stops the transport, and looks whether the signals went away. The alarm, where the machine may run on.
    pub(super) async fn stop_and_verify(&self) -> Option<String> {
        let bench = &self.runner.bench;
        let alarm = match bench.transport.go(Mode::Stop).await {
            Err(error) => {
                let why = crate::report::chain(&error);
                Some(format!("{ALARM}stopping the transport failed: {why}; stop the machine by hand"))
            }
            Ok(_) => self.still_running_v().await.map(|seen_v| {
                format!("{ALARM}the transport was told to stop, and there is still {seen_v:.3} V of RF: stop the machine by hand")
            }),
        };
        if let Some(text) = alarm.clone() {
            bench.events.push(BenchEvent::Trouble { text });
        }
        alarm
    }

    /// The RF that is still there, if it is more than a machine at rest has.
    async fn still_running_v(&self) -> Option<f64> {
        let bench = &self.runner.bench;
        let expected_v = bench.hookup.point(Signal::Rf)?.expected_v?;
        let request = crate::bench::check::presence_request(Signal::Rf);
        let captures = bench.scope.acquire(request).await.ok()?;
        let seen_v = captures
            .iter()
            .flat_map(|c| &c.traces)
            .filter_map(|t| t.volt_range())
            .map(|(low, high)| high - low)
            .fold(0.0, f64::max);
        (seen_v > crate::bench::check::STILL_RUNNING_SHARE * expected_v).then_some(seen_v)
    }

    /// A run that looked how a scrap tape comes out tells its job: safely opens it for an alignment tape, anything else closes it.
    /// The run's own record is closed by then, so that a job which cannot be told takes no verdict with it.
    async fn tell_job(&self, report: &RunReport, trouble: Option<&RunError>) {
        // Nothing moved then, so nothing was learned of the machine.
        if matches!(trouble, Some(RunError::NotAcknowledged | RunError::NoAlignmentTape(_))) {
            return;
        }
        let wanted = self.sequence.steps.iter().filter(|step| step.procedure == TAPE_SAFE).count();
        let of = report.procedures.iter().filter(|p| p.procedure == TAPE_SAFE);
        let passed = of.filter(|p| p.verdict == Some(Outcome::Pass)).count();
        let found = |finding: Finding| report.findings.contains(&finding);
        let (safe, harmed) = (found(Finding::TapeSafe), found(Finding::TapeHarmed));
        if wanted == 0 && !safe && !harmed {
            return;
        }
        // Curls, a loop, a tension that swings, a machine that does not stop, or no verdict at all: what passed before says
        // nothing of the machine as it is now.
        let safely = safe && !harmed && passed == wanted && report.alarm.is_none();
        let Some(job) = &self.spec.job else { return };
        let ran = ScrapTapeRan { safely, by: self.sequence.name.clone(), run: Some(self.journal.run().clone()) };
        let told = match job.parse::<JobId>() {
            Ok(job) => self.runner.data.add_to_job(&job, JobEvent::ScrapTapeRan(ran)).await.map(drop),
            Err(error) => Err(error),
        };
        if let Err(error) = told {
            let ran = if safely { "came out unharmed" } else { "did not run safely" };
            let text = format!(
                "job {job} could not be told that the scrap tape {ran}: {}; mend that, or open another job, and run `{}` there again",
                crate::report::chain(&error),
                self.sequence.name
            );
            self.runner.bench.events.push(BenchEvent::Trouble { text });
        }
    }

    pub(super) async fn close(
        &self,
        reports: Vec<ProcedureReport>,
        trouble: Option<&RunError>,
        alarm: Option<String>,
    ) -> Result<RunReport, RunError> {
        let mut outcome = whole(&reports, self.sequence.steps.len(), trouble);
        if let Some(text) = &alarm {
            // Whoever reads the record later must see it too, and nothing passes on a machine that runs on.
            self.journal.append(&RunEvent::Note(Note { text: text.clone() }))?;
            outcome = outcome.worse(Outcome::Unable);
        }
        let mut report = RunReport {
            run: self.id(),
            sequence: self.sequence.name.clone(),
            machine: self.spec.machine.clone(),
            tape: tape_text(self.spec.tape, &self.spec.tape_name),
            about: self.journal.opened().map(|(opened, started)| About::of(opened, started)),
            verdict: Some(outcome),
            tool_failed: trouble.is_some_and(is_of_the_tool),
            interrupted: None,
            alarm,
            conclusion: String::new(),
            next: String::new(),
            faults: Vec::new(),
            findings: Vec::new(),
            procedures: reports,
        };
        report.gather_findings();
        let mut conclusion = match trouble {
            Some(error) => Conclusion {
                faults: Vec::new(),
                text: format!("The run did not come to its end: {}", crate::report::chain(error)),
                next: after(error),
            },
            None => {
                let mut why_not: Vec<String> = report
                    .procedures
                    .iter()
                    .flat_map(|p| p.unable.iter().map(|u| format!("{}, {}: {}", p.procedure, u.what, u.why)))
                    .collect();
                why_not.extend(report.alarm.as_ref().map(|alarm| format!("the stop at the end: {alarm}")));
                let mut conclusion = conclude(&shipped_faults(), &report.findings, outcome, &why_not);
                if let Some(instead) =
                    instead_of(&report).or_else(|| afresh(&report)).filter(|_| conclusion.faults.is_empty())
                {
                    conclusion.next = instead;
                }
                conclusion
            }
        };
        if let Some(alarm) = &report.alarm {
            // First of all the machine is to be stopped.
            conclusion.next = format!("{alarm}. {}", conclusion.next);
        }
        let findings = report.procedures.iter().flat_map(|p| p.findings.iter().zip(&p.seen));
        let closed = RunClosed {
            outcome,
            conclusion: conclusion.text.clone(),
            next: conclusion.next.clone(),
            faults: conclusion.faults.clone(),
            findings: findings.map(|(f, seen)| FindingRecord { finding: f.to_string(), seen: seen.clone() }).collect(),
            tool_failed: report.tool_failed,
        };
        let text = conclusion.text.clone();
        report.conclude(conclusion);
        self.journal.close(closed).await?;
        self.tell_job(&report, trouble).await;
        self.runner.bench.events.push(BenchEvent::RunClosed { run: self.id(), outcome, conclusion: text });
        Ok(report)
    }
}

/// The worst of all procedures. `unable` when none ran, and at best that when the tool failed or not every
/// step is told of: what was not looked at never passes.
fn whole(reports: &[ProcedureReport], steps: usize, trouble: Option<&RunError>) -> Outcome {
    let worst = reports.iter().filter_map(|p| p.verdict).reduce(Outcome::worse).unwrap_or(Outcome::Unable);
    if trouble.is_some() || reports.len() < steps { worst.worse(Outcome::Unable) } else { worst }
}

/// Whether a run did not come to its end because of the tool, and not because of what was asked or answered.
const fn is_of_the_tool(trouble: &RunError) -> bool {
    matches!(trouble, RunError::Records(_) | RunError::Host { .. } | RunError::Library(_))
}

/// The first thing to do after a run that did not come to its end.
fn after(trouble: &RunError) -> String {
    match trouble {
        RunError::NotAcknowledged => {
            "Run again, read the cautions and answer `yes`; where nobody sits, read them beforehand and give --acknowledge."
        }
        RunError::NoAlignmentTape(_) => {
            "Run the sequence `tape-safe` with a scrap tape in the job of this machine; when it passes, run again."
        }
        RunError::Records(_) => "See that the disk with the records has room and can be written, then run again.",
        RunError::Host { .. } => {
            "See that the disk with the records has room and can be written, and that the scope and the relays are \
             connected; then run again. Where it fails in the same way, the daemon's log says more."
        }
        _ => "Correct what the message names, then run again.",
    }
    .to_owned()
}

/// What to do where nothing stands in the way of running again: somebody stopped the run, or the machine is to be stopped first.
fn afresh(report: &RunReport) -> Option<String> {
    let mut unable = report.procedures.iter().flat_map(|procedure| &procedure.unable).peekable();
    if report.verdict != Some(Outcome::Unable) {
        return None;
    }
    match unable.peek() {
        None if report.alarm.is_some() => Some("When it stands still, run again.".to_owned()),
        Some(first) if first.code == UnableCode::Cancelled => {
            Some("The run was stopped: when the machine is free, run it again from its beginning.".to_owned())
        }
        _ => None,
    }
}

/// What to do where nothing but the format stood in the way: running again changes nothing.
fn instead_of(report: &RunReport) -> Option<String> {
    let unable = || report.procedures.iter().flat_map(|procedure| &procedure.unable);
    let is_of_format = unable().count() > 0
        && unable().all(|unable| unable.code == UnableCode::NotInFormat)
        && report.alarm.is_none()
        && report.verdict == Some(Outcome::Unable);
    is_of_format.then(|| {
        let advice = report.procedures.iter().flat_map(|procedure| &procedure.advice).next();
        advice.cloned().unwrap_or_else(|| "Take what stands in its place on this format.".to_owned())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fewer_reports_than_steps_are_at_best_unable() {
        let with = |verdict| ProcedureReport { verdict, ..ProcedureReport::left_out("p", String::new()) };
        let passed = || with(Some(Outcome::Pass));
        for (reports, steps, expected) in [
            (vec![passed(), passed()], 2, Outcome::Pass),
            (vec![passed(), with(None)], 2, Outcome::Pass),
            (vec![passed()], 2, Outcome::Unable),
            (vec![with(Some(Outcome::Fail))], 2, Outcome::Fail),
            (vec![with(None)], 1, Outcome::Unable),
            (Vec::new(), 0, Outcome::Unable),
        ] {
            assert_eq!(whole(&reports, steps, None), expected, "{} of {steps}", reports.len());
        }
        let error = RunError::NotAcknowledged;
        assert_eq!(whole(&[passed()], 1, Some(&error)), Outcome::Unable);
    }
}
