//! Requests that wait for their response, per node that is asked: paired by client,
//! transaction bit and service.
//!
//! Source: IEC 62026-3, the transaction bit of explicit messages. How long a request waits is
//! our choice: the default timeout of an explicit connection, 4 x 2500 ms.

use crate::fieldbus::{MacId, Message, Service, Target};
use crate::wire::Nanos;

/// After so long a request counts as never answered.
pub const ANSWER_LIMIT: Nanos = Nanos::from_millis(10_000);

/// The most bytes of a request that are kept for its response: enough for an allocation, a
/// number, or the path to an assembly.
const KEPT: usize = 8;

/// A request, kept until its response is there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked {
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

impl Asked {
    /// Keeps a request; `None` if the message is not one.
    pub fn new(
        at: Nanos,
        client: MacId,
        transaction: bool,
        unconnected: bool,
        message: &Message,
    ) -> Option<Asked> {
        let &Message::Request { service, target, data: bytes } = message else { return None };
        let mut data = [0; KEPT];
        let len = bytes.len().min(KEPT);
        data[..len].copy_from_slice(&bytes[..len]);
        let len = len as u8;
        Some(Asked { at, client, transaction, unconnected, service, target, data, len })
    }

    /// The service's own data, its first eight bytes at most.
    pub fn data(&self) -> &[u8] {
        &self.data[..usize::from(self.len).min(KEPT)]
    }

    fn same_request(&self, other: &Asked) -> bool {
        Asked { at: other.at, ..*self } == *other
    }
}

/// What became of an older request when a newer one came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Older {
    /// There was none.
    Nothing,
    /// It was the same one: the client asks again.
    AskedAgain,
    /// It was another one, which was never answered.
    NeverAnswered,
}

/// The requests to one node that are not answered yet.
#[derive(Debug, Clone, Default)]
pub struct Waiting {
    slots: [Option<Asked>; 4],
}

impl Waiting {
    /// Keeps a request.
    pub fn ask(&mut self, asked: Asked) -> Older {
        let key = |a: &Asked| (a.client, a.transaction, a.unconnected);
        if let Some(slot) = self.slots.iter_mut().flatten().find(|slot| key(slot) == key(&asked)) {
            let again = slot.same_request(&asked);
            *slot = asked;
            return if again { Older::AskedAgain } else { Older::NeverAnswered };
        }
        if let Some(slot) = self.slots.iter_mut().find(|slot| slot.is_none()) {
            *slot = Some(asked);
            return Older::Nothing;
        }
        if let Some(oldest) = self.slots.iter_mut().flatten().min_by_key(|slot| slot.at) {
            *oldest = asked;
        }
        Older::NeverAnswered
    }

    /// Finds and takes the request that a response answers. An error response does not name
    /// its service.
    pub fn answer(
        &mut self,
        client: MacId,
        transaction: bool,
        service: Option<Service>,
    ) -> Option<Asked> {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fieldbus::BodyFormat;

    fn asked(ms: i64, transaction: bool, body: &[u8]) -> Asked {
        let message = Message::parse(body, Some(BodyFormat::Class8Instance8)).unwrap();
        let client = MacId::new(1).unwrap();
        Asked::new(Nanos::from_millis(ms), client, transaction, false, &message).unwrap()
    }

    #[test]
    fn a_response_finds_its_request_by_client_bit_and_service() {
        let one = MacId::new(1).unwrap();
        let mut waiting = Waiting::default();
        let get = asked(1, false, &[0x0E, 1, 1, 7]);
        let set = asked(2, true, &[0x10, 5, 2, 9, 0x4B, 0]);
        assert_eq!(waiting.ask(get), Older::Nothing);
        assert_eq!(waiting.ask(set), Older::Nothing);
        assert_eq!(waiting.answer(one, false, Some(Service::SET_SINGLE)), None);
        assert_eq!(waiting.answer(MacId::MAX, true, Some(Service::SET_SINGLE)), None);
        assert_eq!(waiting.answer(one, true, Some(Service::SET_SINGLE)), Some(set));
        assert_eq!(set.data(), [0x4B, 0]);
        assert_eq!(waiting.answer(one, false, None), Some(get));
        assert_eq!(waiting.answer(one, false, None), None);
    }

    #[test]
    fn what_is_never_answered_is_counted() {
        let mut waiting = Waiting::default();
        assert_eq!(waiting.ask(asked(1, false, &[0x0E, 1, 1, 7])), Older::Nothing);
        assert_eq!(waiting.ask(asked(2, false, &[0x0E, 1, 1, 7])), Older::AskedAgain);
        assert_eq!(waiting.ask(asked(3, false, &[0x0E, 1, 1, 6])), Older::NeverAnswered);
        assert_eq!(waiting.expire(Nanos::from_millis(10_003)), 0);
        assert_eq!(waiting.expire(Nanos::from_millis(10_004)), 1);
    }

    #[test]
    fn the_table_is_bounded() {
        let mut waiting = Waiting::default();
        let ask = |waiting: &mut Waiting, n: u8| {
            let request = Asked {
                client: MacId::from_low_bits(n.into()),
                ..asked(n.into(), false, &[0x0E, 1, 1, 7])
            };
            waiting.ask(request)
        };
        assert!((0..4).all(|n| ask(&mut waiting, n) == Older::Nothing));
        assert!((4..64).all(|n| ask(&mut waiting, n) == Older::NeverAnswered));
    }
}
