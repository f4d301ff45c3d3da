//! Several captures as one: the pieces of a watch, in the order of time, with their times from
//! the beginning of the first; and the names of the pieces, which sort by time.
//!
//! A piece that begins at the very time at which the one before ends goes on where that ended.
//! Where nothing was captured between two pieces, the interface counts as down: what was on its
//! way then, nobody can tell. Pieces that overlap are refused. The `end` records are added up; without
//! one of them the whole is not complete.

use std::collections::VecDeque;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::Offset;

use super::formats::{ReadAhead, open, open_reader};
use super::input::ReadOptions;
use super::text_files::refuse_pipe;
use super::{CaptureSetError, Complaints, Reader, SourceError};
use crate::wire::{Header, Nanos, Record, Tally, What};

/// Why the link counts as down where there is no capture.
const NOT_CAPTURED: &str = "nothing was captured";

/// Opens captures to be read as one, ahead on a thread of their own as by [`super::open`]. A single
/// one is read as it is.
///
/// # Errors
/// As [`super::open`] for any of them, before the first is read; or if they are of trunks with
/// different bit rates.
pub fn open_all(paths: &[PathBuf], options: &ReadOptions) -> Result<ReadAhead, SourceError> {
    match paths {
        [one] => open(one, options),
        _ => ReadAhead::new(Box::new(CaptureSetReader::open(paths, options)?)),
    }
}

struct CaptureSetReader {
    options: ReadOptions,
    header: Header,
    /// What is being read.
    piece: Option<OpenPiece>,
    waiting: VecDeque<PathBuf>,
    /// The time of the last record.
    now: Nanos,
    /// The sum of the tallies of all ends; none as soon as a piece has no end.
    end: Option<Tally>,
    /// Unreadable lines in the pieces that are read to their end.
    unreadable: u64,
    torn: bool,
    silent: Nanos,
    messages: Vec<String>,
    complaints: Complaints,
}

struct OpenPiece {
    path: PathBuf,
    reader: Box<dyn Reader + Send>,
    /// When it begins, in the time of the whole capture.
    begins: Nanos,
    end: Option<Tally>,
}

impl CaptureSetReader {
    fn open(paths: &[PathBuf], options: &ReadOptions) -> Result<CaptureSetReader, SourceError> {
        let mut headers = Vec::with_capacity(paths.len());
        let mut complaints = Complaints::new("the captures");
        let mut complete = true;
        for path in paths {
            // Their order is told by their first lines, before any is read.
            refuse_pipe(path)?;
            // A watch that is killed between making a file and writing its first line leaves it
            // empty.
            if std::fs::metadata(path).is_ok_and(|meta| meta.is_file() && meta.len() == 0) {
                complaints.say(format_args!("{} is empty, and left out", path.display()));
                complete = false;
                continue;
            }
            headers.push((path, open_reader(path, options)?.header().clone()));
        }
        let numbered = paths.windows(2).all(|pair| follows(&pair[0], &pair[1]).is_some());
        if !numbered && !headers.is_sorted_by_key(|(_, header)| header.started) {
            headers.sort_by_key(|(_, header)| header.started);
            complaints.note("not given in the order of time; they are taken in that order");
        }
        let Some((first, header)) = headers.first().cloned() else {
            return Err(CaptureSetError::Empty.into());
        };
        for (path, other) in &headers {
            if other.bitrate != header.bitrate {
                return Err(CaptureSetError::Bitrates {
                    first: first.display().to_string(),
                    first_rate: rate(&header),
                    other: path.display().to_string(),
                    other_rate: rate(other),
                }
                .into());
            }
            if other.interface != header.interface {
                complaints.say(format_args!(
                    "{} was taken from another interface than {}",
                    path.display(),
                    first.display()
                ));
            }
        }
        let waiting = headers.iter().map(|(path, _)| (*path).clone()).collect();
        Ok(CaptureSetReader {
            options: options.clone(),
            header,
            piece: None,
            waiting,
            now: Nanos::ZERO,
            end: complete.then(Tally::default),
            unreadable: 0,
            torn: false,
            silent: Nanos::ZERO,
            messages: Vec::new(),
            complaints,
        })
    }

