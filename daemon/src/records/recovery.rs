//! Start-up: runs without an end are marked interrupted, and the index catches up with the journals.

use super::chain::{ChainEnd, ChainWriter};
use super::event::{RunEvent, RunInterrupted};
use super::folder::journals;
use super::index::{Index, RunState};
use super::reader::{Reading, Tail, read_chain};
use super::{RecordsError, RunId, files};
use crate::report::chain;
use core::fmt;
use std::path::{Path, PathBuf};
use tapewright_clock::Clock;

/// Something that was found, and perhaps done, when a data folder was opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Recovered {
    /// A run had no end: it has one now.
    Interrupted {
        /// The run.
        run: RunId,
        /// Length of a line that was cut in the writing.
        torn_bytes: u64,
    },
    /// A journal is damaged. It was left as it is.
    Damaged {
        /// The journal.
        file: PathBuf,
        /// What is wrong, and what to do.
        why: String,
    },
    /// A journal that the index knows is not there any more.
    Gone {
        /// The journal.
        file: PathBuf,
        /// What is wrong, and what to do.
        why: String,
    },
    /// A run without an end was written by a newer version. It was left as it is.
    LeftAlone {
        /// The journal.
        file: PathBuf,
        /// Why.
        why: String,
    },
}

impl fmt::Display for Recovered {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Interrupted { run, torn_bytes: 0 } => write!(f, "run {run} had no end and is marked interrupted"),
            Self::Interrupted { run, torn_bytes } => {
                write!(
                    f,
                    "run {run} had no end and is marked interrupted; {torn_bytes} bytes of a cut line were dropped"
                )
            }
            Self::Damaged { why, .. } | Self::Gone { why, .. } | Self::LeftAlone { why, .. } => f.write_str(why),
        }
    }
}

/// Goes over the journals that the index does not know as they are now. What cannot be read is named and passed over: one
/// bad entry keeps nothing else from being served.
pub(super) async fn recover(folder: &Path, index: &Index, clock: &Clock) -> Result<Vec<Recovered>, RecordsError> {
    let mut known = index.known().await?;
    let mut recovered = Vec::new();
    for (path, id) in list(folder, clock).await? {
        let told = known.remove(&id);
        // The whole chain is read again only where its end is another than the one that the index was told.
        let work = path.clone();
        let end = files::blocking(clock, move || ChainEnd::stated(&work)).await.unwrap_or_default();
        let as_it_was = told.is_some_and(|(state, told)| state != RunState::Open && Some(told) == end);
        if !as_it_was {
            let wall = clock.wall();
            let (work, run) = (path.clone(), id.parse::<RunId>());
            match files::blocking(clock, move || run.and_then(|_| settle(&work, wall))).await {
                Ok((reading, found)) => {
                    index_one(index, &id, &reading).await?;
                    recovered.extend(found);
                }
                Err(error) => {
                    unreadable(index, &id).await?;
                    let why = format!("{} is left out: {}", path.display(), chain(&error));
                    recovered.push(Recovered::Damaged { file: path, why });
                }
            }
        }
    }
    for id in known.into_keys() {
        let run: RunId = id.parse()?;
        index.gone(&run).await?;
        let file = folder.join(format!("{run}.journal"));
        let why = RecordsError::JournalGone { run: run.to_string(), file: file.clone() }.to_string();
        recovered.push(Recovered::Gone { file, why });
    }
    Ok(recovered)
}

/// A journal of which nothing can be read is listed by its file's name, as damaged. A file whose name is none of a run's could
/// not be shown, and is not listed.
async fn unreadable(index: &Index, id: &str) -> Result<(), RecordsError> {
    match id.parse::<RunId>() {
        Ok(run) => index.damaged(&run).await,
        Err(_) => Ok(()),
    }
}

/// Reads one journal and, if it lacks an end, appends one. Blocking.
fn settle(
    path: &Path,
    wall: tapewright_clock::WallTime,
) -> Result<(Reading<RunEvent>, Option<Recovered>), RecordsError> {
    let mut reading = read_chain::<RunEvent>(path)?;
    let file = path.to_owned();
    if let Tail::Broken { line, why } = reading.tail.clone() {
        let why = RecordsError::Chain { file: file.clone(), line, why }.to_string();
        return Ok((reading, Some(Recovered::Damaged { file, why })));
    }
    if reading.ended() {
        return Ok((reading, None));
    }
    let found = reading.header.version;
    if !found.continued_here() {
        let why = RecordsError::NotRewritten { file: file.clone(), found, ours: super::OURS }.to_string();
        return Ok((reading, Some(Recovered::LeftAlone { file, why })));
    }
    let run: RunId = reading.header.id.parse()?;
    let torn_bytes = if let Tail::Torn { bytes } = reading.tail { bytes } else { 0 };
    let mut writer = ChainWriter::resume(path, reading.end(), reading.next_seq())?;
    let reason = "the program ended before the run did".to_owned();
    let line = writer.append(wall, &RunEvent::RunInterrupted(RunInterrupted { reason, torn_bytes }))?;
    writer.file().sync_all().map_err(RecordsError::io("sync", path))?;
    reading.last = line.hash;
    reading.lines.push(line);
    reading.sound_bytes = writer.end().bytes;
    reading.tail = Tail::Whole;
    Ok((reading, Some(Recovered::Interrupted { run, torn_bytes })))
}

/// Tells the index everything that the journals say. Damaged journals count as far as they are sound, and are listed by their
/// files' names where nothing is.
pub(super) async fn index_all(folder: &Path, index: &Index, clock: &Clock) -> Result<(), RecordsError> {
    for (path, id) in list(folder, clock).await? {
        let (work, run) = (path.clone(), id.parse::<RunId>());
        match files::blocking(clock, move || run.and_then(|_| read_chain::<RunEvent>(&work))).await {
            Ok(reading) => index_one(index, &id, &reading).await?,
            Err(error) => {
                tracing::error!(file = %path.display(), %error, "a journal cannot be read");
                unreadable(index, &id).await?;
            }
        }
    }
    Ok(())
}

pub(super) async fn index_one(index: &Index, id: &str, reading: &Reading<RunEvent>) -> Result<(), RecordsError> {
    let run: RunId = id.parse()?;
    let lines: Vec<_> =
        reading.lines.iter().filter(|l| l.event.as_ref().is_some_and(RunEvent::indexed)).cloned().collect();
    index.replace(&run, &lines, reading.end(), matches!(reading.tail, Tail::Broken { .. })).await
}

async fn list(folder: &Path, clock: &Clock) -> Result<Vec<(PathBuf, String)>, RecordsError> {
    let folder = folder.to_owned();
    files::blocking(clock, move || journals(&folder)).await
}
