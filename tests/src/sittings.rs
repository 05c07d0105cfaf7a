//! A table made in several sittings: what each machine gave is kept as soon as it is known.

use crate::bench::{Failed, Outcome};
use crate::machines::Case;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs::File;
use std::hash::{DefaultHasher, Hasher};
use std::io::{Read, Write};
use std::path::Path;

/// Which machine: group, seed, number.
type Which = (String, u64, u64);

/// Machines played before, and the file that those still to come are added to.
#[derive(Debug)]
pub struct Sittings {
    file: File,
    held: BTreeMap<Which, Outcome>,
}

/// The first line: only what the same program gave may stand in one table.
#[derive(Serialize, Deserialize)]
struct Head {
    program: u64,
}

#[derive(Serialize)]
struct Kept<'a> {
    which: (&'a str, u64, u64),
    outcome: &'a Outcome,
}

#[derive(Deserialize)]
struct Held {
    which: Which,
    outcome: Outcome,
}

impl Sittings {
    /// Reads what the file holds, or begins it. A last line that was cut off in writing does not count.
    ///
    /// # Errors
    /// If the file cannot be read or written, or is of another program.
    pub fn open(path: &Path) -> Result<Self, Failed> {
        let named = |error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
        let program = this_program()?;
        let mut file = File::options().read(true).append(true).create(true).open(path).map_err(|e| named(&e))?;
        let mut text = String::new();
        file.read_to_string(&mut text).map_err(|e| named(&e))?;
        let mut held = BTreeMap::new();
        if text.is_empty() {
            add(&mut file, &Head { program }).map_err(|e| named(&e))?;
        } else {
            let whole = text.rfind('\n').map_or(0, |at| at + 1);
            file.set_len(whole as u64).map_err(|e| named(&e))?;
            let mut lines = text[..whole].lines();
            let head: Head = serde_json::from_str(lines.next().unwrap_or_default()).map_err(|e| named(&e))?;
            if head.program != program {
                return Err(named(&"holds machines of another build of this program: give another file").into());
            }
            for line in lines {
                let one: Held = serde_json::from_str(line).map_err(|e| named(&e))?;
                held.insert(one.which, one.outcome);
            }
        }
        Ok(Self { file, held })
    }

    /// What a machine gave in an earlier sitting.
    pub fn take(&mut self, group: &str, seed: u64, number: u64) -> Option<Outcome> {
        self.held.remove(&(group.to_owned(), seed, number))
    }

    /// Adds what a machine gave.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn keep(&mut self, case: &Case, outcome: &Outcome) -> Result<(), Failed> {
        add(&mut self.file, &Kept { which: (case.group, case.seed, case.number), outcome })
    }
}

/// A line, in one piece: what stops the program leaves none of it or, at the end, a part without its end.
fn add(file: &mut File, what: &impl Serialize) -> Result<(), Failed> {
    Ok(file.write_all(format!("{}\n", serde_json::to_string(what)?).as_bytes())?)
}

fn this_program() -> Result<u64, Failed> {
    let mut hasher = DefaultHasher::new();
    hasher.write(&std::fs::read(std::env::current_exe()?)?);
    Ok(hasher.finish())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bench::play;
    use crate::machines::Group;
    use std::sync::Arc;
    use tapewright::library::Library;

    #[test]
    fn what_a_machine_gave_is_there_at_the_next_sitting_and_a_cut_line_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("machines.jsonl");
        let library = Arc::new(Library::open(&[]).unwrap());
        let case = Group::named("supply-ripple").unwrap().draw(3, 1);
        let given = play(&case.parsed().unwrap(), &case.plays, &library, case.bounds).unwrap();
        assert!(!given.truths.is_empty());
        let mut first = Sittings::open(&path).unwrap();
        first.keep(&case, &given).unwrap();
        std::fs::OpenOptions::new().append(true).open(&path).unwrap().write_all(b"{\"which\":[\"su").unwrap();
        let mut second = Sittings::open(&path).unwrap();
        let held = second.take(case.group, 3, 1).expect("it was kept");
        let near = |a: f64, b: f64| (a - b).abs() <= 1e-12 * b.abs();
        assert_eq!((held.truths.len(), held.report.verdict), (given.truths.len(), given.report.verdict));
        for (name, truth) in &given.truths {
            assert!(near(held.truths[name], *truth), "{name}");
        }
        assert!(second.take(case.group, 3, 2).is_none());
        // What comes after the cut line can be read again.
        second.keep(&case, &held).unwrap();
        drop(second);
        assert!(Sittings::open(&path).unwrap().take(case.group, 3, 1).is_some());
    }

    #[test]
    fn machines_of_another_build_are_refused() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("machines.jsonl");
        std::fs::write(&path, "{\"program\":1}\n").unwrap();
        let said = Sittings::open(&path).unwrap_err().to_string();
        assert!(said.contains("another build") && said.contains("machines.jsonl"), "{said}");
    }
}
