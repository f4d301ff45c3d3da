//! The files of a capture in pieces: made one after the other, and removed when they are not to be
//! kept. Only what is surely a closed piece of this capture is ever removed.

use std::fs::{File, TryLockError};
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;
use std::{fs, io};

use jiff::{SignedDuration, Timestamp};

use super::extent::Keep;
use super::piece::Sink;
use crate::output::files;
use crate::source::{PieceName, ReadOptions, open_reader};

/// A time by two clocks.
#[derive(Debug, Clone, Copy)]
pub struct WatchTime {
    /// By the clock of the frames, which may be set and may be wrong.
    pub stamp: Timestamp,
    /// Since the watch began, by one that only goes forward.
    pub elapsed: Duration,
}

/// Where the pieces of a capture go.
pub trait PieceStore<S: Sink>: Send {
    /// Makes the file of the next piece, which begins at this time.
    fn next(&mut self, started: Timestamp) -> io::Result<(PathBuf, S)>;

    /// Removes the piece that was made last: it could not be begun.
    fn abandoned(&mut self);

    /// Notes that the piece of that file has ended, with its length in bytes.
    fn closed(&mut self, path: &Path, bytes: u64, now: WatchTime);

    /// Removes the pieces that are not to be kept; `bytes` is the length of the piece being
    /// written. What became of each file that was to go; none is tried again.
    fn prune(&mut self, now: WatchTime, bytes: u64) -> Vec<(PathBuf, PieceFate)>;
}

/// What became of a file that has the name of a piece and was not to be kept.
#[derive(Debug)]
pub enum PieceFate {
    /// It is gone.
    Removed,
    /// It stays: it does not begin as the piece that its name says.
    NoPiece,
    /// It stays: another program writes it.
    InUse,
    /// It stays: it could not be removed.
    Failed(io::Error),
}

/// A clock that was wrong for a moment when the watch began is right again after this time.
const TRUST: Duration = Duration::from_secs(60);

/// The latest pieces of an earlier watch of which one may still be written by another.
const PERHAPS_OPEN: usize = 3;

/// A directory with the pieces of one capture.
#[derive(Debug)]
pub struct PieceDirectory {
    directory: PathBuf,
    capture: String,
    keep: Option<Keep>,
    /// Those that are closed, the oldest first.
    closed: Vec<ClosedPiece>,
    /// Those that are being written, the oldest first.
    open: Vec<(PathBuf, Timestamp)>,
    next: u64,
    /// When the watch began, by the earliest that its clock ever made of it.
    began: Option<Timestamp>,
}

#[derive(Debug)]
struct ClosedPiece {
    path: PathBuf,
    started: Timestamp,
    bytes: u64,
    ended: PieceEnd,
}

#[derive(Debug, Clone, Copy)]
enum PieceEnd {
    /// So long after this watch began.
    Here(Duration),
    /// In an earlier watch. When it began, and last changed, by the clock of that time.
    Earlier(Timestamp),
}

impl PieceDirectory {
    /// The pieces of the capture of this name. Those of an earlier watch are there to be kept or
    /// removed with the new ones.
    ///
    /// # Errors
    /// If the directory cannot be read, another watch writes pieces of this name, or the name is no
    /// text.
    pub fn open(path: &Path, keep: Option<Keep>) -> io::Result<PieceDirectory> {
        let directory = path.parent().filter(|parent| !parent.as_os_str().is_empty());
        let directory = directory.map_or_else(|| PathBuf::from("."), Path::to_owned);
        let Some(capture) = path.file_name().unwrap_or_default().to_str().map(str::to_owned) else {
            let what = "the name of a capture in pieces has to be UTF-8";
            return Err(io::Error::new(ErrorKind::InvalidInput, what));
        };
        let mut found = Vec::new();
        for entry in fs::read_dir(&directory)? {
            let entry = entry?;
            let file_name = entry.file_name();
            let Some(file_name) = file_name.to_str() else { continue };
            let Some(name) = PieceName::parse(file_name) else { continue };
            if name.capture == capture
                && name.file_name() == file_name
                && let Ok(metadata) = entry.metadata()
                && metadata.is_file()
            {
                let changed = metadata.modified().ok().and_then(|t| Timestamp::try_from(t).ok());
                let changed = changed.map_or(name.started, |changed| changed.max(name.started));
                let piece = ClosedPiece {
                    path: entry.path(),
                    started: name.started,
                    bytes: metadata.len(),
                    ended: PieceEnd::Earlier(changed),
                };
                found.push((name.number, piece));
            }
        }
        found.sort_by_key(|(number, piece)| (*number, piece.started));
        let next = found.last().map_or(1, |(number, _)| number.saturating_add(1));
        let closed: Vec<ClosedPiece> = found.into_iter().map(|(_, piece)| piece).collect();
        if let Some(piece) = closed.iter().rev().take(PERHAPS_OPEN).find(|p| is_written(&p.path)) {
            let path = piece.path.display();
            let what = format!("another watch writes {path}; give this one another name");
            return Err(io::Error::other(what));
        }
        let open = Vec::new();
        Ok(PieceDirectory { directory, capture, keep, closed, open, next, began: None })
    }

