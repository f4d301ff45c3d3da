//! Time in the simulation, in bit times, and the queue of what comes next.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::ops::{Add, AddAssign};

use crate::wire::{BitTime, Bitrate, Nanos};

/// A point in trunk time or a span of it, in bit times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub(super) struct Time(pub(super) u64);

impl Time {
    pub(super) const NEVER: Time = Time(u64::MAX);

    pub(super) fn since(self, earlier: Time) -> Time {
        Time(self.0.saturating_sub(earlier.0))
    }

    pub(super) fn nanos(self, rate: Bitrate) -> Nanos {
        rate.duration(BitTime(self.0))
    }
}

impl Add for Time {
    type Output = Time;
    fn add(self, span: Time) -> Time {
        Time(self.0.saturating_add(span.0))
    }
}

impl AddAssign for Time {
    fn add_assign(&mut self, span: Time) {
        *self = *self + span;
    }
}

/// Turns seconds, milliseconds and microseconds into bit times at one bit rate.
#[derive(Debug, Clone, Copy)]
pub(super) struct Clockwork(pub(super) Bitrate);

impl Clockwork {
    pub(super) fn secs(self, s: f64) -> Time {
        self.micros(s * 1e6)
    }

    pub(super) fn millis(self, ms: f64) -> Time {
        self.micros(ms * 1e3)
    }

    /// To the nearest bit. A negative span is none.
    pub(super) fn micros(self, us: f64) -> Time {
        Time((us * f64::from(self.0.get()) / 1e6 + 0.5).max(0.0) as u64)
    }
}

/// Things to come.
#[derive(Debug)]
pub(super) struct Queue<E> {
    heap: BinaryHeap<Reverse<QueueEntry<E>>>,
    planned: u64,
}

#[derive(Debug)]
struct QueueEntry<E> {
    at: Time,
    order: u64,
    event: E,
}

impl<E> Default for Queue<E> {
    fn default() -> Self {
        Queue { heap: BinaryHeap::new(), planned: 0 }
    }
}

impl<E> Queue<E> {
    pub(super) fn plan(&mut self, at: Time, event: E) {
        self.heap.push(Reverse(QueueEntry { at, order: self.planned, event }));
        self.planned += 1;
    }

    /// When the next thing happens.
    pub(super) fn next_at(&self) -> Time {
        self.heap.peek().map_or(Time::NEVER, |Reverse(entry)| entry.at)
    }

    pub(super) fn pop(&mut self) -> Option<(Time, E)> {
        self.heap.pop().map(|Reverse(entry)| (entry.at, entry.event))
    }
}

impl<E> Ord for QueueEntry<E> {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        (self.at, self.order).cmp(&(other.at, other.order))
    }
}

impl<E> PartialOrd for QueueEntry<E> {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl<E> PartialEq for QueueEntry<E> {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other).is_eq()
    }
}

impl<E> Eq for QueueEntry<E> {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seconds_become_bits() {
        let clock = Clockwork(Bitrate::new(125_000).unwrap());
        assert_eq!(clock.secs(1.0), Time(125_000));
        assert_eq!(clock.millis(20.0), Time(2_500));
        assert_eq!(clock.micros(8.0), Time(1));
        assert_eq!(clock.micros(-8.0), Time(0));
        assert_eq!(Time(2_500).nanos(clock.0), Nanos(20_000_000));
    }
}

#[cfg(test)]
mod more_tests {
    use super::*;

    #[test]
    fn equal_times_keep_their_order() {
        let mut queue = Queue::default();
        for (at, name) in [(5, "c"), (1, "a"), (5, "d"), (1, "b")] {
            queue.plan(Time(at), name);
        }
        let order: Vec<_> = std::iter::from_fn(|| queue.pop()).map(|(_, name)| name).collect();
        assert_eq!(order, ["a", "b", "c", "d"]);
    }
}
