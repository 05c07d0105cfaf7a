//! Before anything moves: the cautions, and which tape may go in.

use super::{NO, Prepared, RunError, YES};
use crate::bench::prompts::{Action, Question};
use crate::records::{CautionAcknowledged, JobEvent, JobId, NoAlignmentTape, Note, RunEvent, ScrapTapeRan};
use std::collections::BTreeSet;
use tapewright_formats::{Caution, TapeKind};
use tapewright_host::Cancel;

/// How long the operator has to read the cautions, or to say how a scrap tape ran.
const READING_DEADLINE_S: f64 = 600.0;

impl Prepared {
    /// Cautions, and the rule of the alignment tape. A cancelled run is asked no more and goes on to its steps,
    /// each of which ends before it moves anything.
    pub(super) async fn before_anything_moves(&self, cancel: &Cancel) -> Result<(), RunError> {
        let cautions: BTreeSet<Caution> =
            self.procedures.iter().flat_map(|p| p.description().cautions.iter().copied()).collect();
        if !cautions.is_empty() {
            let by = if self.spec.acknowledge { "beforehand, for unattended use" } else { "operator" };
            if !self.spec.acknowledge {
                let text = cautions.iter().map(|c| c.text()).collect::<Vec<_>>().join("\n");
                match self.ask_yes("cautions", text, Action::ReadCautions, cancel).await {
                    Some(true) => {}
                    Some(false) => return Err(RunError::NotAcknowledged),
                    None => return Ok(()),
                }
            }
            for caution in &cautions {
                let caution = caution.to_string();
                let event = CautionAcknowledged { caution, by: by.to_owned() };
                self.journal.append(&RunEvent::CautionAcknowledged(event))?;
            }
        }
        if self.spec.tape == TapeKind::Alignment {
            self.scrap_tape_first(cancel).await?;
        }
        Ok(())
    }

    async fn scrap_tape_first(&self, cancel: &Cancel) -> Result<(), RunError> {
        let job = self.spec.job.as_deref().map(str::parse::<JobId>).transpose()?;
        let data = &self.runner.data;
        let job_now = match &job {
            Some(id) => Some(data.job(id).await?),
            None => None,
        };
        let told = job_now.as_ref().map(crate::records::Job::alignment_tape);
        if self.sequence.tape_safe_first {
            // Somebody's word is not enough here: the tape would be run for an hour.
            let refuse = |why: String| Err(RunError::NoAlignmentTape(why));
            return match (&job_now, told) {
                (None, _) => refuse("no alignment tape yet: give the job in which `tape-safe` passed".to_owned()),
                (Some(_), Some(Err(error))) => refuse(format!("{error}; the sequence `tape-safe` does it")),
                (Some(job), _) if job.tape_safe_by_run().is_none() => refuse(format!(
                    "no alignment tape yet: in job {} nobody but the operator says that a scrap tape ran safely; run the sequence `tape-safe` first",
                    job.id
                )),
                _ => Ok(()),
            };
        }
        match told {
            Some(Ok(())) => return Ok(()),
            Some(Err(error @ NoAlignmentTape::TapeSafeNotPassed { .. })) => {
                return Err(RunError::NoAlignmentTape(error.to_string()));
            }
            Some(Err(_)) | None => {}
        }
        let text = format!(
            "An alignment tape is to go into {}. Did a scrap tape run through it in this job, and come out without a mark?",
            self.spec.machine
        );
        // Nobody said anything then, and so the job is told nothing.
        let Some(safely) = self.ask_yes("scrap-tape", text, Action::Answer, cancel).await else { return Ok(()) };
        if let Some(id) = &job {
            data.add_to_job(id, JobEvent::ScrapTapeRan(ScrapTapeRan { safely, by: "operator".to_owned(), run: None }))
                .await?;
        }
        if safely {
            let text = "the operator said that a scrap tape ran safely".to_owned();
            self.journal.append(&RunEvent::Note(Note { text }))?;
            return Ok(());
        }
        let why = "no alignment tape yet: nobody said that a scrap tape ran safely in this job; play one through the machine first, \
                   look at it, and say how it came out";
        Err(RunError::NoAlignmentTape(why.to_owned()))
    }

    /// Whether the answer is yes; none: the run was cancelled meanwhile.
    async fn ask_yes(&self, name: &str, text: String, action: Action, cancel: &Cancel) -> Option<bool> {
        let question = Question {
            name: name.to_owned(),
            text,
            action,
            choices: vec![YES.to_owned(), NO.to_owned()],
            deadline_s: READING_DEADLINE_S,
        };
        tokio::select! {
            biased;
            () = cancel.cancelled() => None,
            answer = self.runner.bench.ask(question) => Some(answer.is_ok_and(|answer| answer == YES)),
        }
    }
}