    /// Whether the oldest has to go.
    fn is_too_much(&self, now: WatchTime, bytes: u64) -> bool {
        match self.keep {
            None => false,
            Some(Keep::Pieces(count)) => self.closed.len() + self.open.len() > count,
            Some(Keep::Bytes(limit)) => {
                let all: u64 = self.closed.iter().map(|piece| piece.bytes).sum();
                all.saturating_add(bytes) > limit
            }
            Some(Keep::Age(age)) => self.age_of_oldest(now).is_some_and(|its| its > age),
        }
    }

    /// The least that the oldest may be old, whatever the clock was set to meanwhile. Of this watch,
    /// by the clock that only goes forward. Of an earlier one by three stamps, of which those that
    /// lie before this watch began are believed: its own, that of the piece after it, and that of
    /// its last change.
    fn age_of_oldest(&self, now: WatchTime) -> Option<SignedDuration> {
        let elapsed = |since: Duration| {
            SignedDuration::try_from(now.elapsed.saturating_sub(since)).unwrap_or_default()
        };
        let oldest = self.closed.first()?;
        match oldest.ended {
            PieceEnd::Here(ended) => Some(elapsed(ended)),
            PieceEnd::Earlier(_) if now.elapsed < TRUST => None,
            PieceEnd::Earlier(changed) => {
                let began = self.began?;
                let after = self.closed.get(1).map(|piece| piece.started);
                let ends = [Some(oldest.started), Some(changed), after];
                let ended = ends.into_iter().flatten().filter(|&end| end <= began).max();
                let before = ended.map_or(SignedDuration::ZERO, |end| began.duration_since(end));
                Some(before.saturating_add(elapsed(Duration::ZERO)))
            }
        }
    }

    fn hear(&mut self, now: WatchTime) {
        let elapsed = SignedDuration::try_from(now.elapsed).unwrap_or(SignedDuration::MAX);
        let began = now.stamp.saturating_sub(elapsed).unwrap_or(Timestamp::MIN);
        self.began = Some(self.began.map_or(began, |earlier| earlier.min(began)));
    }
}

