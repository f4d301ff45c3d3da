//! A capture in pieces: the files made for them, and how many are kept.

use std::fs::{self, File};
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::create;
use super::extent::Keep;
use super::tail::Sink;
use crate::source::PieceName;

/// Where the pieces of a capture go.
pub trait Shelf<S: Sink>: Send {
    /// Makes the file of the next piece, which begins at this time.
    fn next(&mut self, started: Timestamp) -> io::Result<(PathBuf, S)>;

    /// The piece that was made last cannot be begun: nothing is left of it.
    fn abandoned(&mut self);

    /// The piece of that file has come to its end, with so many bytes.
    fn closed(&mut self, path: &Path, bytes: u64);

    /// Removes what is not to be kept, now that the piece being written has so many bytes.
    ///
    /// # Errors
    /// The name of the file that cannot be removed, and why. It is not tried again.
    fn prune(&mut self, now: Timestamp, bytes: u64) -> Result<(), (PathBuf, io::Error)>;
}

/// A directory with the pieces of one capture.
#[derive(Debug)]
pub struct Series {
    directory: PathBuf,
    whole: String,
    keep: Option<Keep>,
    /// Those that are closed, the oldest first: file, beginning, length.
    closed: Vec<(PathBuf, Timestamp, u64)>,
    /// Those that are being written, the oldest first.
    open: Vec<(PathBuf, Timestamp)>,
    next: u64,
}

impl Series {
    /// The pieces of the capture of this name. Those of an earlier watch are there to be kept or
    /// removed with the new ones.
    ///
    /// # Errors
    /// If the directory cannot be read.
    pub fn open(path: &Path, keep: Option<Keep>) -> io::Result<Series> {
        let directory = path.parent().filter(|parent| !parent.as_os_str().is_empty());
        let directory = directory.map_or_else(|| PathBuf::from("."), Path::to_owned);
        let whole = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let mut found = Vec::new();
        for entry in fs::read_dir(&directory)? {
            let entry = entry?;
            let Some(name) = PieceName::of(&entry.file_name().to_string_lossy()) else { continue };
            if name.whole == whole
                && let Ok(meta) = entry.metadata()
                && meta.is_file()
            {
                found.push((name.number, (entry.path(), name.started, meta.len())));
            }
        }
        found.sort();
        let next = found.last().map_or(1, |(number, _)| number.saturating_add(1));
        let closed = found.into_iter().map(|(_, piece)| piece).collect();
        Ok(Series { directory, whole, keep, closed, open: Vec::new(), next })
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
                // Nothing in it is younger than the beginning of the next.
                let open = self.open.first().map(|(_, started)| started);
                let end = self.closed.get(1).map(|(_, started, _)| started).or(open);
                end.is_some_and(|&end| now.duration_since(end) > age)
            }
        }
    }
}

impl Shelf<File> for Series {
    fn next(&mut self, started: Timestamp) -> io::Result<(PathBuf, File)> {
        loop {
            let (whole, number) = (self.whole.clone(), self.next);
            let name = PieceName { whole, number, started }.file_name();
            let path = self.directory.join(name);
            match create::open(&path, false) {
                // Another watch writes to the same name; its pieces stand between ours.
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
            // If it cannot be removed, it stays empty, and the next one has another number.
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

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::SignedDuration;

    fn at(second: i64) -> Timestamp {
        Timestamp::from_second(1_772_433_000 + second).unwrap()
    }

    fn left(directory: &Path) -> Vec<u64> {
        let names = fs::read_dir(directory).unwrap().map(|entry| entry.unwrap().file_name());
        let mut left: Vec<u64> =
            names.map(|name| PieceName::of(name.to_str().unwrap()).unwrap().number).collect();
        left.sort_unstable();
        left
    }

    /// Six pieces of 100 bytes, one each minute.
    fn kept(keep: &str) -> Vec<u64> {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("line3.jsonl");
        let mut series = Series::open(&path, Some(keep.parse().unwrap())).unwrap();
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
            let mut series = Series::open(&path, Some(Keep::Pieces(2))).unwrap();
            series.next(at(100 * start)).unwrap();
            series.prune(at(100 * start), 0).unwrap();
        }
        assert!(other.exists());
        fs::remove_file(other).unwrap();
        assert_eq!(left(directory.path()), [2, 3]);
        // Older than that are only those which end before: the one before may still reach there.
        let day = Keep::Age(SignedDuration::from_hours(24));
        let mut series = Series::open(&path, Some(day)).unwrap();
        series.next(at(100_000)).unwrap();
        series.prune(at(100_000), 0).unwrap();
        assert_eq!(left(directory.path()), [3, 4]);
    }
}