    /// Goes on to the next piece. `false`: there is none.
    fn next_piece(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        let before = self.piece.take();
        let first = before.is_none();
        if let Some(before) = &before {
            self.close(before);
        }
        let Some(path) = self.waiting.pop_front() else {
            self.finish(batch);
            return Ok(false);
        };
        let reader = open_reader(&path, &self.options)?;
        let begins = since(reader.header().started, self.header.started)?;
        if let Some(before) = &before {
            self.gap(before, &path, begins, batch)?;
        }
        if first {
            self.now = begins;
        }
        self.piece = Some(OpenPiece { path, reader, begins, end: None });
        Ok(true)
    }

    fn close(&mut self, piece: &OpenPiece) {
        self.unreadable += piece.reader.unreadable();
        self.torn |= piece.reader.torn();
        self.end = self.end.zip(piece.end).map(|(all, end)| all.plus(end));
        if piece.end.is_none() {
            self.complaints.say(format_args!(
                "{} has no end: its watch was cut off, and so they are not complete",
                piece.path.display()
            ));
        }
    }

    /// Records a time without capture between two pieces, if there is one.
    fn gap(
        &mut self,
        before: &OpenPiece,
        path: &Path,
        begins: Nanos,
        batch: &mut Vec<Record>,
    ) -> Result<(), SourceError> {
        if begins == self.now && before.end.is_some() {
            return Ok(());
        }
        let (one, other) = (before.path.display(), path.display());
        let missing = follows(&before.path, path);
        match begins.since(self.now) {
            Some(span) => {
                self.silent = self.silent.plus(span);
                let hint = match missing {
                    Some(0) | None => String::new(),
                    Some(1) => "; a file between them is missing".into(),
                    Some(files) => format!("; {files} files between them are missing"),
                };
                self.complaints.say(format_args!(
                    "nothing captured for {:.3} s between {one} and {other}{hint}",
                    span.as_secs()
                ));
            }
            None => {
                let back = Nanos(self.now.0.saturating_sub(begins.0)).as_secs();
                if missing.is_none() {
                    return Err(CaptureSetError::Overlap {
                        before: before.path.display().to_string(),
                        after: path.display().to_string(),
                        seconds: back,
                    }
                    .into());
                }
                self.complaints.say(format_args!(
                    "{other} begins {back:.3} s before {one} ends: the clock was set back between"
                ));
            }
        }
        batch.push(Record { t: self.now, what: What::LinkDown(Some(NOT_CAPTURED.into())) });
        batch.push(Record { t: begins, what: What::LinkUp });
        Ok(())
    }

    fn finish(&mut self, batch: &mut Vec<Record>) {
        if let Some(end) = self.end {
            batch.push(Record { t: self.now, what: What::End(Box::new(end)) });
        }
        if self.silent > Nanos::ZERO {
            self.complaints.note(format_args!(
                "nothing captured for {:.3} s in all; rates and means over the time count that \
                 as silence",
                self.silent.as_secs()
            ));
        }
        self.complaints.close();
    }
}

impl Reader for CaptureSetReader {
    fn header(&self) -> &Header {
        &self.header
    }

    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        let Some(piece) = &mut self.piece else { return self.next_piece(batch) };
        let from = batch.len();
        let more = piece.reader.read(batch);
        self.messages.append(&mut piece.reader.messages());
        let mut kept = from;
        for at in from..batch.len() {
            let t = Nanos(batch[at].t.0.saturating_add(piece.begins.0));
            self.now = t;
            piece.end = match &batch[at].what {
                What::End(tally) => Some(**tally),
                _ => None,
            };
            if piece.end.is_none() {
                batch[at].t = t;
                batch.swap(kept, at);
                kept += 1;
            }
        }
        batch.truncate(kept);
        if more? { Ok(true) } else { self.next_piece(batch) }
    }

    fn unreadable(&self) -> u64 {
        self.unreadable + self.piece.as_ref().map_or(0, |piece| piece.reader.unreadable())
    }

    fn torn(&self) -> bool {
        self.torn || self.piece.as_ref().is_some_and(|piece| piece.reader.torn())
    }

    fn messages(&mut self) -> Vec<String> {
        self.messages.append(&mut self.complaints.take());
        std::mem::take(&mut self.messages)
    }
}

