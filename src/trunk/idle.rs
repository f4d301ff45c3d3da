//! Whether masters are idle: one in program mode polls with no data, so that its nodes are asked for
//! nothing.
//!
//! Source: polls of zero length from an idle master: adapter user manual 1734-UM002C, p. 2-21.

use crate::fieldbus::{MacId, MacIdSet};
use crate::wire::Nanos;

/// The nodes that are polled with no data though they take some.
#[derive(Debug, Clone, Default)]
pub struct IdlePolls {
    now: MacIdSet,
    spans: u64,
    first: Option<Nanos>,
    last: Option<IdleSpan>,
}

/// A time in which a master was idle.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct IdleSpan {
    /// The first poll with no data.
    pub from: Nanos,
    /// When the last of its nodes was polled with data again; `None`: it is still idle.
    pub to: Option<Nanos>,
    nodes: MacIdSet,
}

impl IdleSpan {
    /// The nodes that were polled with no data.
    pub fn nodes(&self) -> impl Iterator<Item = MacId> {
        self.nodes.iter()
    }
}

impl IdlePolls {
    /// A node is polled with no data from now on, or with data again. Whether that began or ended
    /// the time in which a master is idle.
    pub(super) fn polled(&mut self, t: Nanos, mac_id: MacId, idle: bool) -> Option<bool> {
        let was_idle = !self.now.is_empty();
        if idle {
            self.now.insert(mac_id);
        } else {
            self.now.remove(mac_id);
        }
        let is_idle = !self.now.is_empty();
        if is_idle && !was_idle {
            self.spans += 1;
            self.first = self.first.or(Some(t));
            self.last = Some(IdleSpan { from: t, to: None, nodes: self.now });
        }
        if let Some(span) = &mut self.last {
            span.to = if is_idle { None } else { Some(t) };
            if idle {
                span.nodes.insert(mac_id);
            }
        }
        (is_idle != was_idle).then_some(is_idle)
    }

    /// How often a master was idle.
    pub fn spans(&self) -> u64 {
        self.spans
    }

    /// When a master was first idle.
    pub fn first(&self) -> Option<Nanos> {
        self.first
    }

    /// The last time in which a master was idle.
    pub fn last(&self) -> Option<&IdleSpan> {
        self.last.as_ref()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_lasts_from_the_first_node_to_the_last() {
        let node = |address| MacId::new(address).unwrap();
        let mut idle = IdlePolls::default();
        assert_eq!(idle.polled(Nanos(5), node(4), true), Some(true));
        assert_eq!(idle.polled(Nanos(6), node(9), true), None);
        assert_eq!(idle.polled(Nanos(90), node(4), false), None);
        assert_eq!(idle.last().unwrap().to, None);
        assert_eq!(idle.polled(Nanos(91), node(9), false), Some(false));
        let span = idle.last().unwrap();
        assert_eq!((span.from, span.to), (Nanos(5), Some(Nanos(91))));
        assert_eq!(span.nodes().map(MacId::get).collect::<Vec<_>>(), [4, 9]);
        idle.polled(Nanos(200), node(9), true);
        assert_eq!((idle.spans(), idle.first()), (2, Some(Nanos(5))));
    }
}
