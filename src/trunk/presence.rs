//! Whether a node is there: it leaves the trunk while it is still polled, and returns; and whether
//! several nodes leave or restart at the same time, so that they share the cause.

use crate::fieldbus::{MacId, MacIdSet};
use crate::wire::Nanos;
use std::collections::VecDeque;

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
/// were missed and it sent nothing else meanwhile; one that sends by itself, when it is silent for
/// as many times its expected packet rate.
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
pub(super) enum PresenceChange {
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
    pub(super) fn heard(&mut self, t: Nanos) -> Option<PresenceChange> {
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
        Some(PresenceChange::Returned { after: span })
    }

    /// The node did not answer.
    pub(super) fn missed(&mut self) -> Option<PresenceChange> {
        self.missed_in_a_row = self.missed_in_a_row.saturating_add(1);
        let from = self.last_heard?;
        if self.gone {
            self.missed_while_gone += 1;
            return None;
        }
        if self.missed_in_a_row < Self::LEFT_AFTER {
            return None;
        }
        self.missed_while_gone += u64::from(Self::LEFT_AFTER);
        Some(self.leave(from))
    }

    /// The node sends by itself and has stopped.
    pub(super) fn fell_silent(&mut self) -> Option<PresenceChange> {
        let from = self.last_heard.filter(|_| !self.gone)?;
        Some(self.leave(from))
    }

    fn leave(&mut self, from: Nanos) -> PresenceChange {
        self.gone = true;
        if self.count == 0 {
            self.first = from;
        }
        self.count += 1;
        if self.recent.len() == Self::RECENT {
            self.recent.pop_front();
        }
        self.recent.push_back(Absence { from, to: None });
        PresenceChange::Left
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

/// Nodes that left or restarted close after one another.
#[derive(Debug, Clone, Default)]
pub struct GroupDropout {
    running: Option<DropoutGroup>,
    groups: u64,
    largest: Option<DropoutGroup>,
}

/// A group of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DropoutGroup {
    /// The first one's time.
    pub from: Nanos,
    /// The last one's.
    pub to: Nanos,
    nodes: MacIdSet,
}

impl DropoutGroup {
    /// The nodes in it.
    pub fn nodes(&self) -> impl Iterator<Item = MacId> {
        self.nodes.iter()
    }

    /// How many.
    pub fn count(&self) -> u32 {
        self.nodes.len()
    }
}

impl GroupDropout {
    /// Nodes that leave or restart with no longer gap than this do so together.
    pub const GAP: Nanos = Nanos::from_millis(1500);

    /// A node left or restarted.
    pub(super) fn add(&mut self, t: Nanos, mac_id: MacId) {
        let group = match &mut self.running {
            Some(group) if t.since(group.to).is_some_and(|gap| gap <= Self::GAP) => {
                let alone = group.count() == 1;
                group.to = t;
                group.nodes.insert(mac_id);
                self.groups += u64::from(alone && group.count() == 2);
                *group
            }
            running => {
                let mut nodes = MacIdSet::default();
                nodes.insert(mac_id);
                *running.insert(DropoutGroup { from: t, to: t, nodes })
            }
        };
        let larger = self.largest.is_none_or(|largest| group.count() > largest.count());
        if group.count() > 1 && larger {
            self.largest = Some(group);
        }
    }

    /// How often two or more nodes did so together.
    pub fn groups(&self) -> u64 {
        self.groups
    }

    /// The largest group of two or more.
    pub fn largest(&self) -> Option<&DropoutGroup> {
        self.largest.as_ref()
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
        assert_eq!(p.missed(), Some(PresenceChange::Left));
        assert_eq!(p.missed(), None);
        assert!(p.is_gone());
        assert_eq!(p.missed_while_gone(), 5);
        assert_eq!(p.heard(Nanos(110)), Some(PresenceChange::Returned { after: Some(Nanos(100)) }));
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

#[cfg(test)]
mod together_tests {
    use super::*;

    #[test]
    fn nodes_that_restart_at_once_are_a_group() {
        let mut dropouts = GroupDropout::default();
        for (ms, mac) in [(0, 1), (9_000, 2), (9_100, 3), (10_200, 4), (30_000, 2), (30_010, 2)] {
            dropouts.add(Nanos::from_millis(ms), MacId::new(mac).unwrap());
        }
        assert_eq!(dropouts.groups(), 1);
        let largest = dropouts.largest().unwrap();
        assert_eq!(largest.nodes().map(MacId::get).collect::<Vec<_>>(), [2, 3, 4]);
        assert_eq!(largest.from, Nanos::from_millis(9_000));
    }
}
