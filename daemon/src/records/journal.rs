//! The journal of one run: append, sync, and the one way to a verdict that may be shown.

use super::chain::{ChainWriter, Line};
use super::event::{ProcedureVerdict, RunClosed, RunEvent, RunOpened};
use super::{DataFolder, RecordsError, RunId, files};
use core::ops::Deref;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tapewright_clock::WallTime;

/// Something that is on the disk with all its evidence, and may be shown. Only the journal makes it.
#[derive(Debug, Clone, PartialEq)]
pub struct Shown<T>(T);

impl<T> Shown<T> {
    /// The thing itself.
    #[must_use]
    pub fn into_inner(self) -> T {
        self.0
    }
}

impl<T> Deref for Shown<T> {
    type Target = T;
    fn deref(&self) -> &T {
        &self.0
    }
}

/// The journal of a run. Cheap to clone; clones write one file in one order.
#[derive(Debug, Clone)]
pub struct Journal(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    folder: DataFolder,
    run: RunId,
    /// The line that opened it.
    first: Line<RunEvent>,
    state: Mutex<State>,
    /// Taken for the length of a sync, so that the index is told in order.
    turn: tokio::sync::Mutex<()>,
}

#[derive(Debug)]
struct State {
    writer: ChainWriter,
    /// Lines that the index has not been told.
    pending: Vec<Line<RunEvent>>,
}

impl Journal {
    pub(super) fn new(folder: DataFolder, run: RunId, writer: ChainWriter, first: Line<RunEvent>) -> Self {
        let state = Mutex::new(State { writer, pending: vec![first.clone()] });
        Self(Arc::new(Inner { folder, run, first, state, turn: tokio::sync::Mutex::default() }))
    }

    /// Name of the run.
    #[must_use]
    pub fn run(&self) -> &RunId {
        &self.0.run
    }

    /// What the run was opened with, and when.
    #[must_use]
    pub fn opened(&self) -> Option<(&RunOpened, WallTime)> {
        match &self.0.first.event {
            Some(RunEvent::RunOpened(opened)) => Some((opened, self.0.first.wall)),
            _ => None,
        }
    }

    /// The data folder that the journal lies in.
    #[must_use]
    pub fn folder(&self) -> &DataFolder {
        &self.0.folder
    }

    /// Adds an event, and returns its sequence number. The event is in the system's hands (it survives
    /// this process), but on the disk only after [`Journal::sync`]. One short write: does not wait for the disk.
    ///
    /// # Errors
    /// If the event cannot be written so that it reads back the same (a number is not finite, the line is
    /// too long), the run has ended, or the disk refuses, now or earlier.
    pub fn append(&self, event: &RunEvent) -> Result<u64, RecordsError> {
        let wall = self.0.folder.clock().wall();
        let mut state = self.state();
        let line = state.writer.append(wall, event)?;
        let seq = line.seq;
        if event.indexed() {
            state.pending.push(line);
        }
        Ok(seq)
    }

    /// Gets the store's captures and then this journal to the disk, and brings the index up to date.
    ///
    /// If the index cannot be written this is logged and no error: the journal is the truth, and the
    /// next start brings the index up to date.
    ///
    /// # Errors
    /// If the disk refuses. Nothing more can be appended then, since it is not known what is there.
    pub async fn sync(&self) -> Result<(), RecordsError> {
        let _turn = self.0.turn.lock().await;
        let clock = self.0.folder.clock();
        let (end, file, lines) = {
            let state = self.state();
            (state.writer.end(), state.writer.file(), state.pending.clone())
        };
        self.0.folder.captures().sync().await?;
        if let Err(source) = files::blocking(clock, move || file.sync_data()).await {
            let mut state = self.state();
            state.writer.poison();
            return Err(RecordsError::io("sync", state.writer.path())(source));
        }
        match self.0.folder.index().apply(&self.0.run, &lines, end).await {
            Ok(()) => {
                let last = lines.last().map_or(0, |line| line.seq);
                self.state().pending.retain(|line| line.seq > last);
            }
            Err(error) => tracing::error!(run = %self.0.run, %error, "the index is behind its journals"),
        }
        Ok(())
    }

    /// Adds a procedure's verdict and syncs: only then may it be shown.
    ///
    /// # Errors
    /// As for [`Journal::append`] and [`Journal::sync`].
    pub async fn verdict(&self, verdict: ProcedureVerdict) -> Result<Shown<ProcedureVerdict>, RecordsError> {
        let event = RunEvent::ProcedureVerdict(verdict.clone());
        self.append(&event)?;
        self.sync().await?;
        Ok(Shown(verdict))
    }

    /// Adds the run's end and syncs: only then may its verdict be shown. Nothing can be added after it.
    ///
    /// # Errors
    /// As for [`Journal::append`] and [`Journal::sync`].
    pub async fn close(&self, closed: RunClosed) -> Result<Shown<RunClosed>, RecordsError> {
        let event = RunEvent::RunClosed(closed.clone());
        self.append(&event)?;
        self.sync().await?;
        Ok(Shown(closed))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // The writer keeps its own account of half-done writes, so a panic elsewhere harms nothing.
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
