//! The store of captures: each is named by the hash of its content, `captures/ab/<sha-256>`.
//!
//! A capture is written once and never changed; the same bytes are kept once.

use super::{ContentHash, RecordsError, files};
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use tapewright_clock::Clock;

/// The store. Cheap to clone; clones share it.
#[derive(Debug, Clone)]
pub struct CaptureStore(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    root: PathBuf,
    clock: Clock,
    /// Folders with entries that are not synced.
    unsynced: Mutex<BTreeSet<PathBuf>>,
    syncing: Mutex<()>,
}

impl CaptureStore {
    pub(super) fn open(root: PathBuf, clock: Clock) -> Result<Self, RecordsError> {
        files::make_folder(&root)?;
        // A kill leaves files that never got their names; nothing refers to them.
        for entry in std::fs::read_dir(&root).map_err(RecordsError::io("list", &root))? {
            let path = entry.map_err(RecordsError::io("list", &root))?.path();
            if path.is_dir() {
                files::remove_temporaries(&path)?;
            }
        }
        Ok(Self(Arc::new(Inner { root, clock, unsynced: Mutex::default(), syncing: Mutex::default() })))
    }

    /// Where a capture with this name lies, or would lie.
    #[must_use]
    pub fn path(&self, name: &ContentHash) -> PathBuf {
        let name = name.to_string();
        self.0.root.join(&name[..2]).join(name)
    }

    /// Keeps bytes, and returns their name. Their content is on the disk when this returns; that the
    /// name is too is seen to by the sync that comes before a verdict is shown.
    ///
    /// # Errors
    /// If the store cannot be written.
    pub async fn put(&self, bytes: Vec<u8>) -> Result<ContentHash, RecordsError> {
        let store = self.clone();
        files::blocking(&self.0.clock, move || store.put_blocking(&bytes)).await
    }

    /// The same as [`CaptureStore::put`], on this thread.
    ///
    /// # Errors
    /// If the store cannot be written.
    pub fn put_blocking(&self, bytes: &[u8]) -> Result<ContentHash, RecordsError> {
        let name = ContentHash::of(bytes);
        let path = self.path(&name);
        let folder = path.parent().unwrap_or(&self.0.root);
        if !folder.is_dir() {
            files::make_folder(folder)?;
        }
        // A file that is there may have been damaged; the right bytes are at hand, so it is mended.
        match std::fs::read(&path) {
            Ok(there) if there == bytes => {}
            _ => files::place_whole(&path, bytes)?,
        }
        self.unsynced().insert(folder.to_owned());
        Ok(name)
    }

    /// The bytes of a capture, checked against its name.
    ///
    /// # Errors
    /// [`RecordsError::CaptureMissing`], [`RecordsError::CaptureDamaged`], or that it cannot be read.
    pub async fn get(&self, name: &ContentHash) -> Result<Vec<u8>, RecordsError> {
        let (store, name) = (self.clone(), *name);
        files::blocking(&self.0.clock, move || store.get_blocking(&name)).await
    }

    /// The same as [`CaptureStore::get`], on this thread.
    ///
    /// # Errors
    /// As for [`CaptureStore::get`].
    pub fn get_blocking(&self, name: &ContentHash) -> Result<Vec<u8>, RecordsError> {
        let path = self.path(name);
        let bytes = std::fs::read(&path).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound => RecordsError::CaptureMissing { file: path.clone() },
            _ => RecordsError::io("read", &path)(e),
        })?;
        let found = ContentHash::of(&bytes);
        if found == *name {
            Ok(bytes)
        } else {
            Err(RecordsError::CaptureDamaged { file: path, found: found.to_string() })
        }
    }

    /// Gets the names of all captures put so far to the disk.
    pub(super) async fn sync(&self) -> Result<(), RecordsError> {
        let store = self.clone();
        files::blocking(&self.0.clock, move || {
            // One at a time: who finds nothing to sync may say so only when the one before is through.
            let _turn = store.0.syncing.lock().unwrap_or_else(PoisonError::into_inner);
            let folders = core::mem::take(&mut *store.unsynced());
            let done = folders.iter().try_for_each(|folder| files::sync_folder(folder));
            if done.is_err() {
                store.unsynced().extend(folders);
            }
            done
        })
        .await
    }

    fn unsynced(&self) -> std::sync::MutexGuard<'_, BTreeSet<PathBuf>> {
        self.0.unsynced.lock().unwrap_or_else(PoisonError::into_inner)
    }
}
