//! One file of a capture while it is written: lines gathered, packed and made safe. Its end is never
//! torn for long, whatever the disk does, and a disk that takes long to synchronise does not hold up
//! what is written meanwhile.

use std::fs::File;
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::sync::mpsc::{Receiver, RecvError, Sender, TryRecvError};
use std::{io, thread};

use crate::output::files::is_read_only;
use crate::source::Packer;
use crate::wire::{Header, Nanos, Record, Tally, What, write_header, write_record};

/// The bytes of text that are gathered before they are packed and written.
const GATHER: usize = 256 * 1024;

/// The bytes that may wait for the disk to confirm them, before a sync is forced.
const AT_RISK: usize = 8 * 1024 * 1024;

/// A file with a header of its own, whose times count from its own beginning.
pub struct CapturePiece<S> {
    path: PathBuf,
    tail: FileTail<S>,
    packer: Packer,
    /// Text not yet packed.
    lines: Vec<u8>,
    /// When it begins, in the time of the whole capture.
    begins: Nanos,
    /// What is in the text and all before it.
    tally: Tally,
    /// What is in the file.
    in_file: Tally,
    /// What is in the file and being made safe.
    syncing: Tally,
    /// What is safe on the disk.
    on_disk: Tally,
}

impl<S: Sink> CapturePiece<S> {
    /// Begins the first piece, and waits until its header is safe on the disk.
    ///
    /// # Errors
    /// If the disk does not take it.
    pub fn new_synced(path: &Path, sink: S, header: &Header) -> io::Result<CapturePiece<S>> {
        let mut piece = CapturePiece::new(path, sink, header, Nanos::ZERO)?;
        piece.sync()?;
        Ok(piece)
    }

    /// Begins a piece at this time of the whole capture, and writes its header.
    ///
    /// # Errors
    /// If the disk does not take it.
    pub fn new(
        path: &Path,
        sink: S,
        header: &Header,
        begins: Nanos,
    ) -> io::Result<CapturePiece<S>> {
        let mut lines = Vec::with_capacity(GATHER + GATHER / 4);
        write_header(&mut lines, header);
        let mut piece = CapturePiece {
            path: path.to_owned(),
            tail: FileTail::new(sink),
            packer: Packer::from_name(path),
            lines,
            begins,
            tally: Tally::default(),
            in_file: Tally::default(),
            syncing: Tally::default(),
            on_disk: Tally::default(),
        };
        piece.write()?;
        Ok(piece)
    }

    /// Its file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// When it begins, in the time of the whole capture.
    pub fn begins(&self) -> Nanos {
        self.begins
    }

    /// What is in the file.
    pub fn in_file(&self) -> Tally {
        self.in_file
    }

    /// How long the file is.
    pub fn length(&self) -> u64 {
        self.tail.length()
    }

    /// How long the file will be, as far as can be told before the text is packed.
    pub fn length_to_be(&self) -> u64 {
        let written = self.tail.length() + self.tail.not_written() as u64;
        match self.packer {
            Packer::Plain => written + self.lines.len() as u64,
            Packer::Zstd(_) => written,
        }
    }

    /// Whether all of it is safe on the disk.
    pub fn is_safe(&self) -> bool {
        self.lines.is_empty() && self.tail.at_risk() == 0
    }

    /// Whether some of it is being made safe just now.
    pub fn is_syncing(&self) -> bool {
        self.tail.is_syncing()
    }

    /// Whether more is at risk than should be.
    pub fn is_at_risk(&self) -> bool {
        self.tail.at_risk() > AT_RISK
    }

    /// Whether there is enough text to be written.
    pub fn is_due(&self) -> bool {
        self.lines.len() >= GATHER
    }

    /// Adds a record to the text.
    pub fn add(&mut self, record: &Record) {
        self.tally.add(&record.what);
        if self.begins == Nanos::ZERO {
            return write_record(&mut self.lines, record);
        }
        let t = Nanos(record.t.0.saturating_sub(self.begins.0));
        write_record(&mut self.lines, &Record { t, what: record.what.clone() });
    }

