//! The thread that writes a capture: from the queue into its pieces, through outages.

use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};

use super::extent::{Keep, Roll};
use super::piece::{CapturePiece, Sink};
use super::queue::{Dropped, QueueItem, WriterQueue};
use super::series::{PieceFate, PieceStore, WatchTime};
use crate::source::Complaints;
use crate::wire::{Header, Nanos, Record, Tally, What};

/// How a capture is written.
#[derive(Debug, Clone)]
pub struct WriterOptions {
    /// Replace a file that exists.
    pub overwrite: bool,
    /// The most memory, in bytes, for records that wait for the disk.
    pub queue_bytes: usize,
    /// The longest time until records are safe against a power cut.
    pub sync_every: Duration,
    /// How soon writing is tried again after it failed.
    pub retry_every: Duration,
    /// How it comes in pieces; `None`: one file of the name given.
    pub pieces: Option<Pieces>,
}

/// How a capture comes in pieces, one beginning where the one before ends.
#[derive(Debug, Clone, Default)]
pub struct Pieces {
    /// When a piece is full.
    pub roll: Option<Roll>,
    /// Which are kept; all without.
    pub keep: Option<Keep>,
    /// Whether the first piece, like every one after [`super::CaptureWriter::cut`], is made only
    /// when there is a record for it.
    pub on_demand: bool,
}

impl Default for WriterOptions {
    /// 256 MB of memory, safe after half a second, tried again after one.
    fn default() -> WriterOptions {
        WriterOptions {
            overwrite: false,
            queue_bytes: 256_000_000,
            sync_every: Duration::from_millis(500),
            retry_every: Duration::from_secs(1),
            pieces: None,
        }
    }
}

/// The state of the writing, for the thread that watches.
#[derive(Debug, Default)]
pub(super) struct WriterState {
    pub(super) bytes: AtomicU64,
    pub(super) lost: AtomicU64,
    pub(super) failing: AtomicBool,
}

/// The account that the thread gives when it ends.
#[derive(Debug, Default)]
pub struct WriterOutcome {
    pub bytes: u64,
    pub pieces: u64,
    /// The file of the only piece.
    pub only: Option<PathBuf>,
    pub tally: Tally,
    pub lost: u64,
    pub failures: u64,
    pub end: Option<Record>,
}

pub struct WriterThread<S> {
    /// What is being written; none before the first record where pieces come on demand.
    piece: Option<CapturePiece<S>>,
    /// The one before: it has come to its end and is being made safe.
    ended: Option<CapturePiece<S>>,
    /// Where the next pieces come from.
    store: Option<Box<dyn PieceStore<S>>>,
    roll: Option<Roll>,
    header: Header,
    queue: Arc<WriterQueue>,
    progress: Arc<WriterState>,
    /// All that was handed over.
    tally: Tally,
    /// What is in the pieces that are closed.
    closed: Tally,
    closed_bytes: u64,
    pieces: u64,
    only: Option<PathBuf>,
    /// Frames that found no room in the queue.
    dropped: u64,
    failures: u64,
    now: Nanos,
    began: Instant,
    /// When the piece being written was begun.
    piece_began: Instant,
    synced: Instant,
    /// The watch has ended and the disk takes nothing: the rest is only counted.
    given_up: bool,
    options: WriterOptions,
    complaints: Complaints,
    messages: mpsc::Sender<String>,
}

impl<S: Sink> WriterThread<S> {
    pub fn new(
        path: &Path,
        first: Option<CapturePiece<S>>,
        store: Option<Box<dyn PieceStore<S>>>,
        header: &Header,
        (queue, progress): (Arc<WriterQueue>, Arc<WriterState>),
        options: &WriterOptions,
        messages: mpsc::Sender<String>,
    ) -> WriterThread<S> {
        WriterThread {
            pieces: u64::from(first.is_some()),
            only: first.as_ref().map(|piece| piece.path().to_owned()),
            piece: first,
            ended: None,
            store,
            roll: options.pieces.as_ref().and_then(|pieces| pieces.roll),
            header: header.clone(),
            queue,
            progress,
            tally: Tally::default(),
            closed: Tally::default(),
            closed_bytes: 0,
            dropped: 0,
            failures: 0,
            now: Nanos::ZERO,
            began: Instant::now(),
            piece_began: Instant::now(),
            synced: Instant::now(),
            given_up: false,
            options: options.clone(),
            complaints: Complaints::new(path.display()),
            messages,
        }
    }

