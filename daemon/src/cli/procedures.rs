//! `tapewright procedures`.

use super::exit::Exit;
use super::out;
use crate::library::{Library, LibraryError, Loaded};
use crate::report::text;
use clap::Subcommand;
use std::fmt::Write;
use std::path::PathBuf;
use tapewright_host::Value;

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
            Ok(if json { described(&loaded).to_string() } else { page(&loaded) })
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
    })
}

/// The page of a handbook.
fn page(loaded: &Loaded) -> String {
    let d = loaded.description();
    let words = |list: &[String]| if list.is_empty() { "none".to_owned() } else { list.join(", ") };
    let list = |items: Vec<String>| words(&items);
    let mut page = format!("{} {}\n{}\n\n", d.name, d.version, d.purpose);
    let _ = writeln!(page, "What it tells\n{}\n", indent(&d.tells));
    let _ = writeln!(page, "Probes\n    needed: {}", list(d.needs.iter().map(ToString::to_string).collect()));
    let _ = writeln!(page, "    used where hooked up: {}", list(d.uses.iter().map(ToString::to_string).collect()));
    let _ = writeln!(page, "Modes\n    {}", list(d.modes.iter().map(ToString::to_string).collect()));
    let _ = writeln!(page, "Duration\n    about {:.0} s on a modest bench", d.duration_s);
    let _ =
        writeln!(page, "May use\n    {}\n", list(loaded.permissions().iter().map(|p| p.as_str().to_owned()).collect()));
    let _ = writeln!(page, "Settings and limits");
    for p in &d.parameters {
        let default = match &p.default {
            Value::Number(number) => format!("{number} {}", p.unit.map_or("", text::unit_text)),
            Value::Text(text) => format!("`{text}`"),
        };
        let _ = writeln!(page, "    {:<22} {:<14} {}", p.name, default.trim_end(), p.meaning);
        let _ = writeln!(page, "    {:<22} {:<14} ({})", "", "", p.source);
    }
    let _ = writeln!(page, "\nWhen it fails\n{}\n", indent(&d.when_it_fails));
    if d.cover_off {
        let _ = writeln!(page, "The machine's cover must be off.");
    }
    let _ = writeln!(page, "Cautions");
    for caution in &d.cautions {
        let _ = writeln!(page, "{}", indent(caution.text()));
    }
    page
}

fn indent(text: &str) -> String {
    let mut out = String::new();
    for paragraph in text.lines() {
        let mut line = String::from("   ");
        for word in paragraph.split_whitespace() {
            if line.chars().count() + word.chars().count() + 1 > 96 {
                let _ = writeln!(out, "{line}");
                line = String::from("   ");
            }
            line.push(' ');
            line.push_str(word);
        }
        let _ = writeln!(out, "{line}");
    }
    out.trim_end().to_owned()
}
