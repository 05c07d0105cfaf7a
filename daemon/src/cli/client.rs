//! The commands that ask a running daemon: `run`, `runs`, `show`, `stop`.

use super::exit::Exit;
use super::out;
use super::serve::token_file;
use crate::bench::events::{BenchEvent, NumberedEvent};
use crate::bench::prompts::OpenPrompt;
use crate::config::{Config, ConfigError};
use crate::http::{Answered, Client, ClientError, Cursor};
use crate::records::{RecordsError, RunFilter, RunId, RunRow, RunState, rfc3339};
use crate::report::run_report::RunReport;
use crate::report::text;
use crate::run::spec::RunSpec;
use clap::Args;
use core::time::Duration;
use std::io::{BufRead, IsTerminal};
use std::path::PathBuf;
use tapewright_clock::WallTime;
use tapewright_formats::TapeKind;

/// Where the daemon is.
#[derive(Debug, Args)]
pub(crate) struct Where {
    /// The daemon's configuration: says where it listens and where its token lies
    #[arg(long, value_name = "FILE", default_value = super::DEFAULT_CONFIG)]
    config: PathBuf,
    /// JSON instead of text
    #[arg(long)]
    json: bool,
}

/// What went wrong between here and the daemon.
#[derive(Debug, thiserror::Error)]
pub(crate) enum AskError {
    #[error(transparent)]
    Config(#[from] ConfigError),
    #[error(transparent)]
    Client(#[from] ClientError),
    #[error(transparent)]
    Name(#[from] RecordsError),
    #[error("the daemon sent something that this program does not understand: are both of the same version?")]
    Wire(#[from] serde_json::Error),
    #[error("standard input ended at a prompt: see `tapewright prompts` and `tapewright answer`, or run attended")]
    NoAnswer,
    #[error(
        "run {run} ended without a verdict: {because}; see that the disk with the records has room and can be written, then run again"
    )]
    NoVerdict { run: RunId, because: String },
    #[error("the terminal cannot be used as a screen: try --plain")]
    Terminal(#[source] std::io::Error),
}

impl Where {
    /// Whether JSON was asked for.
    pub(crate) const fn json(&self) -> bool {
        self.json
    }

    pub(crate) fn client(&self) -> Result<Client, AskError> {
        let config = Config::read(&self.config)?;
        Ok(Client::new(&config.listen, &token_file(&config))?)
    }
}

pub(crate) fn finish(done: Result<Exit, AskError>) -> Exit {
    done.unwrap_or_else(|error| {
        out::error(&error);
        Exit::ToolFailed
    })
}

/// Options of `run`.
#[derive(Debug, Args)]
pub(crate) struct RunArgs {
    /// A sequence by name or path, or one procedure by name
    sequence: String,
    /// The bench
    #[arg(long)]
    bench: String,
    /// The machine's shelf mark
    #[arg(long)]
    machine: String,
    /// Format of the machine's tapes, e.g. vhs-525-sp
    #[arg(long)]
    format: String,
    /// Which tape is in: alignment, own, other, unknown
    #[arg(long)]
    tape: TapeKind,
    /// The tape's label
    #[arg(long, default_value = "")]
    tape_name: String,
    /// Known carrier amplitude of the RF point with this tape, in volts
    #[arg(long, value_name = "VOLTS")]
    known_level: Option<f64>,
    /// The tape's picture is the same from top to bottom
    #[arg(long)]
    even_picture: bool,
    /// The tape may be recorded on
    #[arg(long)]
    scratch: bool,
    /// An earlier run that this one is held against, e.g. with the alignment tape or on another bench
    #[arg(long, value_name = "RUN")]
    against: Option<String>,
    /// The job that the run belongs to
    #[arg(long)]
    job: Option<String>,
    /// The cautions were read beforehand; for unattended use
    #[arg(long)]
    acknowledge: bool,
    #[command(flatten)]
    at: Where,
}

pub(crate) fn run(args: &RunArgs) -> Exit {
    finish(running(args))
}

fn running(args: &RunArgs) -> Result<Exit, AskError> {
    let client = args.at.client()?;
    let spec = RunSpec {
        sequence: args.sequence.clone(),
        machine: args.machine.clone(),
        format: args.format.clone(),
        tape: args.tape,
        tape_name: args.tape_name.clone(),
        known_level_v: args.known_level,
        even_picture: args.even_picture,
        scratch: args.scratch,
        against: args.against.clone(),
        job: args.job.clone(),
        acknowledge: args.acknowledge,
    };
    // The number before the run begins, so that none of its events is missed.
    let mut from = latest(&client, &args.bench)?;
    let run = client.start_run(&args.bench, &serde_json::to_value(&spec)?)?;
    out::say(&format!("run {run}"));
    loop {
        let page = client.events(&args.bench, from, Duration::from_secs(20))?;
        if page.missed > 0 {
            out::say(&format!("({} events were missed; the journal has them)", page.missed));
        }
        from = page.next;
        for event in page.events {
            let event: NumberedEvent = serde_json::from_value(serde_json::to_value(event)?)?;
            if let Some(line) = super::demo::line_of(&event.event) {
                out::say(&line);
            }
            match &event.event {
                BenchEvent::Prompted { prompt } => answer(&client, &args.bench, prompt)?,
                BenchEvent::RunClosed { run: closed, .. } if *closed == run.to_string() => {
                    return show_run(&client, &run, args.at.json, false);
                }
                BenchEvent::RunWithoutVerdict { run: ended, because } if *ended == run.to_string() => {
                    return Err(AskError::NoVerdict { run, because: because.clone() });
                }
                _ => {}
            }
        }
    }
}

/// The place after the last event, without waiting.
fn latest(client: &Client, bench: &str) -> Result<Cursor, AskError> {
    let mut from = Cursor::default();
    loop {
        let page = client.events(bench, from, Duration::ZERO)?;
        from = page.next;
        if page.events.is_empty() {
            return Ok(from);
        }
    }
}

/// Shows a prompt and sends what is typed. Without a terminal it is left to whoever answers elsewhere.
fn answer(client: &Client, bench: &str, prompt: &OpenPrompt) -> Result<(), AskError> {
    let question = &prompt.question;
    out::say(&question.text);
    let stdin = std::io::stdin();
    if !stdin.is_terminal() {
        out::say(&format!("(not attended here: answer with `{}`)", super::answer::command(bench, prompt)));
        return Ok(());
    }
    loop {
        if !question.choices.is_empty() {
            out::say(&format!("answer one of: {}", question.choices.join(", ")));
        }
        let mut line = String::new();
        let read = stdin.lock().read_line(&mut line).unwrap_or(0);
        if read == 0 {
            return Err(AskError::NoAnswer);
        }
        match client.answer(bench, &prompt.id, &answered(line.trim())) {
            Ok(()) => return Ok(()),
            Err(error) if client.prompts(bench)?.iter().any(|p| p["id"] == prompt.id.as_str()) => out::error(&error),
            // Another answer was first, or the time was up: the events say which.
            Err(_) => return Ok(()),
        }
    }
}

/// An answer from here.
pub(crate) fn answered(text: &str) -> Answered {
    Answered { text: text.to_owned(), by: "command line".to_owned() }
}

fn show_run(client: &Client, run: &RunId, json: bool, why: bool) -> Result<Exit, AskError> {
    let report: RunReport = serde_json::from_value(client.run(run)?)?;
    if json {
        out::json(&report);
    } else {
        out::data(&text::run(&report));
        if why {
            out::data(&text::why(&report));
        }
    }
    Ok(report.verdict.map_or(Exit::Unable, Exit::of))
}

/// Options of `show`.
#[derive(Debug, Args)]
pub(crate) struct ShowArgs {
    /// The run
    run: String,
    /// List what makes up each uncertainty
    #[arg(long)]
    why: bool,
    #[command(flatten)]
    at: Where,
}

pub(crate) fn show(args: &ShowArgs) -> Exit {
    let shown = || -> Result<Exit, AskError> {
        let run: RunId = args.run.parse()?;
        show_run(&args.at.client()?, &run, args.at.json, args.why)?;
        Ok(Exit::Done)
    };
    finish(shown())
}

/// Options of `runs`.
#[derive(Debug, Args)]
pub(crate) struct RunsArgs {
    /// Runs of this machine only
    #[arg(long)]
    machine: Option<String>,
    /// Runs on this bench only
    #[arg(long)]
    bench: Option<String>,
    /// Runs with this verdict only
    #[arg(long)]
    verdict: Option<String>,
    /// Runs with this finding only
    #[arg(long)]
    finding: Option<String>,
    /// How many at most, newest first
    #[arg(long, default_value_t = 20)]
    limit: u32,
    #[command(flatten)]
    at: Where,
}

pub(crate) fn runs(args: &RunsArgs) -> Exit {
    let listed = || -> Result<Exit, AskError> {
        let filter = RunFilter {
            machine: args.machine.clone(),
            bench: args.bench.clone(),
            verdict: args.verdict.clone(),
            finding: args.finding.clone(),
            limit: Some(args.limit),
            ..RunFilter::default()
        };
        let rows = args.at.client()?.runs(&filter)?;
        if args.at.json {
            out::json(&rows);
            return Ok(Exit::Done);
        }
        rows.iter().for_each(|row| out::data(&run_line(row)));
        Ok(Exit::Done)
    };
    finish(listed())
}

/// A run in one line of a list.
pub(crate) fn run_line(row: &RunRow) -> String {
    let none = if row.state == RunState::Damaged { "JOURNAL DAMAGED: `show` says where" } else { "no verdict" };
    let (started, verdict) = (rfc3339(WallTime(row.started_ms)), row.verdict.as_deref().unwrap_or(none));
    format!("{}  {started}  {:<8} {:<12} {verdict}", row.id, row.machine, row.sequence)
}

/// Options of `stop`.
#[derive(Debug, Args)]
pub(crate) struct StopArgs {
    /// The bench
    bench: String,
    #[command(flatten)]
    at: Where,
}

pub(crate) fn stop(args: &StopArgs) -> Exit {
    let stopped = || -> Result<Exit, AskError> {
        args.at.client()?.stop(&args.bench)?;
        if args.at.json {
            out::json(&serde_json::json!({ "stopped": args.bench }));
        } else {
            out::data(&format!("bench `{}` was told to stop", args.bench));
        }
        Ok(Exit::Done)
    };
    finish(stopped())
}
