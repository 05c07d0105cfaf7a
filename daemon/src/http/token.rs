//! The token file: who can read it may use the daemon.

use crate::records::ContentHash;
use std::fs::OpenOptions;
use std::io::Write as _;
use std::path::{Path, PathBuf};

const BYTES: usize = 32;

/// The secret. Never printed: its `Debug` does not show it.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

impl core::fmt::Debug for Token {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str("Token(hidden)")
    }
}

/// What can go wrong with the token file.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// It cannot be read.
    #[error("cannot read the token file {}: start the daemon, which makes it, and look whose file it is", .file.display())]
    Read {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// It cannot be made.
    #[error("cannot make the token file {}: its folder must be there and may be written", .file.display())]
    Make {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The system gives no random numbers.
    #[error("cannot make the token file {}: the system gives no random numbers", .file.display())]
    Random {
        /// The file.
        file: PathBuf,
        /// What the system said.
        source: getrandom::Error,
    },
    /// Others can read it.
    #[error("token file {} has mode {mode:o}: others can read it; remove it, so that the daemon makes a new one", .file.display())]
    Open {
        /// The file.
        file: PathBuf,
        /// Its permission bits.
        mode: u32,
    },
    /// It holds something else.
    #[error("token file {} does not hold 64 hexadecimal digits: remove it, so that the daemon makes a new one", .file.display())]
    NotAToken {
        /// The file.
        file: PathBuf,
    },
}

impl Token {
    /// Reads the token file; the daemon makes it.
    ///
    /// # Errors
    /// If it cannot be read, others can read it, or it holds something else.
    pub fn read(file: &Path) -> Result<Self, TokenError> {
        let read = |source| TokenError::Read { file: file.to_owned(), source };
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            let mode = std::fs::metadata(file).map_err(read)?.permissions().mode() & 0o777;
            if mode & 0o077 != 0 {
                return Err(TokenError::Open { file: file.to_owned(), mode });
            }
        }
        let text = std::fs::read_to_string(file).map_err(read)?;
        let digits = text.trim_end();
        // A hash has the same form: 32 bytes in lower-case hexadecimal.
        match digits.parse::<ContentHash>() {
            Ok(_) => Ok(Self(digits.to_owned())),
            Err(_) => Err(TokenError::NotAToken { file: file.to_owned() }),
        }
    }

    /// Reads the token file, or makes it, with random content, for this user only. One that is there is kept.
    ///
    /// # Errors
    /// If it can neither be read nor made.
    pub fn read_or_make(file: &Path) -> Result<Self, TokenError> {
        if file.exists() {
            return Self::read(file);
        }
        let mut bytes = [0; BYTES];
        getrandom::fill(&mut bytes).map_err(|source| TokenError::Random { file: file.to_owned(), source })?;
        let token = Self(ContentHash::from_bytes(bytes).to_string());
        // Made under another name, so that nobody ever reads half a token.
        let name = file.file_name().unwrap_or_default().to_string_lossy();
        let temporary = file.with_file_name(format!(".{name}.{}.new", std::process::id()));
        token.write(&temporary).and_then(|()| std::fs::rename(&temporary, file)).map_err(|source| {
            let _left = std::fs::remove_file(&temporary);
            TokenError::Make { file: file.to_owned(), source }
        })?;
        Ok(token)
    }

    fn write(&self, file: &Path) -> std::io::Result<()> {
        let mut options = OpenOptions::new();
        options.write(true).create_new(true);
        #[cfg(unix)]
        {
            use std::os::unix::fs::OpenOptionsExt as _;
            options.mode(0o600);
        }
        let mut handle = options.open(file)?;
        writeln!(handle, "{}", self.0)?;
        handle.sync_all()
    }

    /// The value of the `Authorization` header.
    #[must_use]
    pub(super) fn header(&self) -> String {
        format!("Bearer {}", self.0)
    }

    /// Whether a header's value carries this token. Compares hashes, so that the time taken tells nothing.
    #[must_use]
    pub(super) fn is_in(&self, header: &[u8]) -> bool {
        let (scheme, given) = header.split_at_checked(7).unwrap_or((b"", header));
        scheme.eq_ignore_ascii_case(b"Bearer ") && ContentHash::of(given) == ContentHash::of(self.0.as_bytes())
    }
}
