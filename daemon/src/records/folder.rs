//! The data folder: everything in it goes through here, under one lock.

use super::chain::ChainWriter;
use super::event::{RunEvent, RunOpened};
use super::lock::FolderLock;
use super::reader::{Reading, Tail, read_chain};
use super::recovery::{self, Recovered};
use super::{CaptureStore, Index, Journal, RecordsError, RunFilter, RunId, RunRow, RunState, files, ids, version};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tapewright_clock::Clock;

/// A data folder, held. Cheap to clone; the lock goes when the last clone and journal are gone.
#[derive(Debug, Clone)]
pub struct DataFolder(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    root: PathBuf,
    clock: Clock,
    captures: CaptureStore,
    index: Index,
    recovered: Vec<Recovered>,
    /// Taken while a name is chosen and its file made, and while a job is added to. The work itself keeps
    /// it: whoever asked for it may go away before it is done.
    naming: Arc<tokio::sync::Mutex<()>>,
    _lock: FolderLock,
}

/// What a look at the journal of a run that had ended came to.
enum Looked {
    /// It is whole.
    Sound,
    /// It is not, and the index has it so now.
    Marked,
    /// It cannot be read as things stand.
    Unread,
}

const RUNS: &str = "runs";
const JOBS: &str = "jobs";
const SUFFIX: &str = ".journal";

impl DataFolder {
    /// Opens a data folder, and makes it if it is not there. Takes the lock, checks the layout's version,
    /// marks runs that were left without an end as interrupted, and brings the index up to date.
    ///
    /// # Errors
    /// If another process holds the folder, it holds something else, a newer major version made it, or
    /// the disk does not do as it is told. A damaged journal is no error: see [`DataFolder::recovered`].
    pub async fn open(path: &Path, clock: Clock) -> Result<Self, RecordsError> {
        Self::open_with(path, clock, false).await
    }

    /// Like [`DataFolder::open`], but throws the index away first and makes it anew from the journals.
    ///
    /// # Errors
    /// As for [`DataFolder::open`].
    pub async fn open_and_rebuild(path: &Path, clock: Clock) -> Result<Self, RecordsError> {
        Self::open_with(path, clock, true).await
    }

    async fn open_with(path: &Path, clock: Clock, anew: bool) -> Result<Self, RecordsError> {
        let root = path.to_owned();
        let store_clock = clock.clone();
        let (root, lock, captures) = files::blocking(&clock, move || {
            files::make_folder(&root)?;
            let lock = FolderLock::take(&root)?;
            version::of_folder(&root)?;
            for part in [RUNS, JOBS] {
                files::make_folder(&root.join(part))?;
                files::remove_temporaries(&root.join(part))?;
            }
            let captures = CaptureStore::open(root.join("captures"), store_clock)?;
            if anew {
                Index::remove(&root)?;
            }
            Ok::<_, RecordsError>((root, lock, captures))
        })
        .await?;
        let index = Index::open(&root, clock.clone()).await?;
        let recovered = recovery::recover(&root.join(RUNS), &index, &clock).await?;
        let naming = Arc::default();
        Ok(Self(Arc::new(Inner { root, clock, captures, index, recovered, naming, _lock: lock })))
    }

