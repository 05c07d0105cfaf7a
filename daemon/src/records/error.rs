//! What can go wrong with the records, on which file, and what to do about it.

use super::version::Version;
use std::path::PathBuf;

/// An error of the records. The text says what was tried on what; the cause is in the source.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RecordsError {
    /// The system refused to read or write.
    #[error("cannot {doing} {}: check that the disk is there, has space, and may be written", .path.display())]
    Io {
        /// What was tried.
        doing: &'static str,
        /// The file or folder it was tried on.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Another process holds the data folder.
    #[error("data folder {} is in use by another tapewright{holder}: stop that one, or give this one another data folder", .folder.display())]
    InUse {
        /// The data folder.
        folder: PathBuf,
        /// Who holds it, in brackets, as far as it is known.
        holder: String,
    },
    /// The folder holds other things.
    #[error("{} is not a data folder: it holds `{found}` but no `format.json`; give a new or an empty folder", .folder.display())]
    NotADataFolder {
        /// The folder.
        folder: PathBuf,
        /// The first thing found in it.
        found: String,
    },
    /// A file was written by a newer major version.
    #[error("{} has format {found}, and this tapewright reads {}.x: open it with a newer tapewright; nothing was changed", .file.display(), .ours.major)]
    Newer {
        /// The file.
        file: PathBuf,
        /// The version it says.
        found: Version,
        /// The version written here.
        ours: Version,
    },
    /// A file cannot be continued because a newer minor version wrote it.
    #[error("{} was written as format {found}, this tapewright writes {ours}: it can be read here, but is only continued by the newer tapewright", .file.display())]
    NotRewritten {
        /// The file.
        file: PathBuf,
        /// The version it says.
        found: Version,
        /// The version written here.
        ours: Version,
    },
    /// A version file or a header is not one.
    #[error("{} does not say its format ({why}): restore it from a copy of the data folder", .file.display())]
    BadFormat {
        /// The file.
        file: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// The chain of a journal is broken.
    #[error("{} is broken at line {line}: {why}; the lines before it are sound, restore the file from a copy", .file.display())]
    Chain {
        /// The journal.
        file: PathBuf,
        /// The first bad line, from 1.
        line: u64,
        /// Why it is bad.
        why: String,
    },
    /// An event cannot be written so that it reads back the same.
    #[error("cannot write `{kind}` to {}: {why}", .file.display())]
    Unfit {
        /// The journal.
        file: PathBuf,
        /// Kind of the event.
        kind: String,
        /// Why.
        why: String,
    },
    /// An earlier write failed, so what is on the disk is not known.
    #[error("an earlier write to {} failed, so nothing more is added to it: look at the disk, then start the run again", .file.display())]
    Poisoned {
        /// The journal.
        file: PathBuf,
    },
    /// The journal has its last line.
    #[error("cannot write `{kind}` to {}: it is closed", .file.display())]
    Ended {
        /// The journal.
        file: PathBuf,
        /// Kind of the event.
        kind: String,
    },
    /// A name that cannot be one.
    #[error("`{given}` is not a name of a {what}: {why}")]
    BadName {
        /// What it should name.
        what: &'static str,
        /// What was given.
        given: String,
        /// What is wrong with it.
        why: &'static str,
    },
    /// Words that are not kept.
    #[error("the {what} is not kept: {why}")]
    BadWords {
        /// What they should say.
        what: &'static str,
        /// What is wrong with them, and what to do.
        why: String,
    },
    /// The job is closed.
    #[error("job {job} is closed, its machine left: open a new one with `tapewright job open`")]
    JobClosed {
        /// The job.
        job: String,
    },
    /// A word that is none of those that there are.
    #[error("there is no {what} `{given}`; known: {known}")]
    NotKnown {
        /// What it should be.
        what: &'static str,
        /// What was given.
        given: String,
        /// What there is.
        known: String,
    },
    /// No such run or job.
    #[error("no {what} `{id}` in data folder {}: list what is there, and check the name", .folder.display())]
    Unknown {
        /// `run` or `job`.
        what: &'static str,
        /// Its name.
        id: String,
        /// The data folder.
        folder: PathBuf,
    },
    /// A run that was there, without its journal.
    #[error("the journal of run {run} is gone ({} is not there): restore it from a copy of the data folder", .file.display())]
    JournalGone {
        /// The run.
        run: String,
        /// The file that was looked for.
        file: PathBuf,
    },
    /// A capture is not what its name says.
    #[error("capture {} is damaged: its content has the hash {found}; restore it from a copy of the data folder", .file.display())]
    CaptureDamaged {
        /// The file.
        file: PathBuf,
        /// Hash of what it holds.
        found: String,
    },
    /// A capture is not there.
    #[error("capture {} is missing: restore it from a copy of the data folder", .file.display())]
    CaptureMissing {
        /// The file that was looked for.
        file: PathBuf,
    },
    /// The index could not be read or written.
    #[error("cannot {doing} the index {}: it holds nothing of its own; rebuild it from the journals with `tapewright serve --rebuild-index`", .file.display())]
    Index {
        /// What was tried.
        doing: &'static str,
        /// The database.
        file: PathBuf,
        /// What the database said.
        source: sqlx::Error,
    },
    /// The index has another schema than its numbered steps make.
    #[error("index {} does not fit this tapewright ({why}): use the newer tapewright; or rebuild it from the journals with `tapewright serve --rebuild-index`", .file.display())]
    IndexSchema {
        /// The database.
        file: PathBuf,
        /// What does not fit.
        why: String,
    },
}

impl RecordsError {
    /// For `map_err`: names what was tried on which file.
    pub(super) fn io(doing: &'static str, path: impl Into<PathBuf>) -> impl FnOnce(std::io::Error) -> Self {
        let path = path.into();
        move |source| Self::Io { doing, path, source }
    }
}
