//! One lock a data folder: two daemons on one folder would each spoil the other's chain.

use super::RecordsError;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Read as _, Seek as _, Write as _};
use std::path::Path;

/// Name of the lock file in the data folder.
pub(super) const NAME: &str = "lock";

/// Holds the data folder until dropped. The system releases it when the process dies, however it dies.
#[derive(Debug)]
pub(super) struct FolderLock {
    file: File,
}

impl FolderLock {
    /// Takes the lock, or says who has it.
    pub(super) fn take(folder: &Path) -> Result<Self, RecordsError> {
        let path = folder.join(NAME);
        let mut file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&path)
            .map_err(RecordsError::io("open", &path))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                let mut holder = String::new();
                let _unread = file.take(64).read_to_string(&mut holder);
                let holder = holder.trim().parse().map_or_else(|_| String::new(), |id: u32| format!(" (process {id})"));
                return Err(RecordsError::InUse { folder: folder.to_owned(), holder });
            }
            Err(TryLockError::Error(source)) => return Err(RecordsError::io("lock", &path)(source)),
        }
        // For the message of the next one only: the lock is what counts.
        let noted =
            file.set_len(0).and_then(|()| file.rewind()).and_then(|()| writeln!(file, "{}", std::process::id()));
        noted.map_err(RecordsError::io("write", &path))?;
        Ok(Self { file })
    }
}

impl Drop for FolderLock {
    fn drop(&mut self) {
        // Closing the file is not enough: a program that is being started at this moment holds a copy of
        // the handle until it runs, and with it the lock.
        if let Err(error) = self.file.unlock() {
            tracing::warn!(%error, "the lock of the data folder goes only with this process");
        }
    }
}