    /// Writes until the queue is finished.
    pub fn run(mut self) -> WriterOutcome {
        self.prune();
        let end = loop {
            let due = self.synced + self.options.sync_every;
            let idle =
                self.piece.as_ref().is_none_or(CapturePiece::is_safe) && self.ended.is_none();
            match self.queue.take((!idle).then_some(due)) {
                QueueItem::Records(records) => self.gather(&records),
                QueueItem::Dropped(dropped) => self.gather_dropped(dropped),
                QueueItem::Cut(t) => self.end_piece(t),
                QueueItem::Nothing => {}
                QueueItem::Finished(t) => break t,
            }
            if self.piece.as_ref().is_some_and(CapturePiece::is_at_risk) {
                self.prune();
                self.insist(Self::sync);
            } else if Instant::now() >= due {
                self.prune();
                self.insist(Self::keep_up);
            } else if self.piece.as_ref().is_some_and(CapturePiece::is_due) {
                self.insist(|thread| thread.piece.as_mut().map_or(Ok(()), CapturePiece::write));
            }
        };
        // What was begun before the end may still fail, and is tried again as ever.
        if self.ended.iter().chain(&self.piece).any(CapturePiece::is_syncing) {
            self.insist(Self::sync);
        }
        if !self.given_up
            && let Err(error) = self.close(end)
        {
            self.failures += 1;
            self.say(reason(&error));
            self.given_up = true;
        }
        if self.given_up {
            self.say("what waited in memory is lost; the capture ends without it");
        }
        self.complaints.close();
        self.tell();
        let received = |tally: Tally| tally.frames + tally.error_frames;
        let there = || self.ended.iter().chain(&self.piece);
        let in_file = there().fold(self.closed, |all, piece| all.plus(piece.in_file()));
        let end = end.map(|t| Record { t, what: What::End(Box::new(self.tally)) });
        WriterOutcome {
            bytes: self.length(),
            pieces: self.pieces,
            only: self.only.filter(|_| self.pieces == 1),
            tally: in_file,
            lost: self.dropped + received(self.tally) - received(in_file),
            failures: self.failures,
            end: end.filter(|_| !self.given_up),
        }
    }

    fn gather(&mut self, records: &[Record]) {
        for record in records {
            if !matches!(record.what, What::End(_)) {
                self.take(record);
            }
        }
    }

    fn take(&mut self, record: &Record) {
        self.now = record.t;
        if self.is_full(record.t) {
            self.roll(record.t);
        }
        if self.piece.is_none() {
            self.insist(|thread| thread.begin_piece(record.t));
        }
        self.tally.add(&record.what);
        if let Some(piece) = &mut self.piece
            && !self.given_up
        {
            piece.add(record);
        }
    }

    fn gather_dropped(&mut self, dropped: Dropped) {
        let Dropped { t, here, before } = dropped;
        self.dropped += here;
        self.progress.lost.store(self.dropped, Ordering::Relaxed);
        self.take(&Record { t, what: What::Lost(here.saturating_add(before)) });
        if here > 0 {
            self.say(format_args!(
                "{here} frames are missing from the capture at {:.3} s, not from the watch: the \
                 disk did not take them in time",
                t.as_secs()
            ));
        }
    }

    /// Whether the piece being written ends before a record of this time. A clock that was set back
    /// makes no piece longer: then it ends by one that only goes forward.
    fn is_full(&self, t: Nanos) -> bool {
        match (&self.piece, self.roll) {
            (Some(piece), Some(Roll::Time(most))) => {
                let set_back = piece.begins().since(t).is_some_and(|back| back > CLOCK_STEP);
                let elapsed = self.piece_began.elapsed().as_nanos();
                t.since(piece.begins()).is_some_and(|span| span >= most)
                    || set_back
                    || elapsed >= most.0.unsigned_abs().into()
            }
            (Some(piece), Some(Roll::Bytes(most))) => piece.length_to_be() >= most,
            _ => false,
        }
    }

