//! A capture in pieces: how large or long a piece gets, the files made for them, and how many are
//! kept.

use std::fs::File;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::{fs, io};

use jiff::{SignedDuration, Span, SpanRelativeTo, Timestamp};

use super::piece::Sink;
use crate::output::files;
use crate::source::PieceName;
use crate::wire::Nanos;

/// Where the pieces of a capture go.
pub trait PieceStore<S: Sink>: Send {
    /// Makes the file of the next piece, which begins at this time.
    fn next(&mut self, started: Timestamp) -> io::Result<(PathBuf, S)>;

    /// Removes the piece that was made last: it could not be begun.
    fn abandoned(&mut self);

    /// Notes that the piece of that file has ended, with its length in bytes.
    fn closed(&mut self, path: &Path, bytes: u64);

    /// Removes the pieces that are not to be kept; `bytes` is the length of the piece being
    /// written.
    ///
    /// # Errors
    /// The name of the file that cannot be removed, and why. It is not tried again.
    fn prune(&mut self, now: Timestamp, bytes: u64) -> Result<(), (PathBuf, io::Error)>;
}

/// A directory with the pieces of one capture.
#[derive(Debug)]
pub struct PieceDirectory {
    directory: PathBuf,
    capture: String,
    keep: Option<Keep>,
    /// Those that are closed, the oldest first: file, beginning, length.
    closed: Vec<(PathBuf, Timestamp, u64)>,
    /// Those that are being written, the oldest first.
    open: Vec<(PathBuf, Timestamp)>,
    next: u64,
}

impl PieceDirectory {
    /// The pieces of the capture of this name. Those of an earlier watch are there to be kept or
    /// removed with the new ones.
    ///
    /// # Errors
    /// If the directory cannot be read.
    pub fn open(path: &Path, keep: Option<Keep>) -> io::Result<PieceDirectory> {
        let directory = path.parent().filter(|parent| !parent.as_os_str().is_empty());
        let directory = directory.map_or_else(|| PathBuf::from("."), Path::to_owned);
        let capture = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let mut found = Vec::new();
        for entry in fs::read_dir(&directory)? {
            let entry = entry?;
            let Some(name) = PieceName::parse(&entry.file_name().to_string_lossy()) else {
                continue;
            };
            if name.capture == capture
                && let Ok(meta) = entry.metadata()
                && meta.is_file()
            {
                found.push((name.number, (entry.path(), name.started, meta.len())));
            }
        }
        found.sort();
        let next = found.last().map_or(1, |(number, _)| number.saturating_add(1));
        let closed = found.into_iter().map(|(_, piece)| piece).collect();
        Ok(PieceDirectory { directory, capture, keep, closed, open: Vec::new(), next })
    }

    /// Whether the oldest has to go.
    fn is_too_much(&self, now: Timestamp, bytes: u64) -> bool {
        match self.keep {
            None => false,
            Some(Keep::Pieces(count)) => self.closed.len() + self.open.len() > count,
            Some(Keep::Bytes(limit)) => {
                let all: u64 = self.closed.iter().map(|(_, _, bytes)| bytes).sum();
                all.saturating_add(bytes) > limit
            }
            Some(Keep::Age(age)) => {
                // A piece ends where the next one begins.
                let open = self.open.first().map(|(_, started)| started);
                let end = self.closed.get(1).map(|(_, started, _)| started).or(open);
                end.is_some_and(|&end| now.duration_since(end) > age)
            }
        }
    }
}

impl PieceStore<File> for PieceDirectory {
    fn next(&mut self, started: Timestamp) -> io::Result<(PathBuf, File)> {
        loop {
            let (capture, number) = (self.capture.clone(), self.next);
            let name = PieceName { capture, number, started }.file_name();
            let path = self.directory.join(name);
            match files::open_new(&path) {
                // Another watch writes under the same name.
                Err(error) if error.kind() == ErrorKind::AlreadyExists => self.next += 1,
                Err(error) => return Err(error),
                Ok(file) => {
                    self.next += 1;
                    self.open.push((path.clone(), started));
                    return Ok((path, file));
                }
            }
        }
    }

