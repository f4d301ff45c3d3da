//! The end of a file that is being written: never torn for long, whatever the disk does.

use std::fs::File;
use std::io::{self, Seek, SeekFrom, Write};

use nix::errno::Errno;
use nix::sys::statvfs::{FsFlags, fstatvfs};

use super::syncer::{Sync, Syncer};

/// Where bytes go: a file, or in tests one that is slow, full or broken.
pub trait Sink: Send + 'static {
    /// Writes all of it at the end, or fails and may have written a part.
    fn write(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// What makes all that was written until it is called outlive a power cut; on any thread.
    ///
    /// # Errors
    /// If there is no second handle to be had.
    fn syncer(&self) -> io::Result<Sync>;

    /// Cuts the file back to so many bytes; writing goes on there.
    fn cut(&mut self, length: u64) -> io::Result<()>;
}

impl Sink for File {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.write_all(bytes)
    }

    fn syncer(&self) -> io::Result<Sync> {
        let twin = self.try_clone()?;
        Ok(Box::new(move || {
            twin.sync_data()?;
            // Where ext4 was made read-only in an emergency, writing and syncing still succeed, and
            // nothing reaches the disk (seen with Linux 6.1).
            match fstatvfs(&twin) {
                Ok(system) if system.flags().contains(FsFlags::ST_RDONLY) => {
                    Err(Errno::EROFS.into())
                }
                _ => Ok(()),
            }
        }))
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.set_len(length)?;
        self.seek(SeekFrom::Start(length)).map(|_| ())
    }
}

/// Keeps what the disk has not yet confirmed, so that it can be written again: a disk that is
/// full for a while costs nothing.
pub struct Tail<S> {
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
    /// Part of something may follow in the file that must be cut off first.
    torn: bool,
}

impl<S: Sink> Tail<S> {
    /// Of an empty file.
    pub fn new(sink: S) -> Tail<S> {
        Tail {
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
            None => Syncer::start(self.sink.syncer()?)?,
        };
        syncer.begin();
        self.syncer = Some(syncer);
        self.syncing = Some(self.written);
        Ok(true)
    }

    /// Hears whether what was begun is safe now; `true`: nothing is going on. `wait`: until then.
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
