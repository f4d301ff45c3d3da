//! The nodes of a trunk, and which of them were ever heard of.

use std::ops::{Index, IndexMut};

use super::node::Node;
use crate::fieldbus::{MacId, MacIdSet};

/// One for each address. Who asks for one to change it has heard of it.
#[derive(Debug, Clone)]
pub(super) struct Nodes {
    each: Box<[Node; MacId::COUNT]>,
    /// Those that were heard of.
    known: MacIdSet,
}

impl Default for Nodes {
    fn default() -> Nodes {
        Nodes {
            each: Box::new(std::array::from_fn(|_| Node::default())),
            known: MacIdSet::default(),
        }
    }
}

impl Nodes {
    /// Visits the nodes that were heard of; most addresses of most trunks are not, and there time
    /// changes nothing.
    pub(super) fn each_known(&mut self, mut visit: impl FnMut(&mut Node)) {
        for mac_id in self.known.iter() {
            visit(&mut self.each[mac_id.index()]);
        }
    }

    /// All nodes, by address.
    pub(super) fn iter(&self) -> impl Iterator<Item = (MacId, &Node)> {
        MacId::all().zip(self.each.iter())
    }

    /// Visits all nodes.
    pub(super) fn each(&mut self, visit: impl FnMut(&mut Node)) {
        self.each.iter_mut().for_each(visit);
    }
}

impl Index<MacId> for Nodes {
    type Output = Node;

    fn index(&self, mac_id: MacId) -> &Node {
        &self.each[mac_id.index()]
    }
}

impl IndexMut<MacId> for Nodes {
    fn index_mut(&mut self, mac_id: MacId) -> &mut Node {
        self.known.insert(mac_id);
        &mut self.each[mac_id.index()]
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::Nanos;

    #[test]
    fn only_who_was_asked_for_is_known() {
        let mut nodes = Nodes::default();
        let mac_id = |address| MacId::new(address).unwrap();
        assert_eq!(nodes[mac_id(5)].explicit.requests, 0);
        for address in [63, 0, 9, 63] {
            nodes[mac_id(address)].explicit.requests += 1;
        }
        let mut requests = Vec::new();
        nodes.each_known(|node| requests.push(node.explicit.requests));
        assert_eq!(requests, [1, 1, 2]);
        let mut all = 0;
        nodes.each(|_| all += 1);
        assert_eq!(all, MacId::COUNT);
    }

    /// So those that were never heard of need not be visited.
    #[test]
    fn time_changes_nothing_of_a_node_never_heard_of() {
        let mut node = Node::default();
        for hours in 1..50 {
            let t = Nanos(hours * 3600 * Nanos::SECOND.0);
            if hours % 7 == 0 {
                node.forgive(t);
            }
            let before = format!("{node:?}");
            node.expire(t);
            assert_eq!(format!("{node:?}"), before);
        }
    }
}
