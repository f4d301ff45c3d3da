//! What a plan puts on the wire: the messages that its nodes exchange, bus load, response times, the
//! shortest scan interval that fits, and the room for more nodes.
//!
//! Source: IEC 62026-3, predefined master/slave connection set.

use super::model::{Connection, Plan, PlannedNode};
use super::response_time::{Message, response_time, response_times};
use super::wire_time::{FrameShape, WireTime};
use crate::fieldbus::{Identifier, MacId};
use crate::wire::{BitTime, Bitrate, Nanos, StandardId};

/// The longest frame that anybody on the trunk may just have begun, whatever the plan says: an
/// address check, a heartbeat, an explicit message to some other node. 55 + 10 × 8 bits.
const FOREIGN_BITS: u64 = 135;

/// The longest scan interval that a search looks at, as long as the plan may have.
const LONGEST_MS: i64 = 65_535;

/// The predicted traffic of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Traffic {
    /// Each message with its times, the highest priority first.
    pub messages: Vec<MessageTimes>,
    /// The share of the bus with random data, 1 for all of it.
    pub mean_load: f64,
    /// The share of the bus with the data that need the most stuff bits.
    pub worst_load: f64,
    /// The shortest scan interval at which every I/O message is through before its next one is
    /// due; `None` where no interval up to 65.535 s is long enough, or nothing is scanned.
    pub shortest_scan: Option<Nanos>,
    /// Whether every I/O message is through before its next one at the plan's interval.
    pub fits: bool,
}

/// One message with its times in bit times.
#[derive(Debug, Clone, PartialEq)]
pub struct MessageTimes {
    /// The message.
    pub message: PlannedMessage,
    /// Its frames one by one.
    pub frames: Vec<WireTime>,
    /// All its frames on the wire, interframe space included.
    pub wire: WireTime,
    /// The least time between two of it.
    pub period: Nanos,
    /// From ready to send to wholly received, in the worst case; `None` without bound.
    pub response: Option<BitTime>,
}

impl Traffic {
    /// Predicts the traffic of a plan.
    pub fn of(plan: &Plan) -> Traffic {
        let load = TimedMessages::of(plan, messages(plan));
        let scan = load.bits(plan.trunk.scan_interval);
        let responses = response_times(&load.at(scan), FOREIGN_BITS, 1);
        let share = |bits: f64, send_interval| {
            let period = plan.period(send_interval).as_secs() * f64::from(plan.trunk.bitrate.get());
            bits / period
        };
        let shares = |of: fn(&WireTime) -> f64| {
            load.parts.iter().map(|part| share(of(&part.wire), part.message.send_interval)).sum()
        };
        Traffic {
            mean_load: shares(|wire| wire.mean),
            worst_load: shares(|wire| wire.worst as f64),
            shortest_scan: load.shortest_scan().map(|bits| plan.trunk.bitrate.duration(bits)),
            fits: load.fits(scan),
            messages: load
                .parts
                .into_iter()
                .zip(responses)
                .map(|(part, response)| MessageTimes {
                    frames: part.frames,
                    wire: part.wire,
                    period: plan.period(part.message.send_interval),
                    response: response.map(BitTime),
                    message: part.message,
                })
                .collect(),
        }
    }
}

/// How many more polled nodes of a size still fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// The nodes that the plan's scan interval and its free addresses have room for.
    pub nodes: usize,
    /// The addresses that the plan leaves free.
    pub free_addresses: usize,
    /// The shortest scan interval with one more; `None` where there is none or no address is free.
    pub shortest_scan_with_one: Option<Nanos>,
}

/// How many more polled nodes with these I/O sizes fit at the plan's scan interval. They take
/// the free addresses from the lowest up; a master that the plan does not name keeps address 0.
pub fn room(plan: &Plan, command_bytes: u16, response_bytes: u16) -> Room {
    let taken = |mac_id: &MacId| {
        plan.node(*mac_id).is_some() || (mac_id.get() == 0 && plan.master().is_none())
    };
    let free: Vec<_> = MacId::all().filter(|mac_id| !taken(mac_id)).collect();
    let mut all = messages(plan);
    let own = all.len();
    all.extend(
        free.iter().flat_map(|&mac_id| poll_messages(mac_id, command_bytes, response_bytes)),
    );
    let everything = TimedMessages::of_unsorted(plan, all);
    let load = |more: usize| {
        let parts = everything.parts[..own + 2 * more].to_vec();
        TimedMessages { parts, bitrate: plan.trunk.bitrate }.sorted()
    };
    let with = |more: usize| {
        let load = load(more);
        load.fits(load.bits(plan.trunk.scan_interval))
    };
    // More nodes never help, so halving finds the last count that fits.
    let counts: Vec<_> = (1..=free.len()).collect();
    let nodes = counts.partition_point(|&more| with(more));
    let shortest_scan_with_one = (!free.is_empty()).then(|| load(1).shortest_scan()).flatten();
    Room {
        nodes,
        free_addresses: free.len(),
        shortest_scan_with_one: shortest_scan_with_one
            .map(|bits| plan.trunk.bitrate.duration(bits)),
    }
}

