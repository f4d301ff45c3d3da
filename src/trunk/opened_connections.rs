//! Explicit connections that two nodes opened on the unconnected port, with identifiers of
//! Group 1 or 2, which otherwise carry I/O.
//!
//! Source: IEC 62026-3: the first byte of an explicit message names the other end than its
//! identifier does. Which nibbles of an open message are the group and the message ids is from
//! memory; so a frame counts as such a message only if its identifier, its first byte and the
//! ids agreed all fit together.

use crate::fieldbus::{Header, Identifier, MacId, Open, Opened};

/// The group that an open request asks for, where it is neither Group 1 nor Group 2 (from
/// memory).
const GROUP_3: u8 = 3;

/// The connections that are open. The oldest makes room.
#[derive(Debug, Clone, Default)]
pub(super) struct OpenConnections {
    slots: Vec<Slot>,
}

#[derive(Debug, Clone, Copy)]
struct Slot {
    client: MacId,
    server: MacId,
    instance: u16,
    /// The message ids of the client and of the node that is asked.
    to_message: u8,
    from_message: u8,
    /// The message id that the client asked for.
    wished: u8,
}

/// The ends of a message on such a connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Between {
    pub(super) from: MacId,
    pub(super) to: MacId,
    /// Whether the node that is asked sends.
    pub(super) answers: bool,
}

impl OpenConnections {
    const SLOTS: usize = 32;

    /// A node granted a client's request. Connections of Group 3 are known by their
    /// identifiers.
    pub(super) fn open(&mut self, client: MacId, server: MacId, asked: Open, granted: Opened) {
        self.close(server, granted.instance);
        if asked.group >= GROUP_3 {
            return;
        }
        if self.slots.len() == Self::SLOTS {
            self.slots.remove(0);
        }
        self.slots.push(Slot {
            client,
            server,
            instance: granted.instance,
            to_message: granted.to_message,
            from_message: granted.from_message,
            wished: asked.message,
        });
    }

    /// A node granted that a connection be closed.
    pub(super) fn close(&mut self, server: MacId, instance: u16) {
        self.slots.retain(|slot| (slot.server, slot.instance) != (server, instance));
    }

    /// A node started anew: none of its connections is left.
    pub(super) fn forget(&mut self, node: MacId) {
        self.slots.retain(|slot| slot.server != node && slot.client != node);
    }

    /// Whether a frame is a message on one of them.
    #[inline]
    pub(super) fn find(&self, identifier: Identifier, data: &[u8]) -> Option<Between> {
        if self.slots.is_empty() { None } else { self.find_slot(identifier, data) }
    }

    fn find_slot(&self, identifier: Identifier, data: &[u8]) -> Option<Between> {
        let &[head, second, ..] = data else { return None };
        let header = Header::from_byte(head);
        self.slots.iter().find_map(|slot| slot.between(identifier, header, second, data))
    }
}

impl Slot {
    fn between(
        &self,
        identifier: Identifier,
        header: Header,
        second: u8,
        data: &[u8],
    ) -> Option<Between> {
        let (client, server) = (self.client, self.server);
        let (message, named) = match identifier {
            // C to F are those of slaves' I/O.
            Identifier::Group1 { message: message @ 0..=0xB, source } => (message, source),
            // 3 and 4 are known by their identifiers, 6 and 7 are never agreed on.
            Identifier::Group2 { message: message @ (0 | 1 | 2 | 5), node } => (message, node),
            _ => return None,
        };
        if ![self.to_message, self.from_message, self.wished].contains(&message) {
            return None;
        }
        let other = header.other_end;
        if (named, other) != (client, server) && (named, other) != (server, client) {
            return None;
        }
        let answers = match identifier {
            Identifier::Group1 { .. } => named == server,
            // The identifier may name either end; the service says which way, and of
            // fragments the first has it.
            _ if !header.fragmented => second & 0x80 != 0,
            _ if second >> 6 == 0 => data.get(2).is_some_and(|service| service & 0x80 != 0),
            _ if self.to_message != self.from_message => message == self.from_message,
            _ => named == client,
        };
        let (from, to) = if answers { (server, client) } else { (client, server) };
        Some(Between { from, to, answers })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mac(address: u8) -> MacId {
        MacId::new(address).unwrap()
    }

    fn opened() -> OpenConnections {
        let mut open = OpenConnections::default();
        let asked = Open::parse(&[0, 0x05]).unwrap();
        open.open(mac(1), mac(12), asked, Opened::parse(&[0, 0x5A, 7, 0]).unwrap());
        open
    }

    fn find(open: &OpenConnections, id: u16, data: &[u8]) -> Option<bool> {
        open.find(Identifier::from_raw(id), data).map(|between| between.answers)
    }

    #[test]
    fn only_what_fits_in_every_way_is_a_message() {
        let open = opened();
        // Group 1, message 5 of node 1 to node 12, message A of node 12 to node 1.
        assert_eq!(find(&open, 0x141, &[12, 0x0E, 1, 1, 7]), Some(false));
        assert_eq!(find(&open, 0x28C, &[1, 0x8E, 5]), Some(true));
        // Another message id, another sender, another end, too short.
        assert_eq!(find(&open, 0x181, &[12, 0x0E, 1, 1, 7]), None);
        assert_eq!(find(&open, 0x142, &[12, 0x0E, 1, 1, 7]), None);
        assert_eq!(find(&open, 0x141, &[13, 0x0E, 1, 1, 7]), None);
        assert_eq!(find(&open, 0x141, &[12]), None);
        // Group 2, message 5, named by the node that is asked: there the service says it.
        assert_eq!(find(&open, 0x465, &[1, 0x0E, 1, 1, 7]), Some(false));
        assert_eq!(find(&open, 0x465, &[1, 0x8E, 5]), Some(true));
    }

    #[test]
    fn what_is_closed_is_no_message_any_more() {
        let mut open = opened();
        open.close(mac(12), 7);
        assert_eq!(find(&open, 0x141, &[12, 0x0E, 1, 1, 7]), None);
        let mut open = opened();
        open.forget(mac(12));
        assert_eq!(find(&open, 0x141, &[12, 0x0E, 1, 1, 7]), None);
    }

    #[test]
    fn the_table_is_bounded() {
        let mut open = OpenConnections::default();
        for instance in 0..1000_u16 {
            let [low, high] = instance.to_le_bytes();
            let asked = Open::parse(&[0, 0x05]).unwrap();
            let granted = Opened::parse(&[0, 0x5A, low, high]).unwrap();
            open.open(mac(1), mac(12), asked, granted);
        }
        assert_eq!(open.slots.len(), OpenConnections::SLOTS);
    }
}
