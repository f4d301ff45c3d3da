//! Commands for several nodes at once: a master's bit-strobe, and its multicast poll. No identifier
//! says for whom they are: who answers one is meant by the next.
//!
//! Source: IEC 62026-3, predefined master/slave connection set.

use super::Trunk;
use super::event::Event;
use super::exchange::{Exchange, GroupCommand};
use super::node::Node;
use crate::fieldbus::{ConnectionKind, MacId};
use crate::wire::Nanos;

impl Node {
    fn commanded_with_others(&mut self, kind: ConnectionKind) -> &mut Exchange {
        match kind {
            ConnectionKind::MulticastPoll => &mut self.multicast_poll,
            _ => &mut self.strobe,
        }
    }

    /// Its response to a bit-strobe or a multicast poll.
    pub(super) fn responds_with_others(
        &mut self,
        t: Nanos,
        kind: ConnectionKind,
        first_after: Option<Nanos>,
    ) {
        let exchange = self.commanded_with_others(kind);
        if let Some(command) = first_after {
            exchange.command(command);
        }
        exchange.response(t);
        self.spoke();
        self.connections.spoke(t, kind);
    }
}

impl Trunk {
    pub(super) fn group_mut(&mut self, kind: ConnectionKind) -> &mut GroupCommand {
        match kind {
            ConnectionKind::MulticastPoll => &mut self.multicast,
            _ => &mut self.strobe,
        }
    }

    /// A master's command is for every node that it has allocated for it. `master`: who sent it, where
    /// the identifier says so.
    pub(super) fn group_command(
        &mut self,
        t: Nanos,
        kind: ConnectionKind,
        master: Option<MacId>,
        events: &mut impl FnMut(Nanos, Event),
    ) {
        self.nodes.each_known(|_, node| {
            let owner = node.connections.owner.map(|owner| owner.value);
            let owned = owner.is_some() && (master.is_none() || owner == master);
            if owned && node.connections.allocated.has(kind.choice()) {
                node.fed(t, kind);
            }
        });
        let group = self.group_mut(kind);
        group.last = Some(t);
        let responders = group.responders;
        self.note_poll_gap(t);
        for mac_id in responders.iter() {
            if self.nodes[mac_id].commanded_with_others(kind).command(t) {
                self.missed(t, mac_id, events);
            }
        }
    }
}
