//! Writes a capture on a thread of its own, so that a slow or full disk never holds up whoever
//! listens.
//!
//! What cannot be written waits in memory, up to a bound. Beyond it frames are dropped from
//! the capture, not from the watch, and counted: a `lost` record stands in their place.
//!
//! A capture may come in pieces: each is a capture in itself, with its own header, times from
//! its own beginning, and its own `end`; it begins at the very time at which the one before ends.

mod extent;
mod piece;
mod queue;
mod series;
#[cfg(test)]
mod tests;
mod writer_thread;

use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::sync::{Arc, mpsc};
use std::thread::JoinHandle;

use self::piece::{CapturePiece, Sink};
use self::queue::WriterQueue;
use self::series::{PieceDirectory, PieceStore};
use self::writer_thread::{WriterOutcome, WriterState, WriterThread};
use super::files::{CreateError, create};
use crate::wire::{Header, Nanos, Record, Tally};

pub use self::extent::{ExtentError, Keep, Roll, size};
pub use self::writer_thread::{Pieces, WriterOptions};

/// A capture being written.
pub struct CaptureWriter {
    path: PathBuf,
    queue: Arc<WriterQueue>,
    messages: mpsc::Receiver<String>,
    progress: Arc<WriterState>,
    thread: Option<JoinHandle<WriterOutcome>>,
}

/// What became of a capture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// The file; of several pieces the name that they share, which is no file.
    pub path: PathBuf,
    /// How many pieces there are.
    pub pieces: u64,
    /// How long it is in all.
    pub bytes: u64,
    /// What it holds in all, as the `end` record of a single file says it.
    pub tally: Tally,
    /// How many frames and error frames were received and are not in the file, because the
    /// disk was too slow, full or broken.
    pub lost_by_writer: u64,
    /// How often writing failed.
    pub failures: u64,
    /// The `end` record over all of it, where the disk took that: the capture is whole.
    pub end: Option<Record>,
    /// Messages that have not been shown yet; see [`CaptureWriter::messages`].
    pub messages: Vec<String>,
}

impl Written {
    /// Whether it has every frame that was received, to its end.
    pub fn is_whole(&self) -> bool {
        self.lost_by_writer == 0 && self.end.is_some()
    }
}

impl CaptureWriter {
    /// Makes the file and writes its header; packed with zstd if its name ends in `.zst`.
    ///
    /// # Errors
    /// One line that says why the file cannot be made.
    pub fn create(
        path: &Path,
        header: &Header,
        options: WriterOptions,
    ) -> Result<CaptureWriter, CreateError> {
        let failed = |error: io::Error| CreateError::new(path, error);
        let Some(pieces) = options.pieces.clone() else {
            let file = create(path, options.overwrite)?;
            return CaptureWriter::start(path, file, header, &options).map_err(|error| {
                if !options.overwrite {
                    // It was not there before. If it cannot be removed, it stays empty.
                    let _ = std::fs::remove_file(path);
                }
                failed(error)
            });
        };
        let mut series = PieceDirectory::open(path, pieces.keep).map_err(failed)?;
        if pieces.on_demand {
            // Whether a file can be made there is known now, not only when something happens.
            series.next(header.started).map_err(failed)?;
            series.abandoned();
            return CaptureWriter::run(path, None, Some(Box::new(series)), header, &options)
                .map_err(failed);
        }
        let (name, file) = series.next(header.started).map_err(failed)?;
        let first = CapturePiece::new_synced(&name, file, header).map_err(|error| {
            series.abandoned();
            CreateError::new(&name, error)
        })?;
        CaptureWriter::run(path, Some(first), Some(Box::new(series)), header, &options)
            .map_err(failed)
    }

    fn start(
        path: &Path,
        sink: impl Sink,
        header: &Header,
        options: &WriterOptions,
    ) -> io::Result<CaptureWriter> {
        let piece = CapturePiece::new_synced(path, sink, header)?;
        CaptureWriter::run(path, Some(piece), None, header, options)
    }

    fn run<S: Sink>(
        path: &Path,
        first: Option<CapturePiece<S>>,
        store: Option<Box<dyn PieceStore<S>>>,
        header: &Header,
        options: &WriterOptions,
    ) -> io::Result<CaptureWriter> {
        let queue = Arc::new(WriterQueue::new(options.queue_bytes));
        let (send, messages) = mpsc::channel();
        let progress = Arc::new(WriterState::default());
        let shared = (Arc::clone(&queue), Arc::clone(&progress));
        let thread = WriterThread::new(path, first, store, header, shared, options, send);
        let thread =
            std::thread::Builder::new().name("write capture".into()).spawn(|| thread.run())?;
        let path = path.to_owned();
        Ok(CaptureWriter { path, queue, messages, progress, thread: Some(thread) })
    }

    /// Hands records over to be written. It neither waits nor fails. `end` records are passed
    /// over: [`CaptureWriter::finish`] writes the capture's own.
    pub fn send(&mut self, records: &[Record]) {
        self.queue.push(records);
    }

    /// Ends the piece being written with an `end` of this time. The next record begins another
    /// one. Of use only where there are pieces.
    pub fn cut(&mut self, t: Nanos) {
        self.queue.cut(t);
    }

    /// How long the capture is so far, in bytes of all its files.
    pub fn bytes(&self) -> u64 {
        self.progress.bytes.load(Ordering::Relaxed)
    }

    /// How many frames are missing from it so far, because the disk did not take them.
    pub fn lost(&self) -> u64 {
        self.progress.lost.load(Ordering::Relaxed)
    }

    /// Whether writing fails at the moment.
    pub fn is_failing(&self) -> bool {
        self.progress.failing.load(Ordering::Relaxed)
    }

    /// Messages for the user since the last call, one line each, for standard error.
    pub fn messages(&mut self) -> Vec<String> {
        self.messages.try_iter().collect()
    }

    /// Writes all that waits and the `end` record, with the time given, and closes the file.
    /// It waits for the disk; a disk that fails is tried once more.
    pub fn finish(mut self, t: Nanos) -> Written {
        self.queue.finish(Some(t));
        let done = self.thread.take().and_then(|thread| thread.join().ok());
        let mut messages = self.messages();
        let done = done.unwrap_or_else(|| {
            // Only a panic can end the thread without its outcome.
            let name = self.path.display();
            messages.push(format!("{name}: the writer broke down; the capture is not whole"));
            WriterOutcome { failures: 1, ..WriterOutcome::default() }
        });
        Written {
            path: done.only.unwrap_or_else(|| self.path.clone()),
            pieces: done.pieces,
            bytes: done.bytes,
            tally: done.tally,
            lost_by_writer: done.lost,
            failures: done.failures,
            end: done.end,
            messages,
        }
    }
}

impl Drop for CaptureWriter {
    /// Dropped without an end: what waits is written, and the capture counts as cut off.
    fn drop(&mut self) {
        self.queue.finish(None);
        if let Some(thread) = self.thread.take() {
            // A panic of the thread was reported by the thread.
            let _ = thread.join();
        }
    }
}