    fn abandoned(&mut self) {
        if let Some((path, _)) = self.open.pop() {
            // If it cannot be removed, it stays empty, and the next piece gets another number.
            let _ = fs::remove_file(path);
            self.next -= 1;
        }
    }

    fn closed(&mut self, path: &Path, bytes: u64) {
        if let Some(at) = self.open.iter().position(|(open, _)| open == path) {
            let (path, started) = self.open.remove(at);
            self.closed.push((path, started, bytes));
        }
    }

    fn prune(&mut self, now: Timestamp, bytes: u64) -> Result<(), (PathBuf, io::Error)> {
        while !self.closed.is_empty() && self.is_too_much(now, bytes) {
            let (path, _, _) = self.closed.remove(0);
            match fs::remove_file(&path) {
                Err(error) if error.kind() != ErrorKind::NotFound => return Err((path, error)),
                _ => {}
            }
        }
        Ok(())
    }
}

/// When a piece of a capture is full.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Roll {
    /// At this length of the file, in bytes as written.
    Bytes(u64),
    /// When it spans this much trunk time.
    Time(Nanos),
}

/// Which pieces are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Keep {
    /// This many, with the one that is being written.
    Pieces(usize),
    /// This many bytes in all, with the one that is being written.
    Bytes(u64),
    /// Those that are not older than this.
    Age(SignedDuration),
}

/// The smallest piece, so that a directory does not fill with files.
const LEAST_BYTES: u64 = 100_000;
const LEAST_TIME: SignedDuration = SignedDuration::from_secs(1);

/// Why a text names no size, time or number for pieces.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ExtentError {
    /// No size or time.
    #[error("give a size or a time, for example 100MB or 1h")]
    Roll,
    /// Below the smallest size.
    #[error("give 100kB or more")]
    TooFewBytes,
    /// Below the shortest time.
    #[error("give 1s or more")]
    TooShort,
    /// No number, size or age.
    #[error("give a number of files, a size or an age, for example 48, 10GB or 30d")]
    Keep,
}

impl FromStr for Roll {
    type Err = ExtentError;

    fn from_str(text: &str) -> Result<Roll, ExtentError> {
        if let Some(bytes) = size(text) {
            return if bytes < LEAST_BYTES {
                Err(ExtentError::TooFewBytes)
            } else {
                Ok(Roll::Bytes(bytes))
            };
        }
        let time = time(text).ok_or(ExtentError::Roll)?;
        if time < LEAST_TIME {
            return Err(ExtentError::TooShort);
        }
        i64::try_from(time.as_nanos())
            .map(|ns| Roll::Time(Nanos(ns)))
            .map_err(|_| ExtentError::Roll)
    }
}

impl FromStr for Keep {
    type Err = ExtentError;

    fn from_str(text: &str) -> Result<Keep, ExtentError> {
        if let Ok(count) = text.parse() {
            return if count == 0 { Err(ExtentError::Keep) } else { Ok(Keep::Pieces(count)) };
        }
        if let Some(bytes) = size(text) {
            return Ok(Keep::Bytes(bytes));
        }
        time(text).filter(|age| age.is_positive()).map(Keep::Age).ok_or(ExtentError::Keep)
    }
}

/// A size in bytes: 512kB, 100MB, 1.5GB, 64MiB.
pub fn size(text: &str) -> Option<u64> {
    let unit_at = text.find(|c: char| c.is_ascii_alphabetic())?;
    let (number, unit) = text.split_at(unit_at);
    let unit: f64 = match unit.to_ascii_lowercase().as_str() {
        "b" => 1.0,
        "kb" => 1e3,
        "mb" => 1e6,
        "gb" => 1e9,
        "tb" => 1e12,
        "kib" => 1024.0,
        "mib" => 1024.0 * 1024.0,
        "gib" => 1024.0 * 1024.0 * 1024.0,
        _ => return None,
    };
    let bytes = number.trim_end().parse::<f64>().ok()? * unit;
    (1.0..1e18).contains(&bytes).then_some(bytes as u64)
}