/// A capture's bit rate, in words.
fn rate(header: &Header) -> String {
    header.bitrate.map_or("an unknown bit rate".into(), |rate| rate.to_string())
}

/// The number of pieces missing between two of one watch, by their names; `None` if the names do
/// not say that one follows the other.
fn follows(one: &Path, other: &Path) -> Option<u64> {
    let name = |path: &Path| PieceName::parse(&path.file_name()?.to_string_lossy());
    name(one)?.followed_by(&name(other)?)
}

fn since(started: Timestamp, zero: Timestamp) -> Result<Nanos, SourceError> {
    i64::try_from(started.duration_since(zero).as_nanos())
        .map(Nanos)
        .map_err(|_| CaptureSetError::TooFarApart.into())
}

/// The name of a piece: that of the whole capture, with a running number and the time at
/// which the piece begins. `line3.jsonl` comes in `line3-000001-20260302T063000Z.jsonl` and so on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PieceName {
    /// The name of the whole capture, as it was given.
    pub capture: String,
    /// The number of the piece; a watch that is started again continues the count.
    pub number: u64,
    /// When it begins, in whole seconds.
    pub started: Timestamp,
}

const STAMP: &str = "%Y%m%dT%H%M%SZ";

impl PieceName {
    /// Reads it from a file's name.
    pub fn parse(file_name: &str) -> Option<PieceName> {
        let (stem, extension) = split(file_name);
        let (rest, stamp) = stem.rsplit_once('-')?;
        let (stem, number) = rest.rsplit_once('-')?;
        let digits = number.len() >= 6 && number.bytes().all(|byte| byte.is_ascii_digit());
        let started = jiff::civil::DateTime::strptime(STAMP, stamp).ok()?;
        Some(PieceName {
            capture: format!("{stem}{extension}"),
            number: number.parse().ok().filter(|_| digits)?,
            started: Offset::UTC.to_timestamp(started).ok()?,
        })
    }

    /// The number of pieces missing between this one and a later one; `None` if the other is no
    /// later piece of the same capture.
    pub fn followed_by(&self, other: &PieceName) -> Option<u64> {
        let missing = other.number.checked_sub(self.number)?.checked_sub(1);
        missing.filter(|_| self.capture == other.capture)
    }

    /// The file's name.
    pub fn file_name(&self) -> String {
        let (stem, extension) = split(&self.capture);
        format!("{stem}-{:06}-{}{extension}", self.number, self.started.strftime(STAMP))
    }
}

/// The name of the capture whose pieces these are; `None` if they are not pieces of one, in order.
pub fn whole_name<'a>(file_names: impl IntoIterator<Item = &'a str>) -> Option<String> {
    let names: Option<Vec<PieceName>> = file_names.into_iter().map(PieceName::parse).collect();
    let names = names?;
    let in_order = names.windows(2).all(|pair| pair[0].followed_by(&pair[1]).is_some());
    names.into_iter().next().map(|first| first.capture).filter(|_| in_order)
}

/// A name before its extension, and the extension with its dot; that of packed files has two.
fn split(name: &str) -> (&str, &str) {
    let packed = name.strip_suffix(".zst").unwrap_or(name);
    let at = packed.rfind('.').filter(|&at| at > 0).unwrap_or(packed.len());
    name.split_at(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_read_back_and_sort_by_time() {
        let start: Timestamp = "2026-03-02T06:30:00Z".parse().unwrap();
        for capture in ["line3.jsonl", "line-3.jsonl.zst", "a.b.jsonl", "plain", ".hidden"] {
            let name = |number| PieceName { capture: capture.into(), number, started: start };
            let text = name(7).file_name();
            assert_eq!(PieceName::parse(&text), Some(name(7)), "{text}");
            assert!(text < name(10).file_name());
        }
        let name = PieceName::parse("line3-000012-20260302T063000Z.jsonl.zst").unwrap();
        assert_eq!((name.capture.as_str(), name.number), ("line3.jsonl.zst", 12));
        assert_eq!(name.started, start);
        for other in ["line3.jsonl", "line3-12-20260302T063000Z.jsonl", "a-000001-x.jsonl", "-", ""]
        {
            assert_eq!(PieceName::parse(other), None, "{other:?}");
        }
    }
}
