//! What is remembered between explicit messages: requests that wait for their response, and
//! connections that two nodes opened with identifiers of Group 1 or 2, which otherwise carry I/O.
//!
//! Source: IEC 62026-3: the transaction bit; the first byte of an explicit message names the
//! other end than its identifier does. How long a request waits is our choice: the default
//! timeout of an explicit connection, 4 x 2500 ms. Which nibbles of an open message are the
//! group and the message ids is from memory; so a frame counts as such a message only if its
//! identifier, its first byte and the ids agreed all fit together.

use crate::fieldbus::{
    ExplicitBody, ExplicitHeader, Identifier, MacId, OpenRequest, OpenResponse, Service, Target,
};
use crate::wire::Nanos;

/// After so long a request counts as never answered.
pub const ANSWER_LIMIT: Nanos = Nanos::from_millis(10_000);

/// The most bytes of a request that are kept for its response: enough for an allocation, a
/// number, or the path to an assembly.
const KEPT: usize = 8;

/// A request, kept until its response is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PendingRequest {
    /// When.
    pub at: Nanos,
    /// Who asked.
    pub client: MacId,
    /// Its transaction bit.
    pub transaction: bool,
    /// Whether it went to the unconnected port.
    pub unconnected: bool,
    /// What was asked for.
    pub service: Service,
    /// Of what.
    pub target: Option<Target>,
    data: [u8; KEPT],
    len: u8,
}

impl PendingRequest {
    /// Keeps a request; `None` if the message is not one.
    pub fn new(
        at: Nanos,
        client: MacId,
        transaction: bool,
        unconnected: bool,
        message: &ExplicitBody,
    ) -> Option<PendingRequest> {
        let &ExplicitBody::Request { service, target, data: bytes } = message else { return None };
        let mut data = [0; KEPT];
        let len = bytes.len().min(KEPT);
        data[..len].copy_from_slice(&bytes[..len]);
        let len = len as u8;
        Some(PendingRequest { at, client, transaction, unconnected, service, target, data, len })
    }

    /// The service's own data, its first eight bytes at most.
    pub fn data(&self) -> &[u8] {
        &self.data[..usize::from(self.len).min(KEPT)]
    }

    fn same_request(&self, other: &PendingRequest) -> bool {
        PendingRequest { at: other.at, ..*self } == *other
    }
}

/// What became of an older request when a newer one came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EarlierRequest {
    /// There was none.
    Nothing,
    /// It was the same one: the client asks again.
    AskedAgain,
    /// It was another one, which was never answered.
    NeverAnswered,
}

/// The requests to one node that are not answered yet.
#[derive(Debug, Clone, Default)]
pub struct PendingRequests {
    slots: [Option<PendingRequest>; 4],
}

impl PendingRequests {
    /// Keeps a request.
    pub fn ask(&mut self, asked: PendingRequest) -> EarlierRequest {
        let key = |a: &PendingRequest| (a.client, a.transaction, a.unconnected);
        if let Some(slot) = self.slots.iter_mut().flatten().find(|slot| key(slot) == key(&asked)) {
            let again = slot.same_request(&asked);
            *slot = asked;
            return if again { EarlierRequest::AskedAgain } else { EarlierRequest::NeverAnswered };
        }
        if let Some(slot) = self.slots.iter_mut().find(|slot| slot.is_none()) {
            *slot = Some(asked);
            return EarlierRequest::Nothing;
        }
        if let Some(oldest) = self.slots.iter_mut().flatten().min_by_key(|slot| slot.at) {
            *oldest = asked;
        }
        EarlierRequest::NeverAnswered
    }

    /// Finds and takes the request that a response answers. An error response does not name
    /// its service.
    pub fn answer(
        &mut self,
        client: MacId,
        transaction: bool,
        service: Option<Service>,
    ) -> Option<PendingRequest> {
        let slot = self
            .slots
            .iter_mut()
            .filter(|slot| {
                slot.is_some_and(|asked| {
                    asked.client == client
                        && asked.transaction == transaction
                        && service.is_none_or(|service| service == asked.service)
                })
            })
            .min_by_key(|slot| slot.map(|asked| asked.at))?;
        slot.take()
    }

    /// Whether a response to such a request is waited for.
    pub fn expects(&self, client: MacId, transaction: bool, service: Service) -> bool {
        self.slots.iter().flatten().any(|asked| {
            (asked.client, asked.transaction, asked.service) == (client, transaction, service)
        })
    }

    /// Gives up the requests that waited too long, and says how many.
    pub fn expire(&mut self, t: Nanos) -> u64 {
        let mut expired = 0;
        for slot in &mut self.slots {
            if slot.is_some_and(|asked| t.since(asked.at).is_some_and(|age| age > ANSWER_LIMIT)) {
                *slot = None;
                expired += 1;
            }
        }
        expired
    }

    /// Forgets the requests before this time, without blame: the node has started anew.
    pub fn reset_before(&mut self, t: Nanos) {
        for slot in &mut self.slots {
            *slot = slot.filter(|asked| asked.at >= t);
        }
    }

    /// Forgets all, without blame: frames are known to be missing.
    pub fn reset(&mut self) {
        self.slots = Default::default();
    }
}

/// The group that an open request asks for, where it is neither Group 1 nor Group 2 (from
/// memory).
const GROUP_3: u8 = 3;

