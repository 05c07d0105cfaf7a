//! Writing files so that they are whole or not there, and getting them to the disk.

use super::RecordsError;
use core::sync::atomic::{AtomicU64, Ordering};
use std::fs::{File, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use tapewright_clock::Clock;

const TEMPORARY: &str = ".new";

/// Whether a file name is that of a file being made.
pub(super) fn is_temporary(name: &str) -> bool {
    name.starts_with('.') && name.ends_with(TEMPORARY)
}

/// Where a file is made before it gets its name.
pub(super) fn temporary_for(path: &Path) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!(".{name}{TEMPORARY}"))
}

/// Makes a file with this content: under another name first, synced, then renamed.
/// The folder is not synced: see [`sync_folder`].
pub(super) fn place_whole(path: &Path, content: &[u8]) -> Result<(), RecordsError> {
    // Two that place the same content at once must not write into one file.
    static COUNTER: AtomicU64 = AtomicU64::new(0);
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let number = COUNTER.fetch_add(1, Ordering::Relaxed);
    let temporary = path.with_file_name(format!(".{name}.{number}{TEMPORARY}"));
    let mut file = File::create(&temporary).map_err(RecordsError::io("make", &temporary))?;
    file.write_all(content).map_err(RecordsError::io("write", &temporary))?;
    file.sync_all().map_err(RecordsError::io("sync", &temporary))?;
    std::fs::rename(&temporary, path).map_err(RecordsError::io("rename a new file to", path))
}

/// [`place_whole`], and syncs the folder too.
pub(super) fn write_whole(path: &Path, content: &[u8]) -> Result<(), RecordsError> {
    place_whole(path, content)?;
    sync_folder(path.parent().unwrap_or(Path::new(".")))
}

/// Gets a folder's entries to the disk.
pub(super) fn sync_folder(folder: &Path) -> Result<(), RecordsError> {
    // Other systems than Unix cannot open a folder as a file, and sync its entries with the file.
    if cfg!(unix) {
        File::open(folder).and_then(|f| f.sync_all()).map_err(RecordsError::io("sync", folder))?;
    }
    Ok(())
}

/// Makes a folder if it is not there, and gets its entry to the disk.
pub(super) fn make_folder(path: &Path) -> Result<(), RecordsError> {
    if !path.is_dir() {
        std::fs::create_dir_all(path).map_err(RecordsError::io("make folder", path))?;
        if let Some(parent) = path.parent().filter(|p| !p.as_os_str().is_empty()) {
            sync_folder(parent)?;
        }
    }
    Ok(())
}

/// Opens a file to add at its end.
pub(super) fn open_to_append(path: &Path) -> Result<File, RecordsError> {
    OpenOptions::new().append(true).open(path).map_err(RecordsError::io("open", path))
}

/// Removes files that were being made when a process died: nobody was told of them.
pub(super) fn remove_temporaries(folder: &Path) -> Result<(), RecordsError> {
    for entry in std::fs::read_dir(folder).map_err(RecordsError::io("list", folder))? {
        let entry = entry.map_err(RecordsError::io("list", folder))?;
        // A folder of such a name was not made here.
        if is_temporary(&entry.file_name().to_string_lossy()) && !entry.path().is_dir() {
            std::fs::remove_file(entry.path()).map_err(RecordsError::io("remove", entry.path()))?;
        }
    }
    Ok(())
}

/// Runs blocking work off the runtime's threads. Virtual time stands still until its result has
/// arrived here, not only until it is done.
pub(super) async fn blocking<T: Send + 'static>(clock: &Clock, work: impl FnOnce() -> T + Send + 'static) -> T {
    let _busy = clock.busy();
    match tokio::task::spawn_blocking(work).await {
        Ok(done) => done,
        Err(gone) => match gone.try_into_panic() {
            Ok(panic) => std::panic::resume_unwind(panic),
            // The runtime is going down and took the work with it; this future goes next.
            Err(_) => core::future::pending().await,
        },
    }
}
