//! Append-only files of JSON lines, each line bound to the one before it by a hash.
//!
//! A line is `{"seq":N,"wall_ms":T,"kind":K,"payload":{...},"prev":"H","hash":"H"}` and a newline. The
//! hash is SHA-256 over the line's own bytes with the last member left out: everything before
//! `,"hash":`, and a closing brace. So the chain can be checked without this program and without any
//! rule about how JSON is written. Line 1 has `seq` 0 and kind `header`; its payload names the format
//! with its version, the tool's version, and the name of the record.

use super::version::{OURS, Version};
use super::{ContentHash, RecordsError, files};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::{Read as _, Seek as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tapewright_clock::WallTime;

/// No line is longer, its newline included.
pub const MAX_LINE_BYTES: usize = 16 << 20;

/// A closed list of events that a chain is made of.
pub trait Event: Serialize + DeserializeOwned + PartialEq + Clone + core::fmt::Debug {
    /// Name of the format, as the header says it.
    const FORMAT: &'static str;
    /// Whether nothing may follow this event.
    fn ends(&self) -> bool;
}

/// What the first line says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Header {
    /// Name of the format.
    pub format: String,
    /// Version of the format.
    #[serde(flatten)]
    pub version: Version,
    /// Version of the tool that wrote the file.
    pub tool: String,
    /// Name of the run or job.
    pub id: String,
}

/// One line of a chain, after the header.
#[derive(Debug, Clone, PartialEq)]
pub struct Line<E> {
    /// Sequence number; the first event has 1.
    pub seq: u64,
    /// When it was written, by the wall clock.
    pub wall: WallTime,
    /// Kind of the event, as it is spelled in the file.
    pub kind: String,
    /// The event; none if a newer minor version wrote a kind that is not known here.
    pub event: Option<E>,
    /// Hash of the line.
    pub hash: ContentHash,
}

/// A line as it lies in the file.
#[derive(Serialize, Deserialize)]
pub(super) struct RawLine<P> {
    pub(super) seq: u64,
    pub(super) wall_ms: i64,
    pub(super) kind: String,
    pub(super) payload: P,
    pub(super) prev: ContentHash,
}

#[derive(Deserialize)]
struct Tagged {
    kind: String,
    payload: serde_json::Value,
}

const HASH_KEY: &[u8] = b",\"hash\":\"";
/// Bytes of a line's end: key, 64 digits, quote and brace.
const HASH_BYTES: usize = HASH_KEY.len() + 64 + 2;

/// The line with its hash and newline, from the object without it.
pub(super) fn seal(mut body: Vec<u8>) -> (Vec<u8>, ContentHash) {
    let hash = ContentHash::of(&body);
    body.pop();
    body.extend_from_slice(HASH_KEY);
    body.extend_from_slice(hash.to_string().as_bytes());
    body.extend_from_slice(b"\"}\n");
    (body, hash)
}

/// The object without its hash, and the hash that the line states; none if the line has no such end.
pub(super) fn unseal(line: &[u8]) -> Option<(Vec<u8>, ContentHash)> {
    let (body, end) = line.split_at_checked(line.len().checked_sub(HASH_BYTES)?)?;
    let digits = end.strip_prefix(HASH_KEY)?.strip_suffix(b"\"}")?;
    let hash = core::str::from_utf8(digits).ok()?.parse().ok()?;
    Some(([body, b"}"].concat(), hash))
}

/// Writes at the end of a chain. Not shared: its owner keeps the order.
#[derive(Debug)]
pub(super) struct ChainWriter {
    path: PathBuf,
    file: Arc<File>,
    next_seq: u64,
    prev: ContentHash,
    bytes: u64,
    poisoned: bool,
    ended: bool,
}

/// How far a chain goes: two chains of one name with the same end are the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct ChainEnd {
    pub(super) bytes: u64,
    /// Hash of the last line.
    pub(super) hash: ContentHash,
}

impl ChainEnd {
    /// What the last bytes of a file say, without checking the chain; none if no whole line is there.
    /// Blocking.
    pub(super) fn stated(path: &Path) -> Result<Option<Self>, RecordsError> {
        let read = || {
            let mut file = File::open(path)?;
            let bytes = file.metadata()?.len();
            let mut end = [0; HASH_BYTES + 1];
            if bytes < end.len() as u64 {
                return Ok(None);
            }
            file.seek(std::io::SeekFrom::End(-(end.len() as i64)))?;
            file.read_exact(&mut end)?;
            let hash = end.strip_suffix(b"\n").and_then(unseal).map(|(_, hash)| hash);
            Ok(hash.map(|hash| Self { bytes, hash }))
        };
        read().map_err(RecordsError::io("look at", path))
    }
}

