//! The queue between the reader of a trunk and the thread that writes: bounded memory, and adding
//! to it never waits.

use std::collections::VecDeque;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use crate::wire::{Nanos, Record, What};

/// Frames that did not fit into the queue, to be recorded at this place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Dropped {
    /// When the last of them was received.
    pub t: Nanos,
    /// How many did not fit.
    pub here: u64,
    /// How many the kernel had lost before, by records that did not fit.
    pub before: u64,
}

/// An item for the writer.
#[derive(Debug, PartialEq, Eq)]
pub enum QueueItem {
    /// Records, in the order received.
    Records(Vec<Record>),
    /// Frames are missing at this place.
    Dropped(Dropped),
    /// The piece being written ends here, if there is one.
    Cut(Nanos),
    /// Nothing came until the deadline.
    Nothing,
    /// Everything is taken and no more will come; with the time of a clean end, if it is one.
    Finished(Option<Nanos>),
}

/// The queue; shared by both sides.
pub struct WriterQueue {
    state: Mutex<QueueState>,
    changed: Condvar,
    limit: usize,
}

#[derive(Default)]
struct QueueState {
    items: VecDeque<(QueueItem, usize)>,
    bytes: usize,
    dropped: Option<Dropped>,
    finished: Option<Option<Nanos>>,
}

impl WriterQueue {
    /// An empty queue that holds at most `limit` bytes of memory.
    pub fn new(limit: usize) -> WriterQueue {
        WriterQueue { state: Mutex::default(), changed: Condvar::new(), limit }
    }

    /// Adds records. If they do not fit, their frames are counted instead; other records are rare
    /// and always taken.
    pub fn push(&self, records: &[Record]) {
        if records.is_empty() {
            return;
        }
        let size = memory(records);
        let mut state = self.lock();
        if state.bytes + size <= self.limit {
            state.add(records.to_vec(), size);
        } else {
            for record in records {
                match record.what {
                    What::Frame(_) | What::Error(_) => state.count(record.t, 1, 0),
                    What::Lost(n) => state.count(record.t, 0, n),
                    What::LinkDown(_) | What::LinkUp | What::Mark(_) => {
                        let record = std::slice::from_ref(record);
                        state.add(record.to_vec(), memory(record));
                    }
                    What::End(_) => {}
                }
            }
        }
        drop(state);
        self.changed.notify_one();
    }

    /// What comes after this belongs in another piece.
    pub fn cut(&self, t: Nanos) {
        self.lock().put(QueueItem::Cut(t), 0);
        self.changed.notify_one();
    }

    /// No more will come.
    pub fn finish(&self, t: Option<Nanos>) {
        self.lock().finished.get_or_insert(t);
        self.changed.notify_one();
    }

    /// Waits for the next, until the deadline where there is one.
    pub fn take(&self, deadline: Option<Instant>) -> QueueItem {
        let mut state = self.lock();
        loop {
            if let Some((taken, size)) = state.items.pop_front() {
                state.bytes -= size;
                return taken;
            }
            if let Some(dropped) = state.dropped.take() {
                return QueueItem::Dropped(dropped);
            }
            if let Some(t) = state.finished {
                return QueueItem::Finished(t);
            }
            let left = deadline.map(|deadline| deadline.saturating_duration_since(Instant::now()));
            if left == Some(Duration::ZERO) {
                return QueueItem::Nothing;
            }
            state = match left {
                Some(left) => {
                    self.changed.wait_timeout(state, left).unwrap_or_else(PoisonError::into_inner).0
                }
                None => self.changed.wait(state).unwrap_or_else(PoisonError::into_inner),
            };
        }
    }

    /// Waits without taking anything; true as soon as no more will come.
    pub fn wait(&self, time: Duration) -> bool {
        let (state, _) = self
            .changed
            .wait_timeout_while(self.lock(), time, |state| state.finished.is_none())
            .unwrap_or_else(PoisonError::into_inner);
        state.finished.is_some()
    }

    fn lock(&self) -> MutexGuard<'_, QueueState> {
        // The state is consistent between any two statements, so a panic cannot harm it.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl QueueState {
    fn add(&mut self, records: Vec<Record>, size: usize) {
        self.put(QueueItem::Records(records), size);
    }

    fn put(&mut self, item: QueueItem, size: usize) {
        if let Some(dropped) = self.dropped.take() {
            self.items.push_back((QueueItem::Dropped(dropped), 0));
        }
        self.bytes += size;
        self.items.push_back((item, size));
    }

    fn count(&mut self, t: Nanos, here: u64, before: u64) {
        let dropped = self.dropped.get_or_insert(Dropped { t, here: 0, before: 0 });
        dropped.t = t;
        dropped.here += here;
        dropped.before = dropped.before.saturating_add(before);
    }
}

/// The memory that a copy of the records takes, with the queue's own.
fn memory(records: &[Record]) -> usize {
    64 + records.iter().map(Record::memory).sum::<usize>()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Frame, StandardId};

    fn frames(t: std::ops::Range<i64>) -> Vec<Record> {
        let frame = Frame::data(StandardId::new(0x45D).unwrap(), &[1]).unwrap();
        t.map(|t| Record { t: Nanos(t), what: What::Frame(frame) }).collect()
    }

    #[test]
    fn what_finds_no_room_is_counted_at_its_place() {
        let queue = WriterQueue::new(memory(&frames(0..10)));
        queue.push(&frames(0..10));
        queue.push(&frames(10..13));
        queue.push(&[Record { t: Nanos(13), what: What::Lost(7) }]);
        let up = Record { t: Nanos(14), what: What::LinkUp };
        queue.push(std::slice::from_ref(&up));
        assert_eq!(queue.take(None), QueueItem::Records(frames(0..10)));
        let dropped = Dropped { t: Nanos(13), here: 3, before: 7 };
        assert_eq!(queue.take(None), QueueItem::Dropped(dropped));
        queue.push(&frames(15..17));
        assert_eq!(queue.take(None), QueueItem::Records(vec![up]));
        assert_eq!(queue.take(None), QueueItem::Records(frames(15..17)));
        assert_eq!(queue.take(Some(Instant::now())), QueueItem::Nothing);
        queue.push(&frames(17..30));
        queue.finish(Some(Nanos(31)));
        let dropped = Dropped { t: Nanos(29), here: 13, before: 0 };
        assert_eq!(queue.take(None), QueueItem::Dropped(dropped));
        assert_eq!(queue.take(None), QueueItem::Finished(Some(Nanos(31))));
        assert!(queue.wait(Duration::from_secs(100)));
    }
}
