//! `tapewright dialect check FILE`.

use super::exit::Exit;
use super::out;
use clap::Subcommand;
use std::path::PathBuf;
use tapewright_instrument::Dialect;

/// Work with dialect files.
#[derive(Debug, Subcommand)]
pub(crate) enum DialectCommand {
    /// Say every fault of a dialect file at once
    Check {
        /// The file
        file: PathBuf,
        /// One JSON object instead of text
        #[arg(long)]
        json: bool,
    },
}

pub(crate) fn run(command: DialectCommand) -> Exit {
    let DialectCommand::Check { file, json } = command;
    let text = match std::fs::read_to_string(&file) {
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
