//! The formats that captures are saved in, one row each, and opening a file of any of them, to be
//! read here or ahead on a thread of its own.

use std::io::{Read, Write};
use std::path::Path;
use std::sync::mpsc;
use std::{io, thread};

use super::input::{self, Input, ReadOptions};
use super::lines::{Bytes, Lines};
use super::{AnyReader, AnyWriter, FormatError, Reader, SourceError, json_lines, pcapng};
use crate::wire::{Header, Record};

/// How many batches are read ahead: enough that neither side waits for the other.
const BATCHES_AHEAD: usize = 4;

/// A format that captures are saved in.
pub struct CaptureFormat {
    /// The endings of its files' names, in lower case.
    pub endings: &'static [&'static str],
    /// Whether a file that begins so is of this format.
    matches: fn(&[u8]) -> bool,
    /// Opens a file of which no line has been taken; messages call it by the name given.
    read: for<'a> fn(String, Bytes<'a>, &ReadOptions) -> Result<AnyReader<'a>, SourceError>,
    /// Begins to write a file of that name, with its header.
    write: for<'a> fn(&'a mut dyn Write, &Path, &Header) -> io::Result<AnyWriter<'a>>,
}

/// Every format. The first that matches is taken; lines of JSON match all, and say what is wrong
/// with the first line.
pub static FORMATS: [CaptureFormat; 2] = [
    CaptureFormat {
        endings: &[".pcapng"],
        matches: pcapng::matches,
        read: pcapng::reader,
        write: pcapng::writer,
    },
    CaptureFormat {
        endings: &[".jsonl", ".jsonl.zst"],
        matches: |_| true,
        read: json_lines::reader,
        write: json_lines::writer,
    },
];

/// The older capture format, in either byte order, in micro- and nanoseconds (IETF draft
/// draft-ietf-opsawg-pcap).
const OLD_PCAP: [[u8; 4]; 4] = [
    [0xA1, 0xB2, 0xC3, 0xD4],
    [0xD4, 0xC3, 0xB2, 0xA1],
    [0xA1, 0xB2, 0x3C, 0x4D],
    [0x4D, 0x3C, 0xB2, 0xA1],
];

impl CaptureFormat {
    /// The format that a file's name asks for; `None`: no format has that ending.
    pub fn from_name(path: &Path) -> Option<&'static CaptureFormat> {
        let name = path.to_string_lossy().to_ascii_lowercase();
        FORMATS.iter().find(|format| format.endings.iter().any(|ending| name.ends_with(ending)))
    }

    /// Begins to write a file of this name, with its header.
    ///
    /// # Errors
    /// If `out` cannot be written.
    pub fn writer<'a>(
        &self,
        out: &'a mut dyn Write,
        name: &Path,
        header: &Header,
    ) -> io::Result<AnyWriter<'a>> {
        (self.write)(out, name, header)
    }
}

/// Opens a capture, plain or packed, or a pcapng file: its content decides, not its name.
/// It is read on a thread of its own; the records are handed over in batches.
///
/// # Errors
/// One line for each of: not there, not allowed, a directory, empty, of no kind that is read,
/// of a version that is not known.
pub fn open(path: &Path, options: &ReadOptions) -> Result<ReadAhead, SourceError> {
    ReadAhead::new(open_reader(path, options)?)
}

/// Like [`open`], but read by whoever calls.
///
/// # Errors
/// As [`open`].
pub fn open_reader(
    path: &Path,
    options: &ReadOptions,
) -> Result<Box<dyn Reader + Send>, SourceError> {
    identify(path.display().to_string(), input::open(path, &options.progress)?, options)
}

/// Like [`open_reader`], for bytes from anywhere; messages call them by `name`.
///
/// # Errors
/// As [`open`], but for what has to do with files.
pub fn reader_from<'a>(
    name: &str,
    bytes: impl Read + Send + 'a,
    options: &ReadOptions,
) -> Result<Box<dyn Reader + Send + 'a>, SourceError> {
    let bytes: Box<dyn Read + Send + 'a> = Box::new(bytes);
    let input = Input::new(bytes).map_err(|error| SourceError::interrupted(name, error))?;
    identify(name.to_owned(), input, options)
}

fn identify<'a>(
    name: String,
    input: Input<Box<dyn Read + Send + 'a>>,
    options: &ReadOptions,
) -> Result<AnyReader<'a>, SourceError> {
    let mut bytes = Lines::new(input);
    let start = bytes.peek().map_err(|error| SourceError::interrupted(&name, error))?;
    if OLD_PCAP.iter().any(|magic| start.starts_with(magic)) {
        return Err(SourceError::format(&name, FormatError::OldPcap));
    }
    match FORMATS.iter().find(|format| (format.matches)(start)) {
        Some(format) => (format.read)(name, bytes, options),
        None => Err(SourceError::format(&name, FormatError::Unknown)),
    }
}