    /// Where the folder lies.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.0.root
    }

    /// The clock that stamps the records.
    #[must_use]
    pub fn clock(&self) -> &Clock {
        &self.0.clock
    }

    /// The store of captures.
    #[must_use]
    pub fn captures(&self) -> &CaptureStore {
        &self.0.captures
    }

    /// The index.
    #[must_use]
    pub fn index(&self) -> &Index {
        &self.0.index
    }

    /// What was found and done when the folder was opened; worth a line in the log each.
    #[must_use]
    pub fn recovered(&self) -> &[Recovered] {
        &self.0.recovered
    }

    /// Begins a run: names it, and has its journal on the disk with the first event in it.
    ///
    /// # Errors
    /// If the journal cannot be made.
    pub async fn start_run(&self, opened: RunOpened) -> Result<Journal, RecordsError> {
        let naming = self.naming().await;
        let wall = self.0.clock.wall();
        let folder = self.0.root.join(RUNS);
        let (id, writer, line) = files::blocking(&self.0.clock, move || {
            let _naming = naming;
            let id: RunId = free_name(&folder, 'r', wall)?.parse()?;
            let event = RunEvent::RunOpened(opened);
            let path = folder.join(format!("{id}{SUFFIX}"));
            let (writer, line) = ChainWriter::create(&path, id.as_str(), wall, &event)?;
            Ok::<_, RecordsError>((id, writer, line))
        })
        .await?;
        let journal = Journal::new(self.clone(), id, writer, line);
        journal.sync().await?;
        Ok(journal)
    }

    /// The journal file of a run.
    #[must_use]
    pub fn journal_path(&self, run: &RunId) -> PathBuf {
        self.0.root.join(RUNS).join(format!("{run}{SUFFIX}"))
    }

    /// Reads a run's journal and checks its chain. A torn end is no error, nor, for the sake of what lies
    /// before it, is a break: see [`Reading::tail`] and [`Reading::sound`].
    ///
    /// # Errors
    /// If there is no such run, its journal is gone, or cannot be read at all.
    pub async fn read_run(&self, run: &RunId) -> Result<Reading<RunEvent>, RecordsError> {
        let path = self.journal_path(run);
        let unknown = RecordsError::Unknown { what: "run", id: run.to_string(), folder: self.0.root.clone() };
        match self.read(path.clone(), unknown).await {
            Err(RecordsError::Unknown { .. }) if self.0.index.run(run.as_str()).await?.is_some() => {
                Err(RecordsError::JournalGone { run: run.to_string(), file: path })
            }
            read => read,
        }
    }

    /// The runs that fit, newest first, each journal that ended read through: the index alone does not see that one was changed
    /// since. A broken one is marked so, and has no verdict.
    ///
    /// # Errors
    /// If a word that is asked for is none, or the index cannot be read or written.
    pub async fn runs(&self, filter: &RunFilter) -> Result<Vec<RunRow>, RecordsError> {
        filter.check()?;
        let (mut looked_at, mut unread) = (BTreeSet::new(), BTreeSet::new());
        loop {
            let mut rows = self.0.index.runs(filter).await?;
            let mut broken = false;
            for row in rows.iter().filter(|row| matches!(row.state, RunState::Closed | RunState::Interrupted)) {
                if looked_at.insert(row.id.clone()) {
                    match self.look_at(&row.id).await? {
                        Looked::Sound => {}
                        Looked::Marked => broken = true,
                        Looked::Unread => drop(unread.insert(row.id.clone())),
                    }
                }
            }
            // One that was marked may fit no longer, and another one takes its place.
            if !broken {
                // What cannot be read now may be read the next time, so the index keeps what it knows.
                for row in rows.iter_mut().filter(|row| unread.contains(&row.id)) {
                    (row.state, row.verdict) = (RunState::Damaged, None);
                }
                rows.retain(|row| filter.verdict.is_none() || row.verdict.is_some());
                return Ok(rows);
            }
        }
    }

    async fn look_at(&self, id: &str) -> Result<Looked, RecordsError> {
        let run: RunId = id.parse()?;
        match self.read_run(&run).await {
            Ok(reading) if matches!(reading.tail, Tail::Whole) && reading.ended() => Ok(Looked::Sound),
            Ok(reading) if matches!(reading.tail, Tail::Broken { .. }) => {
                recovery::index_one(&self.0.index, id, &reading).await?;
                Ok(Looked::Marked)
            }
            // A run that had ended has lost its end or its beginning.
            Ok(_) | Err(RecordsError::BadFormat { .. }) => {
                self.0.index.damaged(&run).await?;
                Ok(Looked::Marked)
            }
            Err(RecordsError::JournalGone { .. }) => {
                self.0.index.gone(&run).await?;
                Ok(Looked::Marked)
            }
            Err(error) => {
                tracing::error!(run = id, %error, "a journal could not be read through");
                Ok(Looked::Unread)
            }
        }
    }

    /// Makes the index anew from the journals. Runs that are being written go on.
    ///
    /// # Errors
    /// If a journal cannot be read, or the index not written.
    pub async fn rebuild_index(&self) -> Result<(), RecordsError> {
        self.0.index.clear().await?;
        recovery::index_all(&self.0.root.join(RUNS), &self.0.index, &self.0.clock).await
    }

    /// Closes the index and lets go of the folder. Clones and journals that are still about keep the lock,
    /// and can write journals, but no longer reach the index.
    ///
    /// # Errors
    /// If the index cannot be closed.
    pub async fn close(self) -> Result<(), RecordsError> {
        self.0.index.close().await
    }

    pub(super) fn jobs_folder(&self) -> PathBuf {
        self.0.root.join(JOBS)
    }

    pub(super) async fn naming(&self) -> tokio::sync::OwnedMutexGuard<()> {
        Arc::clone(&self.0.naming).lock_owned().await
    }

    pub(super) async fn read<E: super::Event + Send + 'static>(
        &self,
        path: PathBuf,
        unknown: RecordsError,
    ) -> Result<Reading<E>, RecordsError> {
        files::blocking(&self.0.clock, move || if path.exists() { read_chain(&path) } else { Err(unknown) }).await
    }
}

/// The first name of this moment that no file has.
pub(super) fn free_name(folder: &Path, letter: char, wall: tapewright_clock::WallTime) -> Result<String, RecordsError> {
    for number in 1..=u32::MAX {
        let name = ids::name_at(letter, wall, number);
        let path = folder.join(format!("{name}{SUFFIX}"));
        if !path.try_exists().map_err(RecordsError::io("look for", &path))? {
            return Ok(name);
        }
    }
    Err(RecordsError::BadName { what: "record", given: letter.into(), why: "every number of this second is taken" })
}

/// The journals in a folder, by name: path and name of the record.
pub(super) fn journals(folder: &Path) -> Result<Vec<(PathBuf, String)>, RecordsError> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(RecordsError::io("list", folder))? {
        let path = entry.map_err(RecordsError::io("list", folder))?.path();
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        if let Some(id) = name.strip_suffix(SUFFIX).map(str::to_owned) {
            found.push((path, id));
        }
    }
    found.sort();
    Ok(found)
}