impl ChainWriter {
    /// Makes a chain whose header and first event are on the disk before the file has its name, so
    /// that there is never a journal that does not say what it is. Blocking. The folder's entry is
    /// synced too.
    pub(super) fn create<E: Event>(
        path: &Path,
        id: &str,
        wall: WallTime,
        first: &E,
    ) -> Result<(Self, Line<E>), RecordsError> {
        let temporary = files::temporary_for(path);
        let file = File::create(&temporary).map_err(RecordsError::io("make", &temporary))?;
        let mut chain = Self {
            path: path.to_owned(),
            file: Arc::new(file),
            next_seq: 0,
            prev: ContentHash::ZERO,
            bytes: 0,
            poisoned: false,
            ended: false,
        };
        let header =
            Header { format: E::FORMAT.into(), version: OURS, tool: env!("CARGO_PKG_VERSION").into(), id: id.into() };
        let payload = serde_json::to_value(header).map_err(|e| chain.unfit("header", e.to_string()))?;
        chain.write(wall, "header", &payload)?;
        let line = chain.append(wall, first)?;
        chain.file.sync_all().map_err(RecordsError::io("sync", &temporary))?;
        std::fs::rename(&temporary, path).map_err(RecordsError::io("rename a new journal to", path))?;
        files::sync_folder(path.parent().unwrap_or(Path::new(".")))?;
        // From here on only appending is wanted, whatever the first handle could do.
        chain.file = Arc::new(files::open_to_append(path)?);
        Ok((chain, line))
    }

    /// Goes on with a chain that was read to its `end`.
    /// Whatever lies beyond is a line cut in the writing, and is taken off. Blocking.
    pub(super) fn resume(path: &Path, end: ChainEnd, next_seq: u64) -> Result<Self, RecordsError> {
        let file = files::open_to_append(path)?;
        let length = file.metadata().map_err(RecordsError::io("look at", path))?.len();
        let ChainEnd { bytes, hash: last } = end;
        if length > bytes {
            file.set_len(bytes)
                .and_then(|()| file.sync_all())
                .map_err(RecordsError::io("cut the torn end of", path))?;
        }
        let path = path.to_owned();
        Ok(Self { path, file: Arc::new(file), next_seq, prev: last, bytes, poisoned: false, ended: false })
    }

    /// Adds one event: a single write, in the system's hands when this returns, not yet on the disk.
    pub(super) fn append<E: Event>(&mut self, wall: WallTime, event: &E) -> Result<Line<E>, RecordsError> {
        let tagged = serde_json::to_value(event).map_err(|e| self.unfit("event", e.to_string()))?;
        // What is written must read back the same: JSON has no infinity, and would keep a null.
        if serde_json::from_value::<E>(tagged.clone()).ok().as_ref() != Some(event) {
            let kind = tagged["kind"].as_str().unwrap_or("event");
            return Err(self.unfit(kind, "it does not read back the same; a number may not be finite".into()));
        }
        let Tagged { kind, payload } =
            serde_json::from_value(tagged).map_err(|e| self.unfit("event", e.to_string()))?;
        if self.ended {
            return Err(RecordsError::Ended { file: self.path.clone(), kind });
        }
        let seq = self.next_seq;
        let hash = self.write(wall, &kind, &payload)?;
        self.ended = event.ends();
        Ok(Line { seq, wall, kind, event: Some(event.clone()), hash })
    }

    fn write(&mut self, wall: WallTime, kind: &str, payload: &serde_json::Value) -> Result<ContentHash, RecordsError> {
        if self.poisoned {
            return Err(RecordsError::Poisoned { file: self.path.clone() });
        }
        let raw = RawLine { seq: self.next_seq, wall_ms: wall.0, kind: kind.into(), payload, prev: self.prev };
        let body = serde_json::to_vec(&raw).map_err(|e| self.unfit(kind, e.to_string()))?;
        let (line, hash) = seal(body);
        if line.len() > MAX_LINE_BYTES {
            let why = format!("its line has {} bytes, and {MAX_LINE_BYTES} are allowed", line.len());
            return Err(self.unfit(kind, why));
        }
        if let Err(source) = (&*self.file).write_all(&line) {
            // How much got there is not known: another line would stand behind half of this one.
            self.poisoned = true;
            return Err(RecordsError::io("write", &self.path)(source));
        }
        self.next_seq += 1;
        self.prev = hash;
        self.bytes += line.len() as u64;
        Ok(hash)
    }

    fn unfit(&self, kind: &str, why: String) -> RecordsError {
        RecordsError::Unfit { file: self.path.clone(), kind: kind.into(), why }
    }

    /// How far the chain goes.
    pub(super) const fn end(&self) -> ChainEnd {
        ChainEnd { bytes: self.bytes, hash: self.prev }
    }

    /// The file, to be synced by whoever may block.
    pub(super) fn file(&self) -> Arc<File> {
        Arc::clone(&self.file)
    }

    /// Where the chain lies.
    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// After a failed sync it is not known what is on the disk: nothing more is written.
    pub(super) const fn poison(&mut self) {
        self.poisoned = true;
    }
}