impl Plan {
    /// How often a message of this kind is sent.
    fn period(&self, send_interval: SendInterval) -> Nanos {
        match send_interval {
            SendInterval::Scan => self.trunk.scan_interval,
            SendInterval::Own(interval) => interval,
        }
    }
}

/// Messages with their wire times, by priority.
struct TimedMessages {
    parts: Vec<TimedMessage>,
    bitrate: Bitrate,
}

#[derive(Clone)]
struct TimedMessage {
    message: PlannedMessage,
    frames: Vec<WireTime>,
    wire: WireTime,
}

impl TimedMessages {
    fn of(plan: &Plan, messages: Vec<PlannedMessage>) -> TimedMessages {
        TimedMessages::of_unsorted(plan, messages).sorted()
    }

    fn of_unsorted(plan: &Plan, messages: Vec<PlannedMessage>) -> TimedMessages {
        let parts = messages.into_iter().map(|message| {
            let frames: Vec<_> = message.frames().iter().map(FrameShape::wire_time).collect();
            let none = WireTime { least: 0, mean: 0.0, worst: 0 };
            let wire = frames.iter().fold(none, |sum, &frame| sum.then(frame));
            TimedMessage { message, frames, wire }
        });
        TimedMessages { parts: parts.collect(), bitrate: plan.trunk.bitrate }
    }

    fn sorted(mut self) -> TimedMessages {
        self.parts.sort_by_key(|part| part.message.id);
        self
    }

    /// Whole bit times in a span, rounded down: a shorter period is the harder one.
    fn bits(&self, span: Nanos) -> u64 {
        let bits = i128::from(span.0) * i128::from(self.bitrate.get()) / 1_000_000_000;
        u64::try_from(bits).unwrap_or(0)
    }

    /// The messages for the response-time test, with a scan interval in bit times.
    fn at(&self, scan: u64) -> Vec<Message> {
        self.parts.iter().map(|part| self.message(part, scan)).collect()
    }

    fn message(&self, part: &TimedMessage, scan: u64) -> Message {
        let period = match part.message.send_interval {
            SendInterval::Scan => scan,
            SendInterval::Own(interval) => self.bits(interval),
        };
        let worst = part.frames.iter().map(|frame| frame.worst);
        let last = worst.clone().next_back().unwrap_or(0);
        Message { total: part.wire.worst, last, longest: worst.max().unwrap_or(0), period }
    }

    /// Whether every I/O message is through before its next one is due.
    fn fits(&self, scan: u64) -> bool {
        let set = self.at(scan);
        // The lowest priority mostly fails first.
        self.parts.iter().enumerate().rev().filter(|(_, part)| !part.message.explicit).all(
            |(index, _)| {
                response_time(&set, index, FOREIGN_BITS, 1)
                    .is_some_and(|response| response <= set[index].period)
            },
        )
    }

    /// By halving: a longer interval only takes interference away.
    fn shortest_scan(&self) -> Option<BitTime> {
        let scanned = |part: &&TimedMessage| part.message.send_interval == SendInterval::Scan;
        let mut long = self.bits(Nanos::from_millis(LONGEST_MS));
        if !self.parts.iter().any(|part| scanned(&part)) || !self.fits(long) {
            return None;
        }
        // One scan's own messages need this in any case.
        let own = self.parts.iter().filter(scanned).map(|part| part.wire.worst);
        let mut short = own.sum::<u64>();
        while long - short.min(long) > 1 {
            let middle = short + (long - short) / 2;
            if self.fits(middle) {
                long = middle;
            } else {
                short = middle;
            }
        }
        Some(BitTime(long))
    }
}

/// How much of a message one fragment carries behind its fragment byte.
const FRAGMENT_BYTES: u16 = 7;

