//! The commands that ask a running daemon: `run`, `runs`, `show`, `stop`.

use super::attend::{Keyboard, Typed, stop_at_ctrl_c};
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
use crate::run::spec::{RunSpec, SpecError};
use clap::Args;
use core::time::Duration;
use std::io::IsTerminal;
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
    #[error(transparent)]
    Spec(#[from] SpecError),
    #[error("standard input ended at a question: answer it, or say that the cautions were read by --acknowledge")]
    NoAnswer,
    #[error(
        "standard input ended at a question, and run {run} still waits for its answer: `tapewright prompts {bench}` shows it, `tapewright answer {bench}` answers it, and `tapewright stop {bench}` ends the run"
    )]
    LeftOpen { run: RunId, bench: String },
    #[error(
        "the daemon went away while run {run} was going on: the machine on bench `{bench}` may still be moving, so press stop by hand; then start the daemon again with `tapewright serve`, which sends stop first, and look at the run with `tapewright show {run}`"
    )]
    Lost {
        run: RunId,
        bench: String,
        #[source]
        source: Box<ClientError>,
    },
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

impl AskError {
    /// What was asked for wrongly is not a failure of the tool.
    const fn exit(&self) -> Exit {
        match self {
            Self::Spec(_) | Self::Name(_) | Self::Client(ClientError::Refused { status: 400 | 404, .. }) => Exit::Usage,
            _ => Exit::ToolFailed,
        }
    }
}

pub(crate) fn finish(done: Result<Exit, AskError>) -> Exit {
    done.unwrap_or_else(|error| {
        out::error(&error);
        error.exit()
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
    #[arg(long, value_name = "VOLTS", allow_negative_numbers = true)]
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
    // Before anything is sent: JSON has no word for a level that is no number.
    spec.check()?;
    let client = args.at.client()?;
    // The number before the run begins, so that none of its events is missed.
    let from = latest(&client, &args.bench)?;
    let run = client.start_run(&args.bench, &serde_json::to_value(&spec)?)?;
    stop_at_ctrl_c(&client, &args.bench, &run);
    out::say(&format!("run {run}"));
    following(&client, args, &run, from).map_err(|error| match error {
        AskError::Client(source @ (ClientError::Unreachable { .. } | ClientError::Garbled { .. })) => {
            AskError::Lost { run, bench: args.bench.clone(), source: Box::new(source) }
        }
        error => error,
    })
}

/// Follows a run to its end, and shows it.
fn following(client: &Client, args: &RunArgs, run: &RunId, mut from: Cursor) -> Result<Exit, AskError> {
    let mut keyboard = None;
    let ended = || -> Result<Exit, AskError> {
        let (exit, report) = show_run(client, run, args.at.json, false)?;
        Ok(if report.tool_failed { Exit::ToolFailed } else { exit })
    };
    loop {
        let page = client.events(&args.bench, from, Duration::from_secs(20))?;
        if page.missed > 0 {
            out::say(&format!("({} events were missed; the journal has them)", page.missed));
        }
        if page.restarted {
            out::say("the daemon was started anew meanwhile: what it cut is marked interrupted");
            return ended();
        }
        from = page.next;
        for event in page.events {
            let event: NumberedEvent = serde_json::from_value(serde_json::to_value(event)?)?;
            if let Some(line) = super::demo::line_of(&event.event) {
                out::say(&line);
            }
            match &event.event {
                BenchEvent::Prompted { prompt } => answer(client, &args.bench, run, prompt, &mut keyboard)?,
                BenchEvent::RunClosed { run: closed, .. } if *closed == run.to_string() => return ended(),
                BenchEvent::RunWithoutVerdict { run: without, because } if *without == run.to_string() => {
                    return Err(AskError::NoVerdict { run: run.clone(), because: because.clone() });
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
fn answer(
    client: &Client,
    bench: &str,
    run: &RunId,
    prompt: &OpenPrompt,
    keyboard: &mut Option<Keyboard>,
) -> Result<(), AskError> {
    let question = &prompt.question;
    out::say(&question.text);
    if !std::io::stdin().is_terminal() {
        out::say(&format!("(not attended here: answer with `{}`)", super::answer::command(bench, prompt)));
        return Ok(());
    }
    let keyboard = keyboard.get_or_insert_with(Keyboard::new);
    let is_open =
        || -> Result<bool, AskError> { Ok(client.prompts(bench)?.iter().any(|p| p["id"] == prompt.id.as_str())) };
    let ask = || {
        if !question.choices.is_empty() {
            out::say(&format!("answer one of: {}", question.choices.join(", ")));
        }
    };
    ask();
    loop {
        let line = match keyboard.line() {
            Typed::Line(line) => line,
            Typed::NotYet if is_open()? => continue,
            // Settled elsewhere, or the run was stopped: the events say which.
            Typed::NotYet => return Ok(()),
            Typed::Ended => return Err(AskError::LeftOpen { run: run.clone(), bench: bench.to_owned() }),
        };
        match client.answer(bench, &prompt.id, &answered(line.trim())) {
            Ok(()) => return Ok(()),
            Err(error) if is_open()? => {
                out::error(&error);
                ask();
            }
            // Another answer was first, or the time was up: the events say which.
            Err(_) => return Ok(()),
        }
    }
}

/// An answer from here.
pub(crate) fn answered(text: &str) -> Answered {
    Answered { text: text.to_owned(), by: "command line".to_owned() }
}

fn show_run(client: &Client, run: &RunId, json: bool, why: bool) -> Result<(Exit, RunReport), AskError> {
    let report: RunReport = serde_json::from_value(client.run(run)?)?;
    if json {
        out::json(&report);
    } else {
        out::data(&text::run(&report));
        if why {
            out::data(&text::why(&report));
        }
    }
    Ok((report.verdict.map_or(Exit::Unable, Exit::of), report))
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
    let none = match row.state {
        RunState::Open => "running",
        RunState::Interrupted => "interrupted, no verdict",
        RunState::Damaged if row.is_gone() => "JOURNAL GONE: `show` says which file",
        RunState::Damaged => "JOURNAL DAMAGED: `show` says where",
        RunState::Closed => "no verdict",
    };
    let (started, verdict) = (rfc3339(WallTime(row.started_ms)), row.verdict.as_deref().unwrap_or(none));
    // A journal of which nothing can be read says neither.
    let known = |word: &str| if word.is_empty() { "?".to_owned() } else { word.to_owned() };
    format!("{}  {started}  {:<8} {:<12} {verdict}", row.id, known(&row.machine), known(&row.sequence))
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