    /// Adds the `end`, if it comes to a clean one, and what closes the file; [`CapturePiece::sync`]
    /// writes them.
    ///
    /// # Errors
    /// If it cannot be packed.
    pub fn end(&mut self, t: Option<Nanos>) -> io::Result<()> {
        if let Some(t) = t {
            self.add(&Record { t, what: What::End(Box::new(self.tally)) });
        }
        self.pack()?;
        self.packer.end(self.tail.pending())
    }

    /// Writes the text to the file.
    ///
    /// # Errors
    /// As [`FileTail::write`]; nothing of it is lost.
    pub fn write(&mut self) -> io::Result<()> {
        self.pack()?;
        self.tail.write()?;
        self.in_file = self.tally;
        Ok(())
    }

    /// Writes the text, and goes on making it safe against a power cut without waiting for that.
    ///
    /// # Errors
    /// As [`FileTail::write`] and [`FileTail::end_sync`]; nothing of it is lost.
    pub fn keep_up(&mut self) -> io::Result<()> {
        self.write()?;
        self.end_sync(false)?;
        if self.tail.begin_sync()? {
            self.syncing = self.in_file;
        }
        Ok(())
    }

    /// Writes the text and makes it safe against a power cut.
    ///
    /// # Errors
    /// As [`FileTail::write`] and [`FileTail::end_sync`]; nothing of it is lost.
    pub fn sync(&mut self) -> io::Result<()> {
        self.end_sync(true)?;
        self.keep_up()?;
        self.end_sync(true)
    }

    fn end_sync(&mut self, wait: bool) -> io::Result<()> {
        match self.tail.end_sync(wait) {
            Ok(true) => self.on_disk = self.syncing,
            Ok(false) => {}
            Err(error) => {
                self.in_file = self.on_disk;
                return Err(error);
            }
        }
        Ok(())
    }

    fn pack(&mut self) -> io::Result<()> {
        if !self.lines.is_empty() {
            self.packer.pack(&self.lines, self.tail.pending())?;
            self.lines.clear();
        }
        Ok(())
    }
}

/// Where bytes go: a file, or in tests one that is slow, full or broken.
pub trait Sink: Send + 'static {
    /// Writes all of it at the end, or fails and may have written a part.
    fn write(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// What makes all that was written until it is called outlive a power cut; on any thread.
    ///
    /// # Errors
    /// If there is no second handle to be had.
    fn syncer(&self) -> io::Result<SyncCall>;

    /// Cuts the file back to so many bytes; writing goes on there.
    fn cut(&mut self, length: u64) -> io::Result<()>;
}

impl Sink for File {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write_all(bytes)
    }

    fn syncer(&self) -> io::Result<SyncCall> {
        let twin = self.try_clone()?;
        Ok(Box::new(move || {
            twin.sync_data()?;
            // Where ext4 was made read-only in an emergency, writing and syncing still succeed, and
            // nothing reaches the disk (seen with Linux 6.1).
            if is_read_only(&twin) {
                return Err(io::ErrorKind::ReadOnlyFilesystem.into());
            }
            Ok(())
        }))
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.set_len(length)?;
        self.seek(SeekFrom::Start(length)).map(|_| ())
    }
}

/// The end of a file, kept until the disk has confirmed it, so that it can be written again: a disk
/// that is full for a while costs nothing.
pub struct FileTail<S> {
    sink: S,
    /// The length that is safe on the disk.
    synced: u64,
    /// What follows it, whole lines or blocks.
    unsafe_bytes: Vec<u8>,
    /// How much of that is written.
    written: usize,
    /// How much of that is being made safe.
    syncing: Option<usize>,
    syncer: Option<Syncer>,
    /// A part of a line or block may follow in the file; it must be cut off first.
    torn: bool,
}

impl<S: Sink> FileTail<S> {
    /// For an empty file.
    pub fn new(sink: S) -> FileTail<S> {
        FileTail {
            sink,
            synced: 0,
            unsafe_bytes: Vec::new(),
            written: 0,
            syncing: None,
            syncer: None,
            torn: false,
        }
    }

    /// Where to append whole lines or blocks to be written.
    pub fn pending(&mut self) -> &mut Vec<u8> {
        &mut self.unsafe_bytes
    }

