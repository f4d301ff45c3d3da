//! How far work that takes long has come, for whoever shows it.

use std::io::{self, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Of files, bytes as they lie on the disk, packed or not: one addition for each block that is
/// read. Of a simulation, seconds of the trunk.
#[derive(Debug, Default)]
pub struct Progress {
    done: AtomicU64,
    total: AtomicU64,
}

impl Progress {
    /// Of so much, nothing yet.
    pub fn of(total: u64) -> Progress {
        Progress { done: AtomicU64::new(0), total: AtomicU64::new(total) }
    }

    /// So much is done now.
    pub fn reached(&self, done: u64) {
        self.done.store(done, Ordering::Relaxed);
    }

    /// How much is done.
    pub fn done(&self) -> u64 {
        self.done.load(Ordering::Relaxed)
    }

    /// How much there is in all, in the files that were opened; 0: it is not known.
    pub fn total(&self) -> u64 {
        self.total.load(Ordering::Relaxed)
    }
}

/// A file that counts what is read of it.
pub(super) struct Counted<R> {
    file: R,
    progress: Arc<Progress>,
    /// What was promised of it and has not been read.
    left: u64,
}

impl<R> Counted<R> {
    /// A file of this length.
    pub(super) fn new(file: R, length: u64, progress: Arc<Progress>) -> Counted<R> {
        progress.total.fetch_add(length, Ordering::Relaxed);
        Counted { file, progress, left: length }
    }
}

impl<R: Read> Read for Counted<R> {
    fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
        let count = self.file.read(out)?;
        self.progress.done.fetch_add(count as u64, Ordering::Relaxed);
        self.left = self.left.saturating_sub(count as u64);
        Ok(count)
    }
}

/// What was left unread will not come any more.
impl<R> Drop for Counted<R> {
    fn drop(&mut self) {
        self.progress.total.fetch_sub(self.left, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_read_is_counted_and_what_is_left_is_not_waited_for() {
        let progress = Arc::new(Progress::default());
        let mut first = Counted::new(&[0_u8; 10][..], 10, Arc::clone(&progress));
        let mut second = Counted::new(&[0_u8; 5][..], 5, Arc::clone(&progress));
        first.read_exact(&mut [0; 4]).unwrap();
        assert_eq!((progress.done(), progress.total()), (4, 15));
        drop(first);
        second.read_to_end(&mut Vec::new()).unwrap();
        drop(second);
        assert_eq!((progress.done(), progress.total()), (9, 9));
    }
}
