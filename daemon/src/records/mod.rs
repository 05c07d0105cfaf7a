//! The records: what happened, kept so that nothing shown is ever lost.
//!
//! The truth is one journal file a run and a store of captures named by their content. The database is an
//! index over them and can be rebuilt. One process holds a data folder at a time.
//!
//! ```text
//! data/
//!   lock                      held by the process that works here
//!   format.json               version of this layout
//!   runs/<run>.journal        one chain of events a run
//!   jobs/<job>.journal        one chain of events a job
//!   captures/ab/<sha-256>     captures by content
//!   index.sqlite              made from the above
//! ```
//!
//! The order in which a verdict comes about: captures are put, calls and the verdict are appended, then
//! store and journal are synced, then the index is brought up to date, and only then does the caller get
//! the verdict back as [`Shown`].

mod captures;
mod chain;
mod error;
mod event;
mod files;
mod folder;
mod hash;
mod ids;
mod index;
mod jobs;
mod journal;
mod lock;
mod reader;
mod recovery;
mod version;

#[cfg(test)]
mod tests;

pub use captures::CaptureStore;
pub use chain::{Event, Header, Line, MAX_LINE_BYTES};
pub use error::RecordsError;
pub use event::{
    Answer, CautionAcknowledged, FindingRecord, HostCall, LinkEvent, MeasurementRecord, Note, ProcedureStarted,
    ProcedureVerdict, Prompt, RunClosed, RunEvent, RunInterrupted, RunOpened, UnableRecord,
};
pub use folder::DataFolder;
pub use hash::{ContentHash, NotAHash};
pub use ids::{JobId, RunId, rfc3339};
pub(crate) use ids::{NAME_CHARS, wrong_words};
pub use index::{FindingRow, Index, MeasurementRow, ProcedureRow, RunFilter, RunRow, RunState};
pub use jobs::{Job, JobEvent, JobOpened, NoAlignmentTape, ScrapTapeRan};
pub use journal::{Journal, Shown};
pub use reader::{Reading, Tail, read_chain};
pub use recovery::Recovered;
pub use version::{OURS, Version};
