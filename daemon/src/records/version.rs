//! Format versions: major and minor, in every file that a later tapewright may meet.
//!
//! A newer major is refused. A newer minor is read (it only adds fields and kinds) and never
//! rewritten or continued. An older version is read, and continued as it is.

use super::RecordsError;
use super::files;
use core::fmt;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Version of a format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Version {
    /// Changes when old readers would misread.
    pub major: u32,
    /// Changes when fields or kinds are added.
    pub minor: u32,
}

/// The version that is written here: of the folder's layout and of the journals.
///
/// 1.1: the end of a run holds its conclusion, the next check and the faults apart; a scrap tape names the run
/// that proved it.
pub const OURS: Version = Version { major: 1, minor: 1 };

impl fmt::Display for Version {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.major, self.minor)
    }
}

impl Version {
    /// Refuses a version that cannot be read here.
    pub(super) fn readable(self, file: &Path) -> Result<(), RecordsError> {
        if self.major > OURS.major {
            return Err(RecordsError::Newer { file: file.to_owned(), found: self, ours: OURS });
        }
        if self.major == 0 {
            return Err(RecordsError::BadFormat { file: file.to_owned(), why: "there is no format 0.x".into() });
        }
        Ok(())
    }

    /// Whether a file of this version may be continued here.
    pub(super) fn continued_here(self) -> bool {
        self.major == OURS.major && self <= OURS
    }
}

#[derive(Serialize, Deserialize)]
struct FormatFile {
    format: String,
    #[serde(flatten)]
    version: Version,
    tool: String,
}

const NAME: &str = "format.json";
const FORMAT: &str = "tapewright-data";

/// Reads the layout version of a data folder, or makes the folder's version file if the folder is
/// new. Expects the lock to be held. A version file that exists is never written to.
pub(super) fn of_folder(root: &Path) -> Result<Version, RecordsError> {
    let file = root.join(NAME);
    let text = match std::fs::read(&file) {
        Ok(text) => text,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
            refuse_foreign(root)?;
            let ours = FormatFile { format: FORMAT.into(), version: OURS, tool: env!("CARGO_PKG_VERSION").into() };
            let text = serde_json::to_vec(&ours).map_err(|e| bad(&file, e.to_string()))?;
            files::write_whole(&file, &[&text[..], b"\n"].concat())?;
            return Ok(OURS);
        }
        Err(source) => return Err(RecordsError::io("read", file)(source)),
    };
    let found: FormatFile = serde_json::from_slice(&text).map_err(|e| bad(&file, e.to_string()))?;
    if found.format != FORMAT {
        return Err(bad(&file, format!("it is a `{}`", found.format)));
    }
    found.version.readable(&file)?;
    Ok(found.version)
}

fn bad(file: &Path, why: String) -> RecordsError {
    RecordsError::BadFormat { file: file.to_owned(), why }
}

/// A folder without a version file is taken over only if it holds nothing but our lock and what an
/// interrupted first start leaves.
fn refuse_foreign(root: &Path) -> Result<(), RecordsError> {
    for entry in std::fs::read_dir(root).map_err(RecordsError::io("list", root))? {
        let name = entry.map_err(RecordsError::io("list", root))?.file_name();
        let name = name.to_string_lossy();
        if name != super::lock::NAME && !files::is_temporary(&name) {
            return Err(RecordsError::NotADataFolder { folder: root.to_owned(), found: name.into_owned() });
        }
    }
    Ok(())
}
