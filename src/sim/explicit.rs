//! Both ends of explicit messages: a slave's (allocation, identity, connection attributes, errors)
//! and a master's (a list of requests, one after the other, each waiting for its response).
//!
//! Source: IEC 62026-3, explicit messages, body format 8/8; CIP common services.

use std::collections::VecDeque;

use super::exchanges::{Purpose, group2, group3};
use super::scenario::{IoConnection, Millis, NodePlan};
use super::station::{Desk, Timer};
use super::time::Time;
use crate::fieldbus::MacId;

/// State of the I/O connection (IEC 62026-3: connection object, attribute 1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum IoState {
    #[default]
    NonExistent,
    Configuring,
    Established,
    TimedOut,
}

/// The parameter object.
pub(super) const PARAMETER: u8 = 0x0F;

/// A connection that a tool opens: the message ids of Group 3 on which it asks and is answered, and the
/// connection's instance.
pub(super) mod opened {
    pub(in crate::sim) const ASKS: u8 = 1;
    pub(in crate::sim) const ANSWERS: u8 = 2;
    pub(in crate::sim) const INSTANCE: u16 = 0x4701;
}

/// Services.
pub(super) mod service {
    pub(in crate::sim) const GET: u8 = 0x0E;
    pub(in crate::sim) const SET: u8 = 0x10;
    pub(in crate::sim) const ALLOCATE: u8 = 0x4B;
    /// On the unconnected port.
    pub(in crate::sim) const OPEN: u8 = 0x4B;
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

/// In the allocation choice: an explicit connection.
const EXPLICIT: u8 = 0x01;

/// In the allocation choice: the master does not acknowledge what the node sends by itself.
const NO_ACKNOWLEDGE: u8 = 0x40;

/// The allocation choice and the connection instance of a kind of I/O.
pub(super) fn choice(kind: IoConnection) -> (u8, u8) {
    match kind {
        IoConnection::Poll => (0x02, 2),
        IoConnection::Strobe => (0x04, 3),
        IoConnection::MulticastPoll => (0x08, 5),
        IoConnection::ChangeOfState => (0x10, 4),
        IoConnection::Cyclic => (0x20, 4),
    }
}

/// On which identifier a slave answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum ReplyWay {
    /// To its master, by Group 2.
    Master,
    /// Without a connection, by Group 3.
    Unconnected,
    /// To the tool that opened one, by Group 3.
    Opened,
}

/// The explicit message server of a slave.
#[derive(Debug)]
pub(super) struct Server {
    plan: NodePlan,
    master: Option<u8>,
    /// It does not let its rate be set, as a device in a state of its own does.
    pub(super) refuses_setup: bool,
    /// The tool that opened a connection to it.
    client: Option<MacId>,
    /// The replies that wait, whole, with the other end's address.
    replies: VecDeque<(ReplyWay, u8, Vec<u8>)>,
    /// The fragments still to be sent, each after the acknowledge of the one before.
    fragments: VecDeque<Vec<u8>>,
}

impl Server {
    pub(super) fn new(plan: &NodePlan) -> Server {
        let (replies, fragments) = (VecDeque::new(), VecDeque::new());
        let plan = plan.clone();
        Server { plan, master: None, refuses_setup: false, client: None, replies, fragments }
    }

    /// Power came, or the connections are gone.
    pub(super) fn reset(&mut self) {
        self.master = None;
        self.client = None;
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
        self.answer(desk, ReplyWay::Master, (head & 0x3F, service, rest), io, rate);
    }

    /// A tool wants to open a connection (IEC 62026-3: unconnected request, service 4B: body
    /// format, group and message id that it will send with).
    pub(super) fn open(&mut self, desk: &mut Desk, client: MacId, data: &[u8]) {
        let &[_, service::OPEN, 0, _] = data else { return };
        self.client = Some(client);
        let [low, high] = opened::INSTANCE.to_le_bytes();
        let ids = opened::ASKS << 4 | opened::ANSWERS;
        let body = vec![service::OPEN | service::RESPONSE, 0, ids, low, high];
        self.reply_later(desk, ReplyWay::Unconnected, client.get(), body);
    }

    /// A request on the connection that was opened.
    pub(super) fn opened_request(
        &mut self,
        desk: &mut Desk,
        client: MacId,
        data: &[u8],
        io: &mut IoState,
        rate: &mut Time,
    ) {
        let &[_, service, ref rest @ ..] = data else { return };
        if self.client == Some(client) {
            self.answer(desk, ReplyWay::Opened, (client.get(), service, rest), io, rate);
        }
    }

    fn answer(
        &mut self,
        desk: &mut Desk,
        way: ReplyWay,
        (other_end, service, rest): (u8, u8, &[u8]),
        io: &mut IoState,
        rate: &mut Time,
    ) {
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
        self.reply_later(desk, way, other_end, body);
    }

    fn reply_later(&mut self, desk: &mut Desk, way: ReplyWay, other_end: u8, body: Vec<u8>) {
        self.replies.push_back((way, other_end, body));
        let think = desk.chance.between(1_000, 3_000);
        desk.after(desk.clock.micros(think as f64), Timer::Reply);
    }

    fn allocate(&mut self, asked: u8, master: u8, io: &mut IoState) -> Result<Vec<u8>, u8> {
        let (offered, _) = choice(self.plan.connection);
        let without = if self.plan.connection.sends_by_itself() { NO_ACKNOWLEDGE } else { 0 };
        if asked & !(offered | without | EXPLICIT) != 0 {
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
            // Parameters: two bytes that nobody looks at.
            (PARAMETER, 1.., 1) => Ok(vec![instance, 0]),
            (1, 1, _) | (3, 1, _) | (5, 1..=5, _) => Err(status::NO_ATTRIBUTE),
            _ => Err(status::NO_OBJECT),
        }
    }

