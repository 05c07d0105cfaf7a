//! Reading a chain: every line is checked, and a fault is reported with its line and reason.

use super::chain::{ChainEnd, Event, Header, Line, MAX_LINE_BYTES, RawLine, unseal};
use super::{ContentHash, RecordsError};
use serde_json::Value;
use std::fs::File;
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::{Path, PathBuf};
use tapewright_clock::WallTime;

/// How a chain's file ends.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Tail {
    /// With a whole line.
    Whole,
    /// With a line cut in the writing, as a kill leaves it: nobody was shown what it says.
    Torn {
        /// Length of the cut line.
        bytes: u64,
    },
    /// The chain breaks: lines from here on are not to be trusted.
    Broken {
        /// First bad line, from 1.
        line: u64,
        /// Why.
        why: String,
    },
}

/// A chain as far as it is sound.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading<E> {
    /// The file.
    pub file: PathBuf,
    /// What the first line says.
    pub header: Header,
    /// The sound lines.
    pub lines: Vec<Line<E>>,
    /// How the file ends.
    pub tail: Tail,
    /// Length of the sound part in bytes.
    pub sound_bytes: u64,
    /// Hash of the last sound line.
    pub last: ContentHash,
}

impl<E: Event> Reading<E> {
    /// The sound events that are known here, in order.
    pub fn events(&self) -> impl Iterator<Item = &E> {
        self.lines.iter().filter_map(|line| line.event.as_ref())
    }

    /// Whether the last sound line ends the record.
    #[must_use]
    pub fn ended(&self) -> bool {
        self.lines.last().and_then(|line| line.event.as_ref()).is_some_and(E::ends)
    }

    /// The chain's fault, if it is broken.
    ///
    /// # Errors
    /// [`RecordsError::Chain`] with file, line and reason.
    pub fn sound(self) -> Result<Self, RecordsError> {
        match self.tail {
            Tail::Broken { line, why } => Err(RecordsError::Chain { file: self.file, line, why }),
            Tail::Whole | Tail::Torn { .. } => Ok(self),
        }
    }

    /// How far the sound part goes.
    pub(super) const fn end(&self) -> ChainEnd {
        ChainEnd { bytes: self.sound_bytes, hash: self.last }
    }

    /// Sequence number of the line that comes next.
    pub(super) fn next_seq(&self) -> u64 {
        self.lines.last().map_or(1, |line| line.seq + 1)
    }
}

/// Reads and checks a whole chain. Blocking.
///
/// # Errors
/// If the file cannot be read, is no chain of this kind, or was written by a newer major version.
/// Faults after the header are no error here, but the reading's [`Tail`].
pub fn read_chain<E: Event>(path: &Path) -> Result<Reading<E>, RecordsError> {
    let file = File::open(path).map_err(RecordsError::io("open", path))?;
    let mut source = BufReader::new(file);
    let mut buffer = Vec::new();
    let bad_header = |why: String| RecordsError::BadFormat { file: path.to_owned(), why };

    let header_bytes = next_line(&mut source, &mut buffer).map_err(RecordsError::io("read", path))?;
    if buffer.last() != Some(&b'\n') {
        return Err(bad_header("its first line is cut".into()));
    }
    let (raw, hash) = check_line(&buffer, 0, ContentHash::ZERO).map_err(|why| bad_header(format!("line 1: {why}")))?;
    let header: Header =
        serde_json::from_value(raw.payload).map_err(|e| bad_header(format!("line 1 is no header: {e}")))?;
    if raw.kind != "header" || header.format != E::FORMAT {
        return Err(bad_header(format!("it is a `{}`, and a `{}` was expected", header.format, E::FORMAT)));
    }
    header.version.readable(path)?;

    let newer = !header.version.continued_here();
    let mut reading = Reading {
        file: path.to_owned(),
        header,
        lines: Vec::new(),
        tail: Tail::Whole,
        sound_bytes: header_bytes,
        last: hash,
    };
    loop {
        let length = next_line(&mut source, &mut buffer).map_err(RecordsError::io("read", path))?;
        if length == 0 {
            return Ok(reading);
        }
        let number = reading.lines.len() as u64 + 2;
        let broken = |why: String| Tail::Broken { line: number, why };
        if reading.ended() {
            reading.tail = broken("it stands behind the record's last line".into());
            return Ok(reading);
        }
        if buffer.last() != Some(&b'\n') {
            let but_last = &buffer[..buffer.len() - 1];
            reading.tail = if length as usize >= MAX_LINE_BYTES {
                broken(format!("it is longer than {MAX_LINE_BYTES} bytes"))
            } else if check_line(but_last, reading.next_seq(), reading.last).is_ok() {
                // A whole line and one byte more is no cut: the line was once complete, and may have been shown.
                broken("its newline is damaged".into())
            } else {
                Tail::Torn { bytes: length }
            };
            return Ok(reading);
        }
        let line = check_line(&buffer, reading.next_seq(), reading.last).and_then(|(raw, hash)| {
            let (seq, wall, kind) = (raw.seq, WallTime(raw.wall_ms), raw.kind.clone());
            match serde_json::from_value(serde_json::json!({"kind": raw.kind, "payload": raw.payload})) {
                Ok(event) => Ok(Line { seq, wall, kind, event: Some(event), hash }),
                Err(_) if newer => Ok(Line { seq, wall, kind, event: None, hash }),
                Err(e) => Err(format!("`{kind}` is not understood: {e}")),
            }
        });
        match line {
            Ok(line) => {
                reading.last = line.hash;
                reading.sound_bytes += length;
                reading.lines.push(line);
            }
            Err(why) => {
                reading.tail = broken(why);
                return Ok(reading);
            }
        }
    }
}

/// Reads up to and with a newline, but never more than a line may have.
fn next_line(source: &mut BufReader<File>, buffer: &mut Vec<u8>) -> std::io::Result<u64> {
    buffer.clear();
    source.take(MAX_LINE_BYTES as u64).read_until(b'\n', buffer).map(|length| length as u64)
}

fn check_line(line: &[u8], seq: u64, prev: ContentHash) -> Result<(RawLine<Value>, ContentHash), String> {
    let line = line.strip_suffix(b"\n").unwrap_or(line);
    let (body, stated) = unseal(line).ok_or("it does not end with a hash")?;
    let found = ContentHash::of(&body);
    if found != stated {
        return Err(format!("its content has the hash {found}, and it states {stated}"));
    }
    let raw: RawLine<Value> = serde_json::from_slice(&body).map_err(|e| format!("it is no line of a journal: {e}"))?;
    if raw.prev != prev {
        return Err(format!("it follows a line with the hash {}, and the line before it has {prev}", raw.prev));
    }
    if raw.seq != seq {
        return Err(format!("it has number {}, and {seq} was due", raw.seq));
    }
    Ok((raw, stated))
}