/// One message of the plan, sent again and again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlannedMessage {
    /// Its identifier, which is its priority.
    pub id: StandardId,
    /// What it is for, in words.
    pub words: &'static str,
    /// The node that it belongs to; `None` for the bit-strobe command, which is for several.
    pub node: Option<MacId>,
    /// Whether a slave sends it, or else a master.
    pub from_slave: bool,
    /// Whether it is part of the allowance for explicit messages, or else I/O.
    pub explicit: bool,
    /// The bytes that it carries, fragment bytes not counted.
    pub bytes: u16,
    /// How often it is sent.
    pub send_interval: SendInterval,
    /// The message that it answers.
    pub answers: Option<StandardId>,
}

/// How often a message is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SendInterval {
    /// Once each scan.
    Scan,
    /// At most once in an interval of its own.
    Own(Nanos),
}

impl PlannedMessage {
    /// Its frames: one, or fragments where it has more than 8 bytes.
    pub fn frames(&self) -> Vec<FrameShape> {
        if self.bytes <= 8 {
            return vec![FrameShape { id: self.id, first: None, open_bytes: self.bytes as u8 }];
        }
        let count = self.bytes.div_ceil(FRAGMENT_BYTES);
        let fragment = |index: u16| {
            let kind = match index {
                0 => 0x00,
                _ if index + 1 < count => 0x40,
                _ => 0x80,
            };
            let rest = self.bytes - index * FRAGMENT_BYTES;
            FrameShape {
                id: self.id,
                first: Some(kind | (index & 0x3F) as u8),
                open_bytes: rest.min(FRAGMENT_BYTES) as u8,
            }
        };
        (0..count).map(fragment).collect()
    }
}

/// All messages of a plan by priority, the highest first. No two have the same identifier.
pub fn messages(plan: &Plan) -> Vec<PlannedMessage> {
    let mut messages: Vec<_> = plan.nodes().iter().flat_map(node_messages).collect();
    let strobed = |node: &&PlannedNode| node.connection == Connection::Strobe;
    if plan.nodes().iter().any(|node| strobed(&node)) {
        messages.push(strobe_command(plan));
        for node in plan.nodes().iter().filter(strobed) {
            messages.push(PlannedMessage {
                bytes: node.response_bytes,
                answers: Some(strobe_command(plan).id),
                ..message(node.mac_id, group1(0xE, node.mac_id), "bit-strobe response", true)
            });
        }
    }
    messages.extend(explicit_allowance(plan));
    messages.sort_by_key(|message| message.id);
    messages
}

/// The messages of a polled node, as if it were added to a plan.
pub fn poll_messages(
    mac_id: MacId,
    command_bytes: u16,
    response_bytes: u16,
) -> [PlannedMessage; 2] {
    let command = message(mac_id, group2(5, mac_id), "poll command", false);
    let response = message(mac_id, group1(0xF, mac_id), "poll response", true);
    [
        PlannedMessage { bytes: command_bytes, ..command.clone() },
        PlannedMessage { bytes: response_bytes, answers: Some(command.id), ..response },
    ]
}

/// The messages of one node, without the bit-strobe, which is shared.
fn node_messages(node: &PlannedNode) -> Vec<PlannedMessage> {
    match node.connection {
        Connection::Poll => {
            poll_messages(node.mac_id, node.command_bytes, node.response_bytes).into()
        }
        Connection::ChangeOfState | Connection::Cyclic => own_pace_messages(node),
        Connection::Strobe | Connection::Explicit | Connection::Master => Vec::new(),
    }
}

/// Change of state and cyclic: data either way, each acknowledged by an empty message unless
/// that is switched off.
fn own_pace_messages(node: &PlannedNode) -> Vec<PlannedMessage> {
    let send_interval = node.interval.map_or(SendInterval::Scan, SendInterval::Own);
    let (data, acknowledge) = match node.connection {
        Connection::ChangeOfState => ("change of state data", "change of state acknowledge"),
        _ => ("cyclic data", "cyclic acknowledge"),
    };
    let mac_id = node.mac_id;
    let of = |id, words, from_slave| PlannedMessage {
        send_interval,
        ..message(mac_id, id, words, from_slave)
    };
    let directions = [
        (
            node.response_bytes,
            of(group1(0xD, mac_id), data, true),
            of(group2(2, mac_id), acknowledge, false),
        ),
        (
            node.command_bytes,
            of(group2(5, mac_id), data, false),
            of(group1(0xF, mac_id), acknowledge, true),
        ),
    ];
    let mut messages = Vec::new();
    for (bytes, data, acknowledge) in directions.into_iter().filter(|(bytes, ..)| *bytes > 0) {
        if node.acknowledged {
            messages.push(PlannedMessage { answers: Some(data.id), ..acknowledge });
        }
        messages.push(PlannedMessage { bytes, ..data });
    }
    messages
}

