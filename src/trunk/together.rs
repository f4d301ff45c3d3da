//! Whether several nodes leave or restart at the same time: then they share the cause.

use crate::fieldbus::{MacId, MacIdSet};
use crate::wire::Nanos;

/// Nodes that left or restarted close after one another.
#[derive(Debug, Clone, Default)]
pub struct Together {
    running: Option<Group>,
    groups: u64,
    largest: Option<Group>,
}

/// A group of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Group {
    /// The first one's time.
    pub from: Nanos,
    /// The last one's.
    pub to: Nanos,
    nodes: MacIdSet,
}

impl Group {
    /// The nodes in it.
    pub fn nodes(&self) -> impl Iterator<Item = MacId> {
        self.nodes.iter()
    }

    /// How many.
    pub fn count(&self) -> u32 {
        self.nodes.len()
    }
}

impl Together {
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
                *running.insert(Group { from: t, to: t, nodes })
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
    pub fn largest(&self) -> Option<&Group> {
        self.largest.as_ref()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nodes_that_restart_at_once_are_a_group() {
        let mut together = Together::default();
        for (ms, mac) in [(0, 1), (9_000, 2), (9_100, 3), (10_200, 4), (30_000, 2), (30_010, 2)] {
            together.add(Nanos::from_millis(ms), MacId::new(mac).unwrap());
        }
        assert_eq!(together.groups(), 1);
        let largest = together.largest().unwrap();
        assert_eq!(largest.nodes().map(MacId::get).collect::<Vec<_>>(), [2, 3, 4]);
        assert_eq!(largest.from, Nanos::from_millis(9_000));
    }
}
