//! The messages that a plan's nodes exchange: identifiers, sizes, how often, and what triggers
//! them.
//!
//! Source: IEC 62026-3, predefined master/slave connection set.

use super::model::{Connection, Plan, PlannedNode};
use super::wire_time::Shape;
use crate::fieldbus::{Identifier, MacId};
use crate::wire::{Nanos, StandardId};

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
    pub pace: Pace,
    /// The message that it answers.
    pub answers: Option<StandardId>,
}

/// How often a message is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pace {
    /// Once each scan.
    Scan,
    /// At most once in an interval of its own.
    Own(Nanos),
}

impl PlannedMessage {
    /// Its frames: one, or fragments where it has more than 8 bytes.
    pub fn frames(&self) -> Vec<Shape> {
        if self.bytes <= 8 {
            return vec![Shape { id: self.id, first: None, open_bytes: self.bytes as u8 }];
        }
        let count = self.bytes.div_ceil(FRAGMENT_BYTES);
        let fragment = |index: u16| {
            let kind = match index {
                0 => 0x00,
                _ if index + 1 < count => 0x40,
                _ => 0x80,
            };
            let rest = self.bytes - index * FRAGMENT_BYTES;
            Shape {
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
    let pace = node.interval.map_or(Pace::Scan, Pace::Own);
    let (data, acknowledge) = match node.connection {
        Connection::ChangeOfState => ("change of state data", "change of state acknowledge"),
        _ => ("cyclic data", "cyclic acknowledge"),
    };
    let mac_id = node.mac_id;
    let of =
        |id, words, from_slave| PlannedMessage { pace, ..message(mac_id, id, words, from_slave) };
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
        pace: Pace::Own(interval),
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
        pace: Pace::Scan,
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

    /// The fragmented poll of 10 bytes as published device manuals show it: 00 and seven
    /// bytes, 81 and three.
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
