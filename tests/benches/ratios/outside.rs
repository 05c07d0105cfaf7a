//! Starts the outside library's script on the samples, and reads what it timed.

use serde::Deserialize;
use std::path::{Path, PathBuf};
use std::process::Command;

/// One way in which the outside library does a case.
#[derive(Debug, Deserialize)]
pub(crate) struct Row {
    /// The case.
    pub(crate) of: String,
    /// By which functions.
    pub(crate) how: String,
    /// Best time, in seconds.
    pub(crate) best_s: f64,
    /// What came out.
    pub(crate) result: Vec<f64>,
}

/// Runs the script on a folder of samples.
///
/// # Errors
/// In words, why it was not run.
pub(crate) fn run(folder: &Path, tries: u32) -> Result<Vec<Row>, String> {
    let top = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap_or(Path::new("."));
    let own = top.join("target/outside-venv/bin/python");
    let python = if own.is_file() { own } else { PathBuf::from("python3") };
    let script = top.join("tests/outside/time_same.py");
    let done = Command::new(&python).arg(&script).arg(folder).arg(tries.to_string()).output().map_err(|e| {
        format!("{} does not start ({e}); tests/outside/run.sh makes its environment", python.display())
    })?;
    if !done.status.success() {
        let said = String::from_utf8_lossy(&done.stderr);
        let last = said.lines().last().unwrap_or_default();
        return Err(format!("{} ended with: {last}; tests/outside/run.sh makes its environment", python.display()));
    }
    let text = String::from_utf8_lossy(&done.stdout);
    let read = |line: &str| serde_json::from_str(line).map_err(|e| format!("its line `{line}` is no row: {e}"));
    text.lines().map(read).collect()
}