/// A time: 90s, 1h, 30d; a day has 24 hours.
fn time(text: &str) -> Option<SignedDuration> {
    let span: Span = text.parse().ok()?;
    span.to_duration(SpanRelativeTo::days_are_24_hours()).ok()
}

#[cfg(test)]
mod tests {
    use jiff::SignedDuration;

    use super::*;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_772_433_000 + second).unwrap()
    }

    fn left(directory: &Path) -> Vec<u64> {
        let names = fs::read_dir(directory).unwrap().map(|entry| entry.unwrap().file_name());
        let mut left: Vec<u64> =
            names.map(|name| PieceName::parse(name.to_str().unwrap()).unwrap().number).collect();
        left.sort_unstable();
        left
    }

    /// Six pieces of 100 bytes, one each minute.
    fn kept(keep: &str) -> Vec<u64> {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("line3.jsonl");
        let mut series = PieceDirectory::open(&path, Some(keep.parse().unwrap())).unwrap();
        for minute in 0..6 {
            let (piece, _) = series.next(at(60 * minute)).unwrap();
            series.prune(at(60 * minute + 59), 100).unwrap();
            series.closed(&piece, 100);
        }
        left(directory.path())
    }

    #[test]
    fn what_is_too_much_goes_the_oldest_first() {
        assert_eq!(kept("3"), [4, 5, 6]);
        assert_eq!(kept("350B"), [4, 5, 6]);
        assert_eq!(kept("2m"), [4, 5, 6]);
        assert_eq!(kept("10GB"), [1, 2, 3, 4, 5, 6]);
        // The one that is being written stays, whatever its size.
        assert_eq!(kept("1B"), [6]);
    }

    #[test]
    fn a_watch_that_starts_again_goes_on_counting_and_removing() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("line3.jsonl");
        let other = directory.path().join("other-000009-20260302T063000Z.jsonl");
        fs::write(&other, "x").unwrap();
        for start in 0..3 {
            let mut series = PieceDirectory::open(&path, Some(Keep::Pieces(2))).unwrap();
            series.next(at(100 * start)).unwrap();
            series.prune(at(100 * start), 0).unwrap();
        }
        assert!(other.exists());
        fs::remove_file(other).unwrap();
        assert_eq!(left(directory.path()), [2, 3]);
        // Older than that are only those which end before: the one before may still reach there.
        let day = Keep::Age(SignedDuration::from_hours(24));
        let mut series = PieceDirectory::open(&path, Some(day)).unwrap();
        series.next(at(100_000)).unwrap();
        series.prune(at(100_000), 0).unwrap();
        assert_eq!(left(directory.path()), [3, 4]);
    }

    #[test]
    fn sizes_and_times_as_people_write_them() {
        for (text, roll) in [
            ("100MB", Roll::Bytes(100_000_000)),
            ("1.5 GB", Roll::Bytes(1_500_000_000)),
            ("256KiB", Roll::Bytes(262_144)),
            ("1h", Roll::Time(Nanos(3_600_000_000_000))),
            ("2 days", Roll::Time(Nanos(172_800_000_000_000))),
        ] {
            assert_eq!(text.parse(), Ok(roll), "{text}");
        }
        for wrong in ["", "100", "0MB", "1kB", "-1h", "0s", "10ms", "1 furlong", "NaNGB", "1e99GB"]
        {
            assert!(wrong.parse::<Roll>().is_err(), "{wrong:?}");
        }
        for (text, keep) in [
            ("48", Keep::Pieces(48)),
            ("10GB", Keep::Bytes(10_000_000_000)),
            ("30d", Keep::Age(SignedDuration::from_hours(720))),
        ] {
            assert_eq!(text.parse(), Ok(keep), "{text}");
        }
        for wrong in ["", "0", "-3", "many", "0s", "1y", "0B"] {
            assert!(wrong.parse::<Keep>().is_err(), "{wrong:?}");
        }
    }
}
