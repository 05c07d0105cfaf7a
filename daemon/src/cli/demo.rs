//! `tapewright demo`.

use super::exit::Exit;
use super::out;
use crate::bench::events::BenchEvent;
use crate::demo::{self, Audience};
use crate::report::run_report::RunReport;
use crate::report::text;
use clap::Args;
use sim_instrument::scenario::Stage;
use std::path::{Path, PathBuf};

/// Options of `demo`.
#[derive(Debug, Args)]
pub(crate) struct DemoArgs {
    /// Another scenario file than the shipped case of deck VC-07
    #[arg(long, value_name = "FILE")]
    scenario: Option<PathBuf>,
    /// Another seed than the scenario's
    #[arg(long)]
    seed: Option<u64>,
    /// Where the records go [default: a new folder for temporary files]
    #[arg(long, value_name = "FOLDER")]
    data: Option<PathBuf>,
    /// Progress to standard error, and as the last line of standard output one JSON object
    #[arg(long)]
    json: bool,
}

/// Plays the demonstration. The exit code is that of the tool: that the demonstrated machine fails is
/// what is to be seen.
pub(crate) async fn run(args: DemoArgs) -> Exit {
    let text = match &args.scenario {
        None => demo::VC_07.to_owned(),
        Some(path) => match std::fs::read_to_string(path) {
            Ok(text) => text,
            Err(error) => {
                out::say(&format!("error: reading the scenario `{}` failed: {error}", path.display()));
                return Exit::ToolFailed;
            }
        },
    };
    let records = args.data.clone().unwrap_or_else(fresh_folder);
    let mut terminal = Terminal { json: args.json };
    match demo::play(&text, args.seed, &records, &mut terminal).await {
        Ok(runs) => {
            terminal.tell(&format!("\nThe records of these runs lie in {}\n", records.display()));
            if args.json {
                out::json(&serde_json::json!({ "runs": runs, "records": records }));
            }
            Exit::Done
        }
        Err(error) => {
            out::error(&error);
            Exit::ToolFailed
        }
    }
}

/// A folder that nothing else uses.
fn fresh_folder() -> PathBuf {
    let wall = tapewright_clock::Clock::real().wall().0;
    std::env::temp_dir().join(format!("tapewright-demo-{wall}-{}", std::process::id()))
}

/// The one who watches in a terminal. With `json`, standard output is kept for the object.
struct Terminal {
    json: bool,
}

impl Terminal {
    fn tell(&self, text: &str) {
        if self.json { out::say(text) } else { out::data(text) }
    }
}

impl Audience for Terminal {
    fn begins(&mut self, title: &str, port: &str, pace: u32, instrument: &str, records: &Path) {
        self.tell(&format!(
            "{title}\n  scope    {instrument} (simulated)\n  port     {port}\n  clock    {pace} times as fast as the wall\n  records  {}\n",
            records.display()
        ));
    }

    fn stage(&mut self, number: usize, stage: &Stage, tape: &str) {
        self.tell(&format!("\n{number}. {} (tape `{tape}`)\n", stage.title));
    }

    fn event(&mut self, event: &BenchEvent) {
        if let Some(line) = line_of(event) {
            self.tell(&line);
        }
    }

    fn run(&mut self, report: &RunReport) {
        self.tell(&format!("\n{}", text::run(report)));
    }
}

/// One line for whoever watches a bench; none for what only a program needs.
pub(crate) fn line_of(event: &BenchEvent) -> Option<String> {
    Some(match event {
        BenchEvent::ProcedureStarted { procedure, place, of, .. } => format!("  [{place}/{of}] {procedure}"),
        BenchEvent::StepSkipped { procedure, because, .. } => format!("        {procedure} left out: {because}"),
        BenchEvent::Progress { share, doing, .. } => format!("        {:>3.0} %  {doing}", share * 100.0),
        BenchEvent::ModeAsked { mode } => format!("        hands clear: going to {mode}"),
        BenchEvent::TrackingAsked { press } => format!("        presses {press}"),
        BenchEvent::DwellEnding { left_s } => {
            format!("        HANDS CLEAR: the still picture is ended in {left_s} s")
        }
        BenchEvent::Prompted { prompt } => {
            text::wrapped("        ", &format!("asked: {}", first_line(&prompt.question.text)))
        }
        BenchEvent::Answered { answer, .. } => format!("        answered: {answer}"),
        BenchEvent::Unanswered { prompt } => format!("        nobody answered {prompt}"),
        BenchEvent::ProcedureEnded { procedure, outcome, .. } => format!("        {procedure}: {outcome}"),
        BenchEvent::Trouble { text } => format!("  trouble: {text}"),
        BenchEvent::Stopped { because } => format!("  stopped: {because}"),
        BenchEvent::RunOpened { .. }
        | BenchEvent::RunClosed { .. }
        | BenchEvent::RunWithoutVerdict { .. }
        | BenchEvent::ModeReached { .. } => return None,
    })
}

/// Cautions are long, and shown whole where they are to be acknowledged by a person.
fn first_line(text: &str) -> String {
    match text.split_once('\n') {
        Some((first, rest)) => format!("{first} (and {} more lines)", rest.lines().count()),
        None => text.to_owned(),
    }
}
