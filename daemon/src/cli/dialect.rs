//! `tapewright dialect list|show|check|try`.

use super::exit::Exit;
use super::{dialect_show, out};
use crate::bench;
use crate::config::Config;
use crate::report;
use clap::Subcommand;
use std::path::{Path, PathBuf};
use tapewright_clock::Clock;
use tapewright_instrument::scope::trial::Trial;
use tapewright_instrument::{Dialect, Scope};

/// Work with dialect files.
#[derive(Debug, Subcommand)]
pub(crate) enum DialectCommand {
    /// List the shipped dialects
    List {
        /// One JSON object instead of text
        #[arg(long)]
        json: bool,
    },
    /// Say what a dialect can do, and what it cannot
    Show {
        /// A shipped dialect, NAME or NAME/VARIANT, or a file
        name: String,
        /// One JSON object instead of text
        #[arg(long)]
        json: bool,
    },
    /// Try every operation of a dialect file on the scope of a bench, and say what to change in the file
    ///
    /// The scope's settings are changed. No key is pressed and no tape moves.
    Try {
        /// The file; or a shipped dialect, NAME or NAME/VARIANT
        file: String,
        /// The bench whose scope it is
        #[arg(long)]
        bench: String,
        /// The configuration
        #[arg(long, value_name = "FILE", default_value = super::DEFAULT_CONFIG)]
        config: PathBuf,
        /// A folder for the report as text and as JSON, to be kept
        #[arg(long, value_name = "FOLDER")]
        keep: Option<PathBuf>,
        /// One JSON object instead of text
        #[arg(long)]
        json: bool,
    },
    /// Say every fault of a dialect file at once
    Check {
        /// The file
        file: PathBuf,
        /// One JSON object instead of text
        #[arg(long)]
        json: bool,
    },
}

pub(crate) async fn run(command: DialectCommand) -> Exit {
    match command {
        DialectCommand::List { json } => say(dialect_show::list(), json),
        DialectCommand::Show { name, json } => match Dialect::load(&name) {
            Ok(dialect) => say(dialect_show::show(&dialect), json),
            Err(error) => {
                out::error(&error);
                Exit::ToolFailed
            }
        },
        DialectCommand::Check { file, json } => check(&file, json),
        DialectCommand::Try { file, bench, config, keep, json } => {
            match tried(&file, &bench, &config).await {
                Ok(trial) => {
                    let good = trial.is_good();
                    say((report::trial::trial(&trial), serde_json::json!({ "trial": trial, "good": good })), json);
                    // Shown first: what took minutes to find is not to be lost to a folder that cannot be written.
                    if let Some(Err(why)) = keep.map(|folder| kept(&trial, &bench, &folder)) {
                        out::say(&format!("error: {why}"));
                        return Exit::ToolFailed;
                    }
                    if good { Exit::Done } else { Exit::Faulty }
                }
                Err(why) => {
                    out::say(&format!("error: {why}"));
                    Exit::ToolFailed
                }
            }
        }
    }
}

fn say((text, value): (String, serde_json::Value), json: bool) -> Exit {
    if json {
        out::json(&value);
    } else {
        out::data(&text);
    }
    Exit::Done
}

async fn tried(file: &str, name: &str, config: &Path) -> Result<Trial, String> {
    use report::chain;
    let settings = Config::read(config).map_err(|error| chain(&error))?;
    let bench = settings.bench(name, config).map_err(|error| chain(&error))?;
    let dialect = Dialect::load(file).map_err(|error| chain(&error))?;
    let clock = Clock::real();
    let link = bench::scope_link(bench, &clock).await.map_err(|error| chain(&error))?;
    let trial = Scope::try_dialect(link, dialect, clock, &bench.hookup).await;
    trial.map_err(|error| format!("trying the dialect on bench `{name}` failed: {}", chain(&error)))
}

/// Writes the report as text and as JSON.
fn kept(trial: &Trial, bench: &str, folder: &Path) -> Result<(), String> {
    let stem = trial.dialect.replace('/', "-");
    let json = serde_json::to_string_pretty(trial).map_err(|error| report::chain(&error))?;
    for (kind, text) in [("txt", report::trial::trial(trial)), ("json", json)] {
        let path = folder.join(format!("{stem}-{bench}.{kind}"));
        std::fs::create_dir_all(folder)
            .and_then(|()| std::fs::write(&path, text))
            .map_err(|error| format!("writing the report `{}` failed: {error}", path.display()))?;
    }
    Ok(())
}

fn check(file: &Path, json: bool) -> Exit {
    let text = match std::fs::read_to_string(file) {
        Ok(text) => text,
        Err(error) => {
            out::say(&format!("error: reading the dialect file `{}` failed: {error}", file.display()));
            return Exit::ToolFailed;
        }
    };
    match Dialect::check_named(&file.display().to_string(), &text) {
        Ok(dialect) => {
            if json {
                out::json(&serde_json::json!({
                    "file": file, "name": dialect.name, "variants": dialect.variants(), "faults": [],
                }));
            } else {
                out::data(&format!(
                    "{}: dialect `{}` is right; variants: {}",
                    file.display(),
                    dialect.name,
                    dialect.variants().join(", ")
                ));
            }
            Exit::Done
        }
        Err(faults) => {
            let faults: Vec<String> = faults.iter().map(ToString::to_string).collect();
            if json {
                out::json(&serde_json::json!({ "file": file, "faults": faults }));
            } else {
                out::data(&format!("{} has {} fault(s):\n  {}", file.display(), faults.len(), faults.join("\n  ")));
            }
            Exit::Faulty
        }
    }
}
