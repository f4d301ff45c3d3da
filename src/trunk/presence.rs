//! Whether a node is there: it leaves the trunk while it is still asked, and returns.

use std::collections::VecDeque;

use crate::wire::Nanos;

/// A time when a node was gone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Absence {
    /// When the node was last heard.
    pub from: Nanos,
    /// When it was heard again; `None` while it is gone.
    pub to: Option<Nanos>,
}

/// Follows one node's presence.
///
/// A node that was heard before has left when [`Presence::LEFT_AFTER`] exchanges in a row
/// were missed and it sent nothing else meanwhile.
#[derive(Debug, Clone, Default)]
pub struct Presence {
    last_heard: Option<Nanos>,
    missed_in_a_row: u32,
    gone: bool,
    missed_while_gone: u64,
    count: u64,
    first: Nanos,
    total: Nanos,
    longest: Nanos,
    /// The latest ones, oldest first.
    recent: VecDeque<Absence>,
}

/// What a missed exchange or a frame changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Change {
    Left,
    Returned { after: Option<Nanos> },
}

impl Presence {
    /// A connection times out after four times its expected packet rate (IEC 62026-3); so many
    /// missed exchanges in a row say the same.
    pub const LEFT_AFTER: u32 = 4;
    /// How many absences are kept with their times.
    pub const RECENT: usize = 32;

    /// The node sent a frame.
    pub(super) fn heard(&mut self, t: Nanos) -> Option<Change> {
        self.missed_in_a_row = 0;
        self.last_heard = Some(t);
        if !self.gone {
            return None;
        }
        self.gone = false;
        let absence = self.recent.back_mut()?;
        absence.to = Some(t);
        let span = t.since(absence.from);
        if let Some(span) = span {
            self.total = self.total.plus(span);
            self.longest = self.longest.max(span);
        }
        Some(Change::Returned { after: span })
    }

    /// The node did not answer.
    pub(super) fn missed(&mut self) -> Option<Change> {
        self.missed_in_a_row = self.missed_in_a_row.saturating_add(1);
        let from = self.last_heard?;
        if self.gone {
            self.missed_while_gone += 1;
            return None;
        }
        if self.missed_in_a_row < Self::LEFT_AFTER {
            return None;
        }
        self.gone = true;
        self.missed_while_gone += u64::from(Self::LEFT_AFTER);
        if self.count == 0 {
            self.first = from;
        }
        self.count += 1;
        if self.recent.len() == Self::RECENT {
            self.recent.pop_front();
        }
        self.recent.push_back(Absence { from, to: None });
        Some(Change::Left)
    }

    /// Whether the node has left and has not returned.
    pub fn is_gone(&self) -> bool {
        self.gone
    }

    /// Missed exchanges that belong to its absences, not to a node that is there and skips.
    pub fn missed_while_gone(&self) -> u64 {
        self.missed_while_gone
    }

    /// How often it left.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// When it was last heard before it first left.
    pub fn first(&self) -> Option<Nanos> {
        (self.count > 0).then_some(self.first)
    }

    /// How long it was gone altogether, without a time from which it has not returned.
    pub fn total(&self) -> Nanos {
        self.total
    }

    /// How long it was gone at most, of the times from which it returned.
    pub fn longest(&self) -> Nanos {
        self.longest
    }

    /// The latest absences, oldest first, [`Presence::RECENT`] at most.
    pub fn recent(&self) -> impl ExactSizeIterator<Item = &Absence> {
        self.recent.iter()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn leaves_after_four_missed_in_a_row_and_returns() {
        let mut p = Presence::default();
        p.heard(Nanos(10));
        for _ in 0..3 {
            assert_eq!(p.missed(), None);
        }
        assert_eq!(p.missed(), Some(Change::Left));
        assert_eq!(p.missed(), None);
        assert!(p.is_gone());
        assert_eq!(p.missed_while_gone(), 5);
        assert_eq!(p.heard(Nanos(110)), Some(Change::Returned { after: Some(Nanos(100)) }));
        assert_eq!((p.count(), p.total(), p.first()), (1, Nanos(100), Some(Nanos(10))));
    }

    #[test]
    fn a_node_never_heard_has_not_left() {
        let mut p = Presence::default();
        for _ in 0..10 {
            assert_eq!(p.missed(), None);
        }
        assert!(!p.is_gone());
    }

    #[test]
    fn a_flapping_node_takes_no_more_memory() {
        let mut p = Presence::default();
        for i in 0..1000 {
            p.heard(Nanos(i * 10));
            for _ in 0..4 {
                p.missed();
            }
        }
        assert_eq!(p.count(), 1000);
        assert_eq!(p.recent().len(), Presence::RECENT);
    }
}
