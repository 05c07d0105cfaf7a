//! The commands on jobs: a machine comes in, a scrap tape is looked at, remarks, the machine leaves.

use super::client::{AskError, Where, finish, run_line};
use super::exit::Exit;
use super::out;
use crate::records::{Job, JobEvent, JobId, JobOpened, RunFilter, RunRow, ScrapTapeRan, rfc3339};
use clap::{Args, Subcommand, ValueEnum};
use tapewright_clock::WallTime;

/// What is done with a job.
#[derive(Debug, Subcommand)]
pub(crate) enum JobCommand {
    /// A machine comes in: prints the job's name, which `run --job` takes
    Open {
        /// The machine's shelf mark
        #[arg(long)]
        machine: String,
        /// Format of the machine's tapes, e.g. vhs-525-sp
        #[arg(long)]
        format: String,
        /// What is said to be wrong, and which modes show a picture
        #[arg(long)]
        symptom: String,
        #[command(flatten)]
        at: Where,
    },
    /// List jobs, oldest first
    List {
        /// Only those whose machine has not left
        #[arg(long)]
        open: bool,
        #[command(flatten)]
        at: Where,
    },
    /// Show a job with its runs
    Show(Named),
    /// Say how a scrap tape came out, where no run of `tape-safe` showed it
    ScrapTape {
        #[command(flatten)]
        named: Named,
        /// How it looked
        #[arg(long, value_enum)]
        came_out: CameOut,
    },
    /// Add a remark
    Note {
        #[command(flatten)]
        named: Named,
        /// The remark
        text: String,
    },
    /// The machine leaves
    Close {
        #[command(flatten)]
        named: Named,
        /// What was done, in words that its owner can read
        #[arg(long)]
        conclusion: String,
    },
}

/// Which job.
#[derive(Debug, Args)]
pub(crate) struct Named {
    /// The job
    job: String,
    #[command(flatten)]
    at: Where,
}

/// What a look at a scrap tape showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum CameOut {
    /// No fold, no curled edge, no scratch
    Unharmed,
    /// Any mark at all
    Harmed,
}

pub(crate) fn run(command: &JobCommand) -> Exit {
    finish(done(command))
}

fn done(command: &JobCommand) -> Result<Exit, AskError> {
    match command {
        JobCommand::Open { machine, format, symptom, at } => {
            let opened = JobOpened { machine: machine.clone(), format: format.clone(), symptom: symptom.clone() };
            show(at, &at.client()?.start_job(&opened)?, &[]);
        }
        JobCommand::List { open, at } => {
            let mut jobs = at.client()?.jobs()?;
            jobs.retain(|job| !open || job.closed.is_none());
            if at.json() {
                out::json(&jobs);
            } else {
                jobs.iter().for_each(|job| out::data(&line(job)));
            }
        }
        JobCommand::Show(named) => {
            let (client, job) = (named.at.client()?, named.id()?);
            let runs = client.runs(&RunFilter { job: Some(job.to_string()), ..RunFilter::default() })?;
            show(&named.at, &client.job(&job)?, &runs);
        }
        JobCommand::ScrapTape { named, came_out } => {
            let ran = ScrapTapeRan { safely: *came_out == CameOut::Unharmed, by: "command line".to_owned(), run: None };
            named.add(&JobEvent::ScrapTapeRan(ran))?;
        }
        JobCommand::Note { named, text } => named.add(&JobEvent::JobNote { text: text.clone() })?,
        JobCommand::Close { named, conclusion } => {
            named.add(&JobEvent::JobClosed { conclusion: conclusion.clone() })?;
        }
    }
    Ok(Exit::Done)
}

impl Named {
    fn id(&self) -> Result<JobId, AskError> {
        Ok(self.job.parse()?)
    }

    fn add(&self, event: &JobEvent) -> Result<(), AskError> {
        show(&self.at, &self.at.client()?.add_to_job(&self.id()?, event)?, &[]);
        Ok(())
    }
}

fn show(at: &Where, job: &Job, runs: &[RunRow]) {
    if at.json() {
        out::json(&serde_json::json!({ "job": job, "runs": runs }));
        return;
    }
    out::data(&line(job));
    out::data(&format!("  came in because: {}", job.opened.symptom));
    if let Some((ran, ms)) = &job.scrap_tape {
        let how = match (ran.safely, &ran.run) {
            (true, _) => "came out unharmed",
            (false, None) => "was harmed: no alignment tape",
            (false, Some(_)) => "did not come out unharmed for sure: no alignment tape",
        };
        let who = ran.run.as_ref().map_or_else(|| format!("said by {}", ran.by), |run| format!("shown by {run}"));
        out::data(&format!("  {}  a scrap tape {how} ({who})", rfc3339(WallTime(*ms))));
    }
    job.notes.iter().for_each(|note| out::data(&format!("  note: {note}")));
    runs.iter().for_each(|row| out::data(&format!("  {}", run_line(row))));
    if let Some((conclusion, ms)) = &job.closed {
        out::data(&format!("  {}  left: {conclusion}", rfc3339(WallTime(*ms))));
    }
}

fn line(job: &Job) -> String {
    let state = if job.closed.is_some() { "left" } else { "open" };
    let (id, came, opened) = (&job.id, rfc3339(WallTime(job.opened_ms)), &job.opened);
    format!("{id}  {came}  {:<8} {:<14} {state}", opened.machine, opened.format)
}