    /// Goes on in the next piece. That is begun before the `end` of this one is written: whoever is
    /// killed between leaves a capture that is seen not to be complete.
    fn roll(&mut self, t: Nanos) {
        let full = self.piece.take();
        self.insist(|thread| thread.begin_piece(t));
        let next = std::mem::replace(&mut self.piece, full);
        if !self.given_up {
            self.end_piece(t);
        }
        if !self.given_up {
            self.piece = next;
        }
    }

    fn begin_piece(&mut self, t: Nanos) -> io::Result<()> {
        let header = Header { started: self.at(t), ..self.header.clone() };
        let Some(store) = &mut self.store else { return Ok(()) };
        let (path, sink) = store.next(header.started)?;
        match CapturePiece::new(&path, sink, &header, t) {
            Ok(piece) => {
                self.pieces += 1;
                self.piece_began = Instant::now();
                self.only.get_or_insert(path);
                self.piece = Some(piece);
                Ok(())
            }
            Err(error) => {
                store.abandoned();
                Err(error)
            }
        }
    }

    /// Ends the piece being written, if there is one, with an `end` of this time.
    fn end_piece(&mut self, t: Nanos) {
        if self.given_up {
            return;
        }
        let Some(piece) = &mut self.piece else { return };
        if let Err(error) = piece.end(Some(t)) {
            self.failures += 1;
            self.say(reason(&error));
        }
        // One at a time: the one before has had the time of a whole piece.
        self.insist(|thread| thread.settle(true));
        self.insist(Self::keep_up);
        if self.given_up {
            return;
        }
        let now = self.watch_time();
        if let Some(piece) = &self.piece
            && let Some(store) = &mut self.store
        {
            store.closed(piece.path(), piece.length(), now);
        }
        self.ended = self.piece.take();
        self.prune();
    }

    /// Lets go of the piece before, once it is safe; `wait`: until it is.
    fn settle(&mut self, wait: bool) -> io::Result<()> {
        let Some(piece) = &mut self.ended else { return Ok(()) };
        if wait {
            piece.sync()?
        } else {
            piece.keep_up()?
        }
        if piece.is_safe() {
            self.closed = self.closed.plus(piece.in_file());
            self.closed_bytes += piece.length();
            self.ended = None;
        }
        Ok(())
    }

    /// The last words of a watch that ends: tried once.
    fn close(&mut self, end: Option<Nanos>) -> io::Result<()> {
        if let Some(piece) = &mut self.piece {
            piece.end(end)?;
        }
        self.prune();
        self.sync()
    }

    /// Writes what there is and makes it safe, without waiting for a disk that takes long for
    /// that: at most one such attempt is under way. One that failed is waited for.
    fn keep_up(&mut self) -> io::Result<()> {
        if self.progress.failing.load(Ordering::Relaxed) {
            return self.sync();
        }
        self.synced = Instant::now();
        self.piece.as_mut().map_or(Ok(()), CapturePiece::keep_up)?;
        self.settle(false)?;
        self.progress.bytes.store(self.length(), Ordering::Relaxed);
        Ok(())
    }

    /// The same, and waits until it is safe.
    fn sync(&mut self) -> io::Result<()> {
        self.synced = Instant::now();
        self.piece.as_mut().map_or(Ok(()), CapturePiece::sync)?;
        self.settle(true)?;
        self.progress.bytes.store(self.length(), Ordering::Relaxed);
        Ok(())
    }

    /// How long all pieces are.
    fn length(&self) -> u64 {
        let there = self.ended.iter().chain(&self.piece);
        self.closed_bytes + there.map(CapturePiece::length).sum::<u64>()
    }