    /// A reply is ready: whole where it fits, else its first fragment.
    pub(super) fn reply(&mut self, desk: &mut Desk, node: MacId) {
        let Some((way, other_end, body)) = self.replies.pop_front() else { return };
        let purpose = Purpose::Reply { node };
        // A tool asks for nothing that is longer.
        if body.len() < 8 || way != ReplyWay::Master {
            let data = [vec![other_end], body].concat();
            match way {
                ReplyWay::Master => desk.send(group2(3, node, &data), purpose),
                ReplyWay::Unconnected => {
                    desk.send(group3(5, node, &data), Purpose::ToolReply { node });
                }
                ReplyWay::Opened => {
                    let frame = group3(opened::ANSWERS, node, &data);
                    desk.send(frame, Purpose::ToolReply { node });
                }
            }
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

/// How long a request waits for its response.
const TIMEOUT_MS: f64 = 500.0;

/// One request.
#[derive(Debug, Clone, Copy)]
enum Step {
    Allocate { choice: u8 },
    Release { choice: u8 },
    SetRate { instance: u8, ms: u16 },
    Read { attribute: u8 },
}

/// What a dialog is for: its requests in order.
#[derive(Debug, Clone, Default)]
pub(super) struct Goal(VecDeque<Step>);

impl Goal {
    /// Allocate a slave, read who it is, set its rate.
    pub(super) fn allocation(plan: &NodePlan, rate: Millis) -> Goal {
        let (io, instance) = choice(plan.connection);
        let ms = rate.0 as u16;
        let reads = [1, 2, 3, 4, 6, 7].map(|attribute| Step::Read { attribute });
        let without = if plan.only_sends() { NO_ACKNOWLEDGE } else { 0 };
        let mut steps = VecDeque::from([Step::Allocate { choice: io | without | EXPLICIT }]);
        steps.extend(reads);
        steps.push_back(Step::SetRate { instance, ms });
        Goal(steps)
    }

    /// Read one attribute of the identity object.
    pub(super) fn read(attribute: u8) -> Goal {
        Goal(VecDeque::from([Step::Read { attribute }]))
    }
}

/// What came of a response.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Answer {
    /// There is more to ask, or it was not for this.
    GoesOn,
    /// Everything was asked and answered.
    Done,
    /// The slave refused.
    Failed,
}

/// A dialog with one slave.
#[derive(Debug, Default)]
pub(super) struct Dialog {
    steps: VecDeque<Step>,
    /// The number of the request that waits for its response.
    waiting: Option<u64>,
    requests: u64,
}

impl Dialog {
    /// A new one, whose requests are numbered on.
    pub(super) fn after(other: &Dialog) -> Dialog {
        Dialog { requests: other.requests, ..Dialog::default() }
    }

    pub(super) fn is_busy(&self) -> bool {
        self.waiting.is_some()
    }

    pub(super) fn is_waiting_for(&self, request: u64) -> bool {
        self.waiting == Some(request)
    }

    pub(super) fn begin(
        &mut self,
        desk: &mut Desk,
        slot: usize,
        master: MacId,
        node: MacId,
        goal: Goal,
    ) {
        self.steps = goal.0;
        self.ask(desk, slot, master, node);
    }

    fn ask(&mut self, desk: &mut Desk, slot: usize, master: MacId, node: MacId) {
        let Some(&step) = self.steps.front() else { return };
        let head = master.get();
        let (message, data) = match step {
            Step::Allocate { choice } => (6, vec![head, service::ALLOCATE, 3, 1, choice, head]),
            Step::Release { choice } => (6, vec![head, service::RELEASE, 3, 1, choice]),
            Step::SetRate { instance, ms } => {
                let [low, high] = ms.to_le_bytes();
                (4, vec![head, service::SET, 5, instance, 9, low, high])
            }
            Step::Read { attribute } => (4, vec![head, service::GET, 1, 1, attribute]),
        };
        desk.send(group2(message, node, &data), Purpose::Request { node });
        self.requests += 1;
        self.waiting = Some(self.requests);
        let request = self.requests;
        desk.after(desk.clock.millis(TIMEOUT_MS), Timer::RequestTimeout { slot, request });
    }

    /// A response of the slave came.
    pub(super) fn answer(
        &mut self,
        desk: &mut Desk,
        slot: usize,
        master: MacId,
        node: MacId,
        data: &[u8],
    ) -> Answer {
        let (&[head, service, ref rest @ ..], Some(&step)) = (data, self.steps.front()) else {
            return Answer::GoesOn;
        };
        if self.waiting.is_none() || head & 0x3F != master.get() {
            return Answer::GoesOn;
        }
        if head & fragment::IN_HEADER != 0 {
            let acknowledge = [head, fragment::ACKNOWLEDGE | service & 0x3F, 0];
            desk.send(group2(4, node, &acknowledge), Purpose::Request { node });
            if service & fragment::ACKNOWLEDGE != fragment::LAST {
                return Answer::GoesOn;
            }
        } else if service & service::RESPONSE == 0 {
            return Answer::GoesOn;
        } else if service == service::ERROR | service::RESPONSE {
            match (step, rest.first()) {
                (Step::Allocate { choice }, Some(&status::ALREADY)) => {
                    self.steps.push_front(Step::Release { choice });
                    self.ask(desk, slot, master, node);
                    return Answer::GoesOn;
                }
                // What cannot be read is left out.
                (Step::Read { .. }, _) => {}
                _ => return Answer::Failed,
            }
        }
        self.waiting = None;
        self.steps.pop_front();
        if self.steps.is_empty() {
            return Answer::Done;
        }
        self.ask(desk, slot, master, node);
        Answer::GoesOn
    }
}