/// The connections that are open. The oldest makes room.
#[derive(Debug, Clone, Default)]
pub(super) struct OpenConnections {
    slots: Vec<OpenConnection>,
}

#[derive(Debug, Clone, Copy)]
struct OpenConnection {
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
pub(super) struct OpenConnectionEnds {
    pub(super) from: MacId,
    pub(super) to: MacId,
    /// Whether the node that is asked sends.
    pub(super) answers: bool,
}

impl OpenConnections {
    const SLOTS: usize = 32;

    /// A node granted a client's request. Connections of Group 3 are known by their
    /// identifiers.
    pub(super) fn open(
        &mut self,
        client: MacId,
        server: MacId,
        asked: OpenRequest,
        granted: OpenResponse,
    ) {
        self.close(server, granted.instance);
        if asked.group >= GROUP_3 {
            return;
        }
        if self.slots.len() == Self::SLOTS {
            self.slots.remove(0);
        }
        self.slots.push(OpenConnection {
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
    pub(super) fn find(&self, identifier: Identifier, data: &[u8]) -> Option<OpenConnectionEnds> {
        if self.slots.is_empty() { None } else { self.find_slot(identifier, data) }
    }

    fn find_slot(&self, identifier: Identifier, data: &[u8]) -> Option<OpenConnectionEnds> {
        let &[head, second, ..] = data else { return None };
        let header = ExplicitHeader::from_byte(head);
        self.slots.iter().find_map(|slot| slot.between(identifier, header, second, data))
    }
}

impl OpenConnection {
    fn between(
        &self,
        identifier: Identifier,
        header: ExplicitHeader,
        second: u8,
        data: &[u8],
    ) -> Option<OpenConnectionEnds> {
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
        Some(OpenConnectionEnds { from, to, answers })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fieldbus::BodyFormat;

    fn asked(ms: i64, transaction: bool, body: &[u8]) -> PendingRequest {
        let message = ExplicitBody::parse(body, Some(BodyFormat::Class8Instance8)).unwrap();
        let client = MacId::new(1).unwrap();
        PendingRequest::new(Nanos::from_millis(ms), client, transaction, false, &message).unwrap()
    }

    #[test]
    fn a_response_finds_its_request_by_client_bit_and_service() {
        let one = MacId::new(1).unwrap();
        let mut waiting = PendingRequests::default();
        let get = asked(1, false, &[0x0E, 1, 1, 7]);
        let set = asked(2, true, &[0x10, 5, 2, 9, 0x4B, 0]);
        assert_eq!(waiting.ask(get), EarlierRequest::Nothing);
        assert_eq!(waiting.ask(set), EarlierRequest::Nothing);
        assert_eq!(waiting.answer(one, false, Some(Service::SET_SINGLE)), None);
        assert_eq!(waiting.answer(MacId::MAX, true, Some(Service::SET_SINGLE)), None);
        assert_eq!(waiting.answer(one, true, Some(Service::SET_SINGLE)), Some(set));
        assert_eq!(set.data(), [0x4B, 0]);
        assert_eq!(waiting.answer(one, false, None), Some(get));
        assert_eq!(waiting.answer(one, false, None), None);
    }

    #[test]
    fn what_is_never_answered_is_counted() {
        let mut waiting = PendingRequests::default();
        assert_eq!(waiting.ask(asked(1, false, &[0x0E, 1, 1, 7])), EarlierRequest::Nothing);
        assert_eq!(waiting.ask(asked(2, false, &[0x0E, 1, 1, 7])), EarlierRequest::AskedAgain);
        assert_eq!(waiting.ask(asked(3, false, &[0x0E, 1, 1, 6])), EarlierRequest::NeverAnswered);
        assert_eq!(waiting.expire(Nanos::from_millis(10_003)), 0);
        assert_eq!(waiting.expire(Nanos::from_millis(10_004)), 1);
    }

    #[test]
    fn the_table_is_bounded() {
        let mut waiting = PendingRequests::default();
        let ask = |waiting: &mut PendingRequests, n: u8| {
            let request = PendingRequest {
                client: MacId::from_low_bits(n.into()),
                ..asked(n.into(), false, &[0x0E, 1, 1, 7])
            };
            waiting.ask(request)
        };
        assert!((0..4).all(|n| ask(&mut waiting, n) == EarlierRequest::Nothing));
        assert!((4..64).all(|n| ask(&mut waiting, n) == EarlierRequest::NeverAnswered));
    }
}

#[cfg(test)]
mod opened_connections_tests {
    use super::*;

    fn mac(address: u8) -> MacId {
        MacId::new(address).unwrap()
    }

    fn opened() -> OpenConnections {
        let mut open = OpenConnections::default();
        let asked = OpenRequest::parse(&[0, 0x05]).unwrap();
        open.open(mac(1), mac(12), asked, OpenResponse::parse(&[0, 0x5A, 7, 0]).unwrap());
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
            let asked = OpenRequest::parse(&[0, 0x05]).unwrap();
            let granted = OpenResponse::parse(&[0, 0x5A, low, high]).unwrap();
            open.open(mac(1), mac(12), asked, granted);
        }
        assert_eq!(open.slots.len(), OpenConnections::SLOTS);
    }
}
