//! A slave's end of explicit messages: allocation, identity, connection attributes, errors.
//!
//! Source: IEC 62026-3, explicit messages, body format 8/8; CIP common services.

use std::collections::VecDeque;

use crate::fieldbus::MacId;

use super::message::{Purpose, group2};
use super::scenario::{ConnectionKind, NodePlan};
use super::station::{Desk, Timer};
use super::time::Time;

/// State of the I/O connection (IEC 62026-3: connection object, attribute 1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum IoState {
    #[default]
    NonExistent,
    Configuring,
    Established,
    TimedOut,
}

/// Services.
pub(super) mod service {
    pub(in crate::sim) const GET: u8 = 0x0E;
    pub(in crate::sim) const SET: u8 = 0x10;
    pub(in crate::sim) const ALLOCATE: u8 = 0x4B;
    pub(in crate::sim) const RELEASE: u8 = 0x4C;
    pub(in crate::sim) const ERROR: u8 = 0x14;
    /// Added to a service in its response.
    pub(in crate::sim) const RESPONSE: u8 = 0x80;
}

/// General status.
pub(super) mod status {
    pub(in crate::sim) const UNAVAILABLE: u8 = 0x02;
    pub(in crate::sim) const NOT_SUPPORTED: u8 = 0x08;
    pub(in crate::sim) const ALREADY: u8 = 0x0B;
    pub(in crate::sim) const DEVICE_STATE: u8 = 0x10;
    pub(in crate::sim) const NO_ATTRIBUTE: u8 = 0x14;
    pub(in crate::sim) const NO_OBJECT: u8 = 0x16;
}

/// Fragment byte of explicit messages: type in bits 7–6, count in bits 5–0.
pub(super) mod fragment {
    pub(in crate::sim) const IN_HEADER: u8 = 0x80;
    pub(in crate::sim) const MIDDLE: u8 = 0x40;
    pub(in crate::sim) const LAST: u8 = 0x80;
    pub(in crate::sim) const ACKNOWLEDGE: u8 = 0xC0;
    /// Bytes that one carries after header and fragment byte.
    pub(in crate::sim) const BYTES: usize = 6;
}

/// The allocation choice and the connection instance of a kind of I/O.
pub(super) fn choice(kind: ConnectionKind) -> (u8, u8) {
    match kind {
        ConnectionKind::Poll => (0x02, 2),
        ConnectionKind::Strobe => (0x04, 3),
        ConnectionKind::ChangeOfState => (0x10, 4),
        ConnectionKind::Cyclic => (0x20, 4),
    }
}

/// The explicit message server of a slave.
#[derive(Debug)]
pub(super) struct Server {
    plan: NodePlan,
    master: Option<u8>,
    /// It does not let its rate be set, as a device in a state of its own does.
    pub(super) refuses_setup: bool,
    /// The replies that wait, whole, with the other end's address.
    replies: VecDeque<(u8, Vec<u8>)>,
    /// The fragments still to be sent, each after the acknowledge of the one before.
    fragments: VecDeque<Vec<u8>>,
}

impl Server {
    pub(super) fn new(plan: &NodePlan) -> Server {
        let (replies, fragments) = (VecDeque::new(), VecDeque::new());
        let plan = plan.clone();
        Server { plan, master: None, refuses_setup: false, replies, fragments }
    }

    /// Power came, or the connections are gone.
    pub(super) fn reset(&mut self) {
        self.master = None;
        self.replies.clear();
        self.fragments.clear();
    }

    /// A request came. Allocation and the expected packet rate change the I/O connection.
    pub(super) fn request(
        &mut self,
        desk: &mut Desk,
        data: &[u8],
        io: &mut IoState,
        rate: &mut Time,
    ) {
        let &[head, service, ref rest @ ..] = data else { return };
        if head & fragment::IN_HEADER != 0 {
            if service >= fragment::ACKNOWLEDGE {
                self.next_fragment(desk);
            }
            return;
        }
        let answer = match (service, rest) {
            (service::ALLOCATE, &[3, 1, choice, master]) => self.allocate(choice, master, io),
            (service::RELEASE, &[3, 1, choice]) => self.release(choice, io),
            (service::GET, &[class, instance, attribute]) => self.get(class, instance, attribute),
            (service::SET, _) if self.refuses_setup => Err(status::DEVICE_STATE),
            (service::SET, &[5, instance, 9, low, high]) => {
                self.set_rate(desk, instance, u16::from_le_bytes([low, high]), io, rate)
            }
            (service::GET | service::SET, _) => Err(status::NO_ATTRIBUTE),
            _ => Err(status::NOT_SUPPORTED),
        };
        let body = match answer {
            Ok(body) => [vec![service | service::RESPONSE], body].concat(),
            Err(status) => vec![service::ERROR | service::RESPONSE, status, 0xFF],
        };
        self.replies.push_back((head & 0x3F, body));
        let think = desk.chance.between(1_000, 3_000);
        desk.after(desk.clock.micros(think as f64), Timer::Reply);
    }