    /// Removes what is not to be kept, and says so.
    fn prune(&mut self) {
        let now = self.watch_time();
        let length = self.piece.as_ref().map_or(0, CapturePiece::length_to_be);
        let Some(store) = &mut self.store else { return };
        let mut removed = Vec::new();
        for (path, fate) in store.prune(now, length) {
            let name = path.display();
            match fate {
                PieceFate::Removed => removed.push(path),
                PieceFate::NoPiece => {
                    self.say(format_args!("{name} has the name of a piece and is none; it stays"));
                }
                PieceFate::InUse => {
                    self.say(format_args!("{name} is written by another program; it stays"));
                }
                PieceFate::Failed(error) => {
                    self.say(format_args!(
                        "{name} is not to be kept and cannot be removed: {error}"
                    ));
                }
            }
        }
        let name = |path: &PathBuf| path.file_name().unwrap_or_default().display().to_string();
        match &removed[..] {
            [] => return,
            [one] => {
                self.complaints.note(format_args!("{} is not to be kept: removed", name(one)));
            }
            [first, .., last] => {
                let (count, first, last) = (removed.len(), name(first), name(last));
                self.complaints.note(format_args!(
                    "{count} pieces are not to be kept: removed, from {first} to {last}"
                ));
            }
        }
        self.tell();
    }

    fn watch_time(&self) -> WatchTime {
        WatchTime { stamp: self.at(self.now), elapsed: self.began.elapsed() }
    }

    /// A time of the trunk as that of the clock.
    fn at(&self, t: Nanos) -> Timestamp {
        self.header
            .started
            .saturating_add(SignedDuration::from_nanos(t.0))
            .unwrap_or(Timestamp::MAX)
    }

    /// Takes a step again and again, until the disk lets it or the watch ends. Meanwhile the
    /// queue fills up to its bound.
    fn insist(&mut self, mut step: impl FnMut(&mut Self) -> io::Result<()>) {
        if self.given_up {
            return;
        }
        let Err(error) = step(self) else { return };
        self.failures += 1;
        let megabytes = self.options.queue_bytes / 1_000_000;
        self.say(format_args!(
            "{}; the watch goes on, up to {megabytes} MB of records wait in memory",
            reason(&error)
        ));
        self.progress.failing.store(true, Ordering::Relaxed);
        let retry = self.options.retry_every.max(Duration::from_millis(1));
        loop {
            let last = self.queue.wait(retry);
            if step(self).is_ok() {
                self.progress.failing.store(false, Ordering::Relaxed);
                return self.say("can be written again");
            }
            if last {
                self.given_up = true;
                return;
            }
        }
    }

    fn say(&mut self, what: impl std::fmt::Display) {
        self.complaints.say(what);
        self.tell();
    }

    fn tell(&mut self) {
        for message in self.complaints.take() {
            // Nobody listens once the watch was given up.
            let _ = self.messages.send(message);
        }
    }
}

/// By so much a time before that of the piece is a clock that was set back.
const CLOCK_STEP: Nanos = Nanos::SECOND;

/// The system's number for a disk that cannot do its work: EIO, ERROR_IO_DEVICE.
const DISK_FAILS: i32 = if cfg!(windows) { 1117 } else { 5 };

fn reason(error: &io::Error) -> String {
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::WriteZero => {
            "the disk is full: free some space".into()
        }
        ErrorKind::FileTooLarge => {
            "it would become longer than a file may here (see ulimit -f)".into()
        }
        ErrorKind::ReadOnlyFilesystem => {
            "the disk has become read-only: see in dmesg why, then remount it for writing".into()
        }
        _ if error.raw_os_error() == Some(DISK_FAILS) => {
            "the disk fails: see in dmesg why; it may have to be replaced".into()
        }
        _ => format!("cannot be written: {error}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_wrong_with_a_disk_is_named_as_such() {
        let full = io::Error::from_raw_os_error(28);
        assert_eq!(reason(&full), "the disk is full: free some space");
        let read_only = reason(&ErrorKind::ReadOnlyFilesystem.into());
        assert!(read_only.starts_with("the disk has become read-only: "));
        let fails = reason(&io::Error::from_raw_os_error(DISK_FAILS));
        assert!(fails.starts_with("the disk fails: "));
        assert!(reason(&io::Error::other("x")).starts_with("cannot be written"));
    }
}