/// A saved file being read ahead.
pub struct ReadAhead {
    header: Header,
    batches: mpsc::Receiver<Result<ReadBatch, SourceError>>,
    /// Batches that were emptied, to be filled again.
    emptied: mpsc::Sender<Vec<Record>>,
    unreadable: u64,
    torn: bool,
    messages: Vec<String>,
}

struct ReadBatch {
    records: Vec<Record>,
    unreadable: u64,
    torn: bool,
    messages: Vec<String>,
    more: bool,
}

impl ReadAhead {
    pub(super) fn new(mut reader: Box<dyn Reader + Send>) -> Result<ReadAhead, SourceError> {
        let header = reader.header().clone();
        let (send, batches) = mpsc::sync_channel(BATCHES_AHEAD);
        let (emptied, to_fill) = mpsc::channel::<Vec<Record>>();
        let read_ahead = move || {
            loop {
                let mut records = to_fill.try_recv().unwrap_or_default();
                let (more, error) = match reader.read(&mut records) {
                    Ok(more) => (more, None),
                    Err(error) => (true, Some(error)),
                };
                let batch = ReadBatch {
                    records,
                    unreadable: reader.unreadable(),
                    torn: reader.torn(),
                    messages: reader.messages(),
                    more,
                };
                // It fails once this source is dropped.
                let mut wanted = send.send(Ok(batch)).is_ok() && more;
                if let Some(error) = error {
                    let _ = send.send(Err(error));
                    wanted = false;
                }
                if !wanted {
                    return;
                }
            }
        };
        thread::Builder::new()
            .name("read file".into())
            .spawn(read_ahead)
            .map_err(SourceError::Thread)?;
        Ok(ReadAhead { header, batches, emptied, unreadable: 0, torn: false, messages: Vec::new() })
    }
}

impl Reader for ReadAhead {
    fn header(&self) -> &Header {
        &self.header
    }

    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        let Ok(next) = self.batches.recv() else { return Ok(false) };
        let mut next = next?;
        self.unreadable = next.unreadable;
        self.torn = next.torn;
        self.messages.append(&mut next.messages);
        if batch.is_empty() {
            std::mem::swap(batch, &mut next.records);
        } else {
            batch.append(&mut next.records);
        }
        next.records.clear();
        // The thread may have ended.
        let _ = self.emptied.send(next.records);
        Ok(next.more)
    }

    fn unreadable(&self) -> u64 {
        self.unreadable
    }

    fn torn(&self) -> bool {
        self.torn
    }

    fn messages(&mut self) -> Vec<String> {
        std::mem::take(&mut self.messages)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    const HEADER: &str =
        r#"{"format":"dropline-capture","version":1,"started":"2026-03-02T06:30:00Z"}"#;

    fn drain(source: &mut ReadAhead) -> Vec<Record> {
        let (mut all, mut batch) = (Vec::new(), Vec::new());
        loop {
            let more = source.read(&mut batch).unwrap();
            all.append(&mut batch);
            if !more {
                return all;
            }
        }
    }

    fn file(bytes: &[u8]) -> tempfile::NamedTempFile {
        let mut file = tempfile::NamedTempFile::new().unwrap();
        file.write_all(bytes).unwrap();
        file
    }

    #[test]
    fn all_records_arrive_in_order_and_what_was_wrong_with_them() {
        let mut text = format!("{HEADER}\n");
        for n in 0..50_000 {
            text += &format!("{{\"t_ns\":{n},\"id\":\"45D\",\"data\":\"\"}}\n");
        }
        text += "nonsense\n{\"t_";
        for bytes in [text.as_bytes(), &zstd::encode_all(text.as_bytes(), 3).unwrap()] {
            let mut source = open(file(bytes).path(), &ReadOptions::default()).unwrap();
            let records = drain(&mut source);
            assert!(records.iter().map(|r| r.t.0).eq(0..50_000));
            assert_eq!((source.unreadable(), source.torn()), (1, true));
            assert_eq!(source.messages().len(), 1);
        }
    }

    #[test]
    fn a_capture_that_is_damaged_at_its_start_is_not_called_something_else() {
        let lines = "{\"t_ns\":1,\"link\":\"up\"}\n".repeat(1000);
        let mut packed = zstd::encode_all(format!("{HEADER}\n{lines}").as_bytes(), 3).unwrap();
        packed[9] ^= 0x55;
        let error = open(file(&packed).path(), &ReadOptions::default()).err().unwrap();
        assert!(
            error.to_string().ends_with("line 1: damaged: it cannot be unpacked; copy it again")
        );
    }

    #[test]
    fn a_source_that_is_given_up_ends_its_thread() {
        let text = format!("{HEADER}\n") + &"{\"t_ns\":1,\"link\":\"up\"}\n".repeat(500_000);
        let source = open(file(text.as_bytes()).path(), &ReadOptions::default()).unwrap();
        let emptied = source.emptied.clone();
        drop(source);
        while emptied.send(Vec::new()).is_ok() {
            thread::yield_now();
        }
    }
}