    fn allocate(&mut self, asked: u8, master: u8, io: &mut IoState) -> Result<Vec<u8>, u8> {
        let (offered, _) = choice(self.plan.connection);
        if asked & !(offered | 0x01) != 0 {
            return Err(status::UNAVAILABLE);
        }
        if self.master.is_some() && *io == IoState::Established {
            return Err(status::ALREADY);
        }
        self.master = Some(master);
        if asked & offered != 0 {
            *io = IoState::Configuring;
        }
        Ok(vec![0x00])
    }

    fn release(&mut self, asked: u8, io: &mut IoState) -> Result<Vec<u8>, u8> {
        if asked & choice(self.plan.connection).0 != 0 {
            *io = IoState::NonExistent;
        }
        self.master = None;
        Ok(Vec::new())
    }

    /// The rate is granted in whole clock ticks of 1 ms.
    fn set_rate(
        &mut self,
        desk: &Desk,
        instance: u8,
        ms: u16,
        io: &mut IoState,
        rate: &mut Time,
    ) -> Result<Vec<u8>, u8> {
        if instance == choice(self.plan.connection).1 {
            if *io == IoState::NonExistent {
                return Err(status::NO_OBJECT);
            }
            *rate = desk.clock.millis(f64::from(ms));
            *io = IoState::Established;
        }
        Ok(ms.to_le_bytes().to_vec())
    }

    fn get(&self, class: u8, instance: u8, attribute: u8) -> Result<Vec<u8>, u8> {
        let plan = &self.plan;
        match (class, instance, attribute) {
            (1, 1, 1) => Ok(plan.vendor_id.to_le_bytes().to_vec()),
            (1, 1, 2) => Ok(plan.device_type.to_le_bytes().to_vec()),
            (1, 1, 3) => Ok(plan.product_code.to_le_bytes().to_vec()),
            (1, 1, 4) => Ok(vec![plan.major_revision, plan.minor_revision]),
            (1, 1, 5) => Ok(vec![u8::from(self.master.is_some()), 0]),
            (1, 1, 6) => Ok(plan.serial.to_le_bytes().to_vec()),
            (1, 1, 7) => {
                let name: Vec<u8> = plan.name.bytes().take(32).collect();
                Ok([vec![name.len() as u8], name].concat())
            }
            (1, 1, _) | (3, 1, _) | (5, 1..=4, _) => Err(status::NO_ATTRIBUTE),
            _ => Err(status::NO_OBJECT),
        }
    }

    /// A reply is ready: whole where it fits, else its first fragment.
    pub(super) fn reply(&mut self, desk: &mut Desk, node: MacId) {
        let Some((other_end, body)) = self.replies.pop_front() else { return };
        let purpose = Purpose::Reply { node };
        if body.len() < 8 {
            desk.send(group2(3, node, &[vec![other_end], body].concat()), purpose);
            return;
        }
        let count = body.len().div_ceil(fragment::BYTES);
        self.fragments = body
            .chunks(fragment::BYTES)
            .enumerate()
            .map(|(i, chunk)| {
                let kind = match i {
                    0 => 0,
                    _ if i + 1 == count => fragment::LAST,
                    _ => fragment::MIDDLE,
                };
                let head = [fragment::IN_HEADER | other_end, kind | (i as u8 & 0x3F)];
                [head.to_vec(), chunk.to_vec()].concat()
            })
            .collect();
        self.next_fragment(desk);
    }

    fn next_fragment(&mut self, desk: &mut Desk) {
        if let Some(data) = self.fragments.pop_front() {
            let node = self.plan.mac_id;
            desk.send(group2(3, node, &data), Purpose::Reply { node });
        }
    }
}