/// One frame with a bit for each of the 64 addresses; a master not in the plan counts as 0.
fn strobe_command(plan: &Plan) -> PlannedMessage {
    let master = plan.master().unwrap_or(MacId::from_low_bits(0));
    let command = message(master, group2(0, master), "bit-strobe command", false);
    PlannedMessage { node: None, bytes: 8, ..command }
}

/// One request and its response of 8 bytes each, to the slave with the lowest address: there
/// they are in the way of the most other messages.
fn explicit_allowance(plan: &Plan) -> Vec<PlannedMessage> {
    let slave = plan.nodes().iter().find(|node| node.connection != Connection::Master);
    let (Some(interval), Some(slave)) = (plan.trunk.explicit_interval, slave) else {
        return Vec::new();
    };
    let of = |id, words, from_slave| PlannedMessage {
        explicit: true,
        bytes: 8,
        send_interval: SendInterval::Own(interval),
        ..message(slave.mac_id, id, words, from_slave)
    };
    let request = of(group2(4, slave.mac_id), "explicit request", false);
    let response = of(group2(3, slave.mac_id), "explicit response", true);
    vec![PlannedMessage { answers: Some(request.id), ..response }, request]
}

fn message(node: MacId, id: Identifier, words: &'static str, from_slave: bool) -> PlannedMessage {
    PlannedMessage {
        id: id.id(),
        words,
        node: Some(node),
        from_slave,
        explicit: false,
        bytes: 0,
        send_interval: SendInterval::Scan,
        answers: None,
    }
}

fn group1(message: u8, source: MacId) -> Identifier {
    Identifier::Group1 { message, source }
}

fn group2(message: u8, node: MacId) -> Identifier {
    Identifier::Group2 { message, node }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ids(nodes: &str) -> Vec<(u16, u16)> {
        let head = "[trunk]\nname = \"t\"\nbitrate = 125000\nscan_interval_ms = 20\n";
        let plan = Plan::parse(&format!("{head}{nodes}")).unwrap();
        messages(&plan).iter().map(|m| (m.id.as_raw(), m.bytes)).collect()
    }

    /// Identifiers by the layout in IEC 62026-3.
    #[test]
    fn each_connection_has_its_identifiers() {
        let none = "explicit_interval_ms = 0\n";
        let poll =
            "[[node]]\nmac_id = 33\nconnection = \"poll\"\ncommand_bytes = 4\nresponse_bytes = 6\n";
        assert_eq!(ids(&format!("{none}{poll}")), [(0x3E1, 6), (0x50D, 4)]);
        assert_eq!(ids(poll), [(0x3E1, 6), (0x50B, 8), (0x50C, 8), (0x50D, 4)]);
        let strobe = "[[node]]\nmac_id = 42\nconnection = \"master\"\n\
                      [[node]]\nmac_id = 35\nconnection = \"strobe\"\nresponse_bytes = 2\n";
        assert_eq!(ids(&format!("{none}{strobe}")), [(0x3A3, 2), (0x550, 8)]);
        let state = "[[node]]\nmac_id = 31\nconnection = \"change-of-state\"\n\
                     command_bytes = 1\nresponse_bytes = 3\n";
        let acknowledged = [(0x35F, 3), (0x3DF, 0), (0x4FA, 0), (0x4FD, 1)];
        assert_eq!(ids(&format!("{none}{state}")), acknowledged);
        assert_eq!(ids(&format!("{none}{state}acknowledged = false\n")), [(0x35F, 3), (0x4FD, 1)]);
    }

    /// A poll of 10 bytes, by IEC 62026-3: 00 and seven bytes, 81 and three.
    #[test]
    fn over_eight_bytes_are_fragments() {
        let mac_id = MacId::new(9).unwrap();
        let [command, response] = poll_messages(mac_id, 10, 21);
        let shape = |first, open_bytes| (Some(first), open_bytes);
        let of = |message: &PlannedMessage| -> Vec<_> {
            message.frames().iter().map(|frame| (frame.first, frame.open_bytes)).collect()
        };
        assert_eq!(of(&command), [shape(0x00, 7), shape(0x81, 3)]);
        assert_eq!(of(&response), [shape(0x00, 7), shape(0x41, 7), shape(0x82, 7)]);
    }
}
