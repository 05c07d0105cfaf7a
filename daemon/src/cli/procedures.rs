//! `tapewright procedures`.

use super::exit::Exit;
use super::handbook;
use super::out;
use crate::library::{Library, LibraryError, Loaded};
use clap::Subcommand;
use std::fmt::Write;
use std::path::PathBuf;

/// Look at procedures.
#[derive(Debug, Subcommand)]
pub(crate) enum ProceduresCommand {
    /// List them (the default)
    List,
    /// Show one as a page of a handbook: what it tells, probes, modes, limits, cautions
    Show {
        /// Its name
        name: String,
    },
    /// Look whether a file is a procedure that this daemon takes
    Check {
        /// The component
        file: PathBuf,
    },
}

pub(crate) async fn run(command: Option<ProceduresCommand>, folders: &[PathBuf], json: bool) -> Exit {
    match answer(command.unwrap_or(ProceduresCommand::List), folders, json).await {
        Ok(text) => {
            out::data(&text);
            Exit::Done
        }
        Err(error @ LibraryError::Load { .. }) => {
            out::error(&error);
            Exit::Faulty
        }
        Err(error) => {
            out::error(&error);
            Exit::ToolFailed
        }
    }
}

async fn answer(command: ProceduresCommand, folders: &[PathBuf], json: bool) -> Result<String, LibraryError> {
    let library = Library::open(folders)?;
    match command {
        ProceduresCommand::List => {
            let mut rows = Vec::new();
            for name in library.names() {
                rows.push(library.procedure(name).await?);
            }
            if json {
                return Ok(serde_json::json!(rows.iter().map(|r| described(r)).collect::<Vec<_>>()).to_string());
            }
            let mut text = String::new();
            for row in rows {
                let d = row.description();
                let _ = writeln!(text, "{:<22} {:<8} {}", d.name, d.version, d.purpose);
            }
            Ok(text)
        }
        ProceduresCommand::Show { name } => {
            let loaded = library.procedure(&name).await?;
            Ok(if json {
                described(&loaded).to_string()
            } else {
                handbook::page(loaded.description(), loaded.permissions(), loaded.is_live())
            })
        }
        ProceduresCommand::Check { file } => {
            let procedure = library.load_file(&file).await?;
            let permissions: Vec<String> = procedure.permissions.iter().map(|p| p.as_str().to_owned()).collect();
            Ok(if json {
                serde_json::json!({ "file": file, "name": procedure.description.name, "sha256": procedure.sha256, "permissions": permissions }).to_string()
            } else {
                format!(
                    "{}: procedure `{}` {}, contract {}; it may use: {}",
                    file.display(),
                    procedure.description.name,
                    procedure.description.version,
                    procedure.contract,
                    permissions.join(", ")
                )
            })
        }
    }
}

fn described(loaded: &Loaded) -> serde_json::Value {
    let permissions: Vec<String> = loaded.permissions().iter().map(|p| p.as_str().to_owned()).collect();
    serde_json::json!({
        "description": loaded.description(),
        "permissions": permissions,
        "sha256": loaded.hash().to_string(),
        "live": loaded.is_live(),
    })
}
