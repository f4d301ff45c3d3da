//! What is going to happen, in the order of time and, within a bit, in the order planned.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use super::time::Time;

/// Things to come.
#[derive(Debug)]
pub(super) struct Queue<E> {
    heap: BinaryHeap<Reverse<Entry<E>>>,
    planned: u64,
}

#[derive(Debug)]
struct Entry<E> {
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
        self.heap.push(Reverse(Entry { at, order: self.planned, event }));
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

impl<E> Ord for Entry<E> {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        (self.at, self.order).cmp(&(other.at, other.order))
    }
}

impl<E> PartialOrd for Entry<E> {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl<E> PartialEq for Entry<E> {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other).is_eq()
    }
}

impl<E> Eq for Entry<E> {}

#[cfg(test)]
mod tests {
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