impl PieceStore<File> for PieceDirectory {
    fn next(&mut self, started: Timestamp) -> io::Result<(PathBuf, File)> {
        loop {
            let (capture, number) = (self.capture.clone(), self.next);
            let name = PieceName { capture, number, started }.file_name();
            let path = self.directory.join(name);
            match files::open_new(&path) {
                // Somebody else made it meanwhile.
                Err(error) if error.kind() == ErrorKind::AlreadyExists => self.next += 1,
                Err(error) => return Err(error),
                Ok(file) => {
                    // Where a file system knows no locks, nobody is told that it is in use.
                    let _ = file.try_lock();
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

    fn closed(&mut self, path: &Path, bytes: u64, now: WatchTime) {
        if let Some(at) = self.open.iter().position(|(open, _)| open == path) {
            let (path, started) = self.open.remove(at);
            let ended = PieceEnd::Here(now.elapsed);
            self.closed.push(ClosedPiece { path, started, bytes, ended });
        }
    }

    fn prune(&mut self, now: WatchTime, bytes: u64) -> Vec<(PathBuf, PieceFate)> {
        self.hear(now);
        let mut gone = Vec::new();
        while !self.closed.is_empty() && self.is_too_much(now, bytes) {
            let piece = self.closed.remove(0);
            gone.extend(remove(&piece).map(|fate| (piece.path, fate)));
        }
        gone
    }
}

/// Removes a piece, if it is one; `None`: somebody else had removed it.
fn remove(piece: &ClosedPiece) -> Option<PieceFate> {
    let path = &piece.path;
    let metadata = match fs::symlink_metadata(path) {
        Err(error) if error.kind() == ErrorKind::NotFound => return None,
        Err(error) => return Some(PieceFate::Failed(error)),
        Ok(metadata) => metadata,
    };
    // One that is empty was never begun.
    let empty = metadata.is_file() && metadata.len() == 0;
    let begins_so = || {
        let reader = open_reader(path, &ReadOptions::default());
        reader.is_ok_and(|r| r.header().started.as_second() == piece.started.as_second())
    };
    if !metadata.is_file() || !empty && !begins_so() {
        return Some(PieceFate::NoPiece);
    }
    // One of this watch may still be locked: its last bytes are being made safe.
    if matches!(piece.ended, PieceEnd::Earlier(_)) && is_written(path) {
        return Some(PieceFate::InUse);
    }
    match fs::remove_file(path) {
        Ok(()) => Some(PieceFate::Removed),
        Err(error) if error.kind() == ErrorKind::NotFound => None,
        Err(error) => Some(PieceFate::Failed(error)),
    }
}

/// Whether another program writes a piece, which it then holds locked.
fn is_written(path: &Path) -> bool {
    File::open(path).is_ok_and(|file| matches!(file.try_lock(), Err(TryLockError::WouldBlock)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Header, write_header};

    const DAY: i64 = 86_400;

    fn stamp(second: i64) -> Timestamp {
        Timestamp::from_second(1_772_433_000 + second).unwrap()
    }

    /// So many seconds after the watch began, by a clock that is right.
    fn at(second: i64) -> WatchTime {
        wrong(second, 0)
    }

    /// By one that is wrong by so many seconds.
    fn wrong(second: i64, by: i64) -> WatchTime {
        WatchTime { stamp: stamp(second + by), elapsed: Duration::from_secs(second as u64) }
    }

    fn numbers(directory: &Path) -> Vec<u64> {
        let names = fs::read_dir(directory).unwrap().map(|entry| entry.unwrap().file_name());
        let mut left: Vec<u64> =
            names.map(|name| PieceName::parse(name.to_str().unwrap()).unwrap().number).collect();
        left.sort_unstable();
        left
    }

    fn begin(file: &mut File, started: Timestamp) {
        use std::io::Write;
        let mut bytes = Vec::new();
        write_header(&mut bytes, &Header::starting(started));
        file.write_all(&bytes).unwrap();
    }

    /// A piece of an earlier watch, last changed when it says that it began.
    fn earlier(directory: &Path, number: u64, started: Timestamp) -> PathBuf {
        let name = PieceName { capture: "line3.jsonl".into(), number, started };
        let path = directory.join(name.file_name());
        let mut file = File::create(&path).unwrap();
        begin(&mut file, started);
        let since = Duration::from_secs(started.as_second() as u64);
        file.set_modified(std::time::SystemTime::UNIX_EPOCH + since).unwrap();
        path
    }

    fn series(directory: &Path, keep: &str) -> PieceDirectory {
        let path = directory.join("line3.jsonl");
        PieceDirectory::open(&path, Some(keep.parse().unwrap())).unwrap()
    }

    /// Six pieces of 100 bytes, one each minute.
    fn kept(keep: &str) -> Vec<u64> {
        let directory = tempfile::tempdir().unwrap();
        let mut series = series(directory.path(), keep);
        for minute in 0..6 {
            let (piece, mut file) = series.next(stamp(60 * minute)).unwrap();
            begin(&mut file, stamp(60 * minute));
            let gone = series.prune(at(60 * minute + 59), 100);
            assert!(gone.iter().all(|(_, fate)| matches!(fate, PieceFate::Removed)), "{gone:?}");
            series.closed(&piece, 100, at(60 * minute + 60));
        }
        numbers(directory.path())
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
        for start in 0..3 {
            let mut series = series(directory.path(), "2");
            let (_, mut file) = series.next(stamp(100 * start)).unwrap();
            begin(&mut file, stamp(100 * start));
            series.prune(at(100 * start), 0);
        }
        assert_eq!(numbers(directory.path()), [2, 3]);
    }

    /// Ten years ahead for two seconds, at the start or later; a year back; never right at all.
    #[test]
    fn no_clock_that_is_wrong_removes_what_is_to_be_kept() {
        let directory = tempfile::tempdir().unwrap();
        for (number, day) in [(1, -40), (2, -29), (3, -1)] {
            earlier(directory.path(), number, stamp(day * DAY));
        }
        let ahead = 3650 * DAY;
        let mut series = series(directory.path(), "30d");
        assert!(series.prune(wrong(0, ahead), 0).is_empty());
        assert!(series.prune(wrong(2, 0), 0).is_empty());
        // The first one ended, at the latest, when the second one began.
        for (second, by) in [(61, 0), (62, ahead), (63, -365 * DAY), (DAY - 1, 0)] {
            assert!(series.prune(wrong(second, by), 0).is_empty(), "{second} {by}");
        }
        assert_eq!(numbers(directory.path()), [1, 2, 3]);
        drop(series);
        let mut series = self::series(directory.path(), "30d");
        assert_eq!(series.prune(at(DAY + 61), 0).len(), 1);
        assert_eq!(numbers(directory.path()), [2, 3]);

        // Since then it was never right: what it says of this watch's own pieces does not count.
        let mut series = self::series(directory.path(), "30d");
        let (piece, mut file) = series.next(stamp(ahead)).unwrap();
        begin(&mut file, stamp(ahead));
        series.closed(&piece, 10, wrong(60, ahead));
        fs::remove_file(directory.path().join(earlier(directory.path(), 2, stamp(-29 * DAY))))
            .unwrap();
        for second in [61, 30 * DAY] {
            series.prune(wrong(second, -365 * DAY), 0);
            assert!(piece.exists(), "{second}");
        }
        series.prune(wrong(30 * DAY + 61, -365 * DAY), 0);
        assert!(!piece.exists());
    }

    #[test]
    fn only_pieces_are_removed() {
        let directory = tempfile::tempdir().unwrap();
        let path = |name: &str| directory.path().join(name);
        let note = path("line3-000001-20260302T063000Z.jsonl");
        fs::write(&note, "Ask the night shift about this one.\n").unwrap();
        // Names that are never written, and those of others.
        let others = [
            "line3-1-20260302T063000Z.jsonl",
            "line3-0000002-20260302T063000Z.jsonl",
            "other-000009-20260302T063000Z.jsonl",
            "line3-000002-20260302T063000Z.jsonl.bak",
        ];
        others.iter().for_each(|name| fs::write(path(name), "x").unwrap());
        let empty = path("line3-000002-20260302T063000Z.jsonl");
        fs::write(&empty, "").unwrap();
        // A piece whose name says another time.
        let renamed = path("line3-000003-20260302T063000Z.jsonl");
        fs::rename(earlier(directory.path(), 7, stamp(-DAY)), &renamed).unwrap();
        let piece = earlier(directory.path(), 4, stamp(0));

        let mut series = series(directory.path(), "1");
        series.next(stamp(100)).unwrap();
        let gone = series.prune(at(100), 0);
        let fates: Vec<String> = gone.iter().map(|(_, fate)| format!("{fate:?}")).collect();
        assert_eq!(fates, ["NoPiece", "Removed", "NoPiece", "Removed"]);
        assert!(note.exists() && renamed.exists() && !empty.exists() && !piece.exists());
        assert!(others.iter().all(|name| path(name).exists()));
        // It is told once.
        assert!(series.prune(at(200), 0).is_empty());
    }

    #[test]
    fn what_another_watch_writes_is_left_to_it() {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("line3.jsonl");
        let mut first = PieceDirectory::open(&path, None).unwrap();
        // The other one was opened before there was anything to see.
        let mut second = series(directory.path(), "1");
        let (piece, mut file) = first.next(stamp(0)).unwrap();
        begin(&mut file, stamp(0));
        let refused = PieceDirectory::open(&path, None).unwrap_err().to_string();
        assert!(refused.contains("another watch writes"), "{refused}");
        second.next(stamp(1)).unwrap();
        second.closed.insert(
            0,
            ClosedPiece {
                path: piece.clone(),
                started: stamp(0),
                bytes: 10,
                ended: PieceEnd::Earlier(stamp(0)),
            },
        );
        let gone = second.prune(at(100), 0);
        assert!(matches!(gone[..], [(_, PieceFate::InUse)]), "{gone:?}");
        assert!(piece.exists());
    }
}