    /// How many bytes are not yet safe on the disk.
    pub fn at_risk(&self) -> usize {
        self.unsafe_bytes.len()
    }

    /// Whether something is being made safe.
    pub fn is_syncing(&self) -> bool {
        self.syncing.is_some()
    }

    /// How many bytes are not yet handed to the system.
    pub fn not_written(&self) -> usize {
        self.unsafe_bytes.len() - self.written
    }

    /// How long the file is, in whole lines or blocks.
    pub fn length(&self) -> u64 {
        self.synced + self.written as u64
    }

    /// Hands to the system what is pending.
    ///
    /// # Errors
    /// The file then ends with the last whole line or block that it took; all else is kept
    /// and written by the next call.
    pub fn write(&mut self) -> io::Result<()> {
        self.mend()?;
        if self.written == self.unsafe_bytes.len() {
            return Ok(());
        }
        if let Err(error) = self.sink.write(&self.unsafe_bytes[self.written..]) {
            self.torn = true;
            // If it cannot be cut now, the next call will try again first.
            let _ = self.mend();
            return Err(error);
        }
        self.written = self.unsafe_bytes.len();
        Ok(())
    }

    /// Begins to make safe against a power cut what is written, and does not wait for it; `false`
    /// where there is nothing to begin with, or that is going on.
    ///
    /// # Errors
    /// If it cannot be begun.
    pub fn begin_sync(&mut self) -> io::Result<bool> {
        if self.syncing.is_some() || self.written == 0 {
            return Ok(false);
        }
        let syncer = match self.syncer.take() {
            Some(syncer) => syncer,
            None => Syncer::new(self.sink.syncer()?)?,
        };
        syncer.begin();
        self.syncer = Some(syncer);
        self.syncing = Some(self.written);
        Ok(true)
    }

    /// Whether no sync is under way any more; `wait` waits until that is so.
    ///
    /// # Errors
    /// If the disk took the bytes and then could not keep them: they will be written again.
    pub fn end_sync(&mut self, wait: bool) -> io::Result<bool> {
        let (Some(length), Some(syncer)) = (self.syncing, &self.syncer) else { return Ok(true) };
        let Some(result) = syncer.ended(wait) else { return Ok(false) };
        self.syncing = None;
        if let Err(error) = result {
            self.written = 0;
            self.torn = true;
            let _ = self.mend();
            return Err(error);
        }
        self.synced += length as u64;
        self.unsafe_bytes.drain(..length);
        self.written -= length;
        Ok(true)
    }

    fn mend(&mut self) -> io::Result<()> {
        if self.torn {
            self.sink.cut(self.length())?;
            self.torn = false;
        }
        Ok(())
    }
}

/// Makes safe all that was written until it is called.
pub type SyncCall = Box<dyn FnMut() -> io::Result<()> + Send>;

/// The thread of one file.
pub struct Syncer {
    ask: Sender<()>,
    done: Receiver<io::Result<()>>,
}

impl Syncer {
    /// Starts the thread. It ends once this is dropped and the sync under way is done.
    ///
    /// # Errors
    /// If there is no thread to be had.
    pub fn new(mut sync: SyncCall) -> io::Result<Syncer> {
        let (ask, asked) = mpsc::channel();
        let (tell, done) = mpsc::channel();
        let work = move || {
            for () in asked {
                if tell.send(sync()).is_err() {
                    return;
                }
            }
        };
        thread::Builder::new().name("sync capture".into()).spawn(work)?;
        Ok(Syncer { ask, done })
    }

    /// Begins to make safe what is written.
    pub fn begin(&self) {
        // If the thread broke down, the answer says so.
        let _ = self.ask.send(());
    }

    /// How the sync ended; `None` if it goes on. `wait` waits until it has ended.
    pub fn ended(&self, wait: bool) -> Option<io::Result<()>> {
        let broke_down = || Some(Err(io::Error::other("the thread that syncs broke down")));
        match wait {
            true => self.done.recv().map_or_else(|RecvError| broke_down(), Some),
            false => match self.done.try_recv() {
                Ok(result) => Some(result),
                Err(TryRecvError::Empty) => None,
                Err(TryRecvError::Disconnected) => broke_down(),
            },
        }
    }
}
