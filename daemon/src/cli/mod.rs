//! The command line.

mod answer;
mod attend;
mod client;
mod demo;
mod dialect;
mod dialect_show;
mod end;
pub mod exit;
mod find;
mod handbook;
mod jobs;
mod live;
mod out;
mod procedures;
mod rejudge;
mod serve;

use clap::{Parser, Subcommand};
use exit::Exit;
use std::path::PathBuf;

/// The configuration that is read where none is named.
const DEFAULT_CONFIG: &str = "bench.toml";

/// Drives a bench oscilloscope through procedures on helical-scan tape machines.
#[derive(Debug, Parser)]
#[command(name = "tapewright", version, after_help = exit::HELP)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Play a case of the invented archive on a simulated bench, over a real serial port
    Demo(demo::DemoArgs),
    /// Run the daemon until Ctrl-C
    Serve {
        /// The configuration
        #[arg(long, value_name = "FILE", default_value = DEFAULT_CONFIG)]
        config: PathBuf,
        /// Throw the index of the records away, and make it anew from the journals
        #[arg(long)]
        rebuild_index: bool,
    },
    /// Work with benches
    #[command(subcommand)]
    Bench(serve::BenchCommand),
    /// Work with dialect files
    #[command(subcommand)]
    Dialect(dialect::DialectCommand),
    /// Look at procedures
    Procedures {
        #[command(subcommand)]
        command: Option<procedures::ProceduresCommand>,
        /// A folder with components of this shop
        #[arg(long, value_name = "FOLDER", global = true)]
        folder: Vec<PathBuf>,
        /// JSON instead of text
        #[arg(long, global = true)]
        json: bool,
    },
    /// Machines in for service: open a job, look at it, close it
    #[command(subcommand)]
    Job(jobs::JobCommand),
    /// Run a sequence or a procedure on a bench of the running daemon, and follow it
    Run(client::RunArgs),
    /// Watch a procedure's live readings while adjusting; nothing moves but by a key
    Live(live::LiveArgs),
    /// List what a bench asks and waits to be answered
    Prompts(answer::PromptsArgs),
    /// Answer what a bench asks, from any terminal; the first answer counts
    Answer(answer::AnswerArgs),
    /// List runs
    Runs(client::RunsArgs),
    /// Show a run
    Show(client::ShowArgs),
    /// Judge a run again on its own evidence, and say what differs
    Rejudge(rejudge::RejudgeArgs),
    /// Stop a bench's transport at once, and cancel what runs
    Stop(client::StopArgs),
}

/// Runs the command line, and says how it ended.
#[must_use]
pub fn main() -> Exit {
    let cli = Cli::parse();
    let filter = tracing_subscriber::EnvFilter::try_from_env("TAPEWRIGHT_LOG").unwrap_or_else(|_| "warn".into());
    tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).init();
    out::ended(match cli.command {
        Command::Job(command) => jobs::run(&command),
        Command::Run(args) => client::run(&args),
        Command::Live(args) => live::run(&args),
        Command::Prompts(args) => answer::prompts(&args),
        Command::Answer(args) => answer::answer(&args),
        Command::Runs(args) => client::runs(&args),
        Command::Show(args) => client::show(&args),
        Command::Rejudge(args) => rejudge::run(&args),
        Command::Stop(args) => client::stop(&args),
        Command::Dialect(command) => wait_for(dialect::run(command)),
        Command::Demo(args) => wait_for(demo::run(args)),
        Command::Serve { config, rebuild_index } => wait_for(async move { serve::serve(&config, rebuild_index).await }),
        Command::Bench(command) => wait_for(serve::bench(command)),
        Command::Procedures { command, folder, json } => {
            wait_for(async move { procedures::run(command, &folder, json).await })
        }
    })
}

fn wait_for(work: impl Future<Output = Exit>) -> Exit {
    match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => runtime.block_on(work),
        Err(error) => {
            out::say(&format!("error: the runtime did not start: {error}"));
            Exit::ToolFailed
        }
    }
}
