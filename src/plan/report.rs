//! What `dropline plan` says, as one value: for text, JSON and the hand-over page alike.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::Serialize;

use super::cable::TERMINATOR_OHM;
use super::limits::{Limit, LimitVerdict, limits};
use super::model::{Cable, Cabling, Connection, Plan};
use super::supply::Network;
use super::traffic::{MessageTimes, PlannedMessage, Traffic, room};
use crate::words::CAUTIONS;

/// The report on a plan, format `dropline-plan-report`, version 1.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PlanReport {
    /// Always `dropline-plan-report`.
    pub format: &'static str,
    /// The version of the format.
    pub version: u32,
    /// The plan in short.
    pub plan: PlanSummary,
    /// The worst verdict of all limits.
    pub verdict: LimitVerdict,
    /// Every limit that the plan says enough about.
    pub limits: Vec<Limit>,
    /// What the plan puts on the wire.
    pub traffic: TrafficReport,
    /// The cable; null where the plan has none.
    pub cable: Option<CableReport>,
    /// Current and voltage; null where the plan has no cable or no supply.
    pub supply: Option<SupplyReport>,
    /// What was supposed, and what the plan does not say.
    pub notes: Vec<String>,
    /// What everybody at the trunk must know.
    pub cautions: Vec<&'static str>,
}

/// A plan in short.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PlanSummary {
    /// The trunk's name.
    pub name: String,
    /// Bits per second.
    pub bitrate: u32,
    /// How often each node is scanned.
    pub scan_interval_ms: f64,
    /// How many nodes there are, masters among them.
    pub nodes: usize,
}

/// What a plan puts on the wire.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TrafficReport {
    /// The share of the bus with random data, 1 for all of it.
    pub mean_load: f64,
    /// The share of the bus with the data that need the most stuff bits.
    pub worst_load: f64,
    /// The shortest scan interval at which every I/O message is through before its next; null
    /// where there is none or nothing is scanned.
    pub shortest_scan_interval_ms: Option<f64>,
    /// The room for more nodes.
    pub room: RoomReport,
    /// Each message, the highest priority first.
    pub messages: Vec<MessageReport>,
}

/// How many more nodes fit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct RoomReport {
    /// I/O bytes from the master to such a node.
    pub command_bytes: u16,
    /// I/O bytes from such a node to the master.
    pub response_bytes: u16,
    /// How many more polled nodes fit at the scan interval.
    pub nodes: usize,
    /// The addresses that are free.
    pub free_addresses: usize,
    /// The shortest scan interval with one more such node; null where there is none.
    pub shortest_scan_interval_ms_with_one: Option<f64>,
}

/// One message.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct MessageReport {
    /// Its identifier, three hex digits.
    pub id: String,
    /// What it is for.
    pub message: String,
    /// The node that it belongs to; null for the bit-strobe command, which is for several.
    pub mac_id: Option<u8>,
    /// Whether it is part of the allowance for explicit messages.
    pub explicit: bool,
    /// The bytes that it carries.
    pub bytes: u16,
    /// How many frames it takes.
    pub frames: usize,
    /// Its time on the wire, interframe space included.
    pub wire_us: Wire,
    /// The least time between two of it.
    pub interval_ms: f64,
    /// From ready to send to wholly received, in the worst case; null without bound.
    pub worst_response_ms: Option<f64>,
}

/// A time on the wire over all data that a message can carry.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct Wire {
    /// The least.
    pub least: f64,
    /// The mean over random data.
    pub mean: f64,
    /// The greatest.
    pub worst: f64,
}

/// The cable of a plan.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CableReport {
    /// The length of the trunk.
    pub trunk_m: f64,
    /// The longest way between two ends, in metres of thick cable.
    pub counted_as_thick_m: f64,
    /// All drop lines together.
    pub drops_m: f64,
    /// What an ohmmeter shows between the data wires with the power off; null where the plan
    /// names no terminator.
    pub between_data_wires_ohm: Option<f64>,
}

/// Current and voltage along the trunk.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SupplyReport {
    /// Each supply.
    pub supplies: Vec<SupplyPoint>,
    /// The trunk piece by piece.
    pub pieces: Vec<PieceReport>,
    /// Each device that takes current or has an address.
    pub devices: Vec<DeviceReport>,
}

/// A supply.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SupplyPoint {
    /// Its name.
    pub name: String,
    /// Where it feeds in.
    pub position_m: f64,
    /// Its voltage.
    pub voltage_v: f64,
    /// The current that it gives.
    pub current_a: f64,
    /// The most that it is rated for; null where the plan does not say.
    pub rated_a: Option<f64>,
}

/// A piece of trunk.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct PieceReport {
    /// Where it begins.
    pub from_m: f64,
    /// Where it ends.
    pub to_m: f64,
    /// The kind of cable.
    pub cable: Cable,
    /// Its current, positive away from 0 m.
    pub current_a: f64,
    /// The most that it may carry.
    pub most_a: f64,
    /// What one conductor loses on it.
    pub drop_v: f64,
}

/// A device on the trunk.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct DeviceReport {
    /// Its name.
    pub name: String,
    /// Its address; null where it has none.
    pub mac_id: Option<u8>,
    /// Where its tap is.
    pub position_m: f64,
    /// Its drop line.
    pub drop_m: f64,
    /// The current that it takes.
    pub current_a: f64,
    /// What one conductor of the trunk has lost up to its tap.
    pub trunk_drop_v: f64,
    /// The voltage at the device.
    pub voltage_v: f64,
}

/// The size of one more node that the report tells the room for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Size {
    /// I/O bytes from master to node.
    pub command_bytes: u16,
    /// I/O bytes from node to master.
    pub response_bytes: u16,
}

impl PlanReport {
    /// The version of the format.
    pub const VERSION: u32 = 1;

    /// Predicts everything that a plan says enough about.
    pub fn of(plan: &Plan, traffic: &Traffic, size: Size) -> PlanReport {
        let network = plan.cabling.as_ref().and_then(Network::of);
        let limits = limits(plan, traffic, network.as_ref());
        let room = room(plan, size.command_bytes, size.response_bytes);
        PlanReport {
            format: "dropline-plan-report",
            version: PlanReport::VERSION,
            plan: PlanSummary {
                name: plan.trunk.name.clone(),
                bitrate: plan.trunk.bitrate.get(),
                scan_interval_ms: plan.trunk.scan_interval.as_secs() * 1e3,
                nodes: plan.nodes().len(),
            },
            verdict: limits.iter().map(|limit| limit.verdict).max().unwrap_or(LimitVerdict::Kept),
            limits,
            traffic: TrafficReport {
                mean_load: traffic.mean_load,
                worst_load: traffic.worst_load,
                shortest_scan_interval_ms: traffic.shortest_scan.map(|t| t.as_secs() * 1e3),
                room: RoomReport {
                    command_bytes: size.command_bytes,
                    response_bytes: size.response_bytes,
                    nodes: room.nodes,
                    free_addresses: room.free_addresses,
                    shortest_scan_interval_ms_with_one: room
                        .shortest_scan_with_one
                        .map(|t| t.as_secs() * 1e3),
                },
                messages: traffic.messages.iter().map(|times| message(plan, times)).collect(),
            },
            cable: plan.cabling.as_ref().map(|cabling| cable(plan, cabling)),
            supply: plan.cabling.as_ref().zip(network.as_ref()).map(|(c, n)| supply(c, n)),
            notes: notes(plan, network.as_ref()),
            cautions: CAUTIONS.to_vec(),
        }
    }
}

impl PlannedMessage {
    /// The node that it belongs to, in words.
    pub fn whose(&self, plan: &Plan) -> String {
        match self.node.map(|mac_id| (mac_id, plan.node(mac_id))) {
            Some((_, Some(node))) => node.label(),
            Some((mac_id, None)) => mac_id.to_string(),
            None => "all strobed nodes".into(),
        }
    }
}

fn message(plan: &Plan, times: &MessageTimes) -> MessageReport {
    let rate = plan.trunk.bitrate;
    let us = |bits: f64| bits * 1e6 / f64::from(rate.get());
    MessageReport {
        id: format!("{:03X}", times.message.id.as_raw()),
        message: times.message.words.to_owned(),
        mac_id: times.message.node.map(|mac_id| mac_id.get()),
        explicit: times.message.explicit,
        bytes: times.message.bytes,
        frames: times.frames.len(),
        wire_us: Wire {
            least: us(times.wire.least as f64),
            mean: us(times.wire.mean),
            worst: us(times.wire.worst as f64),
        },
        interval_ms: times.period.as_secs() * 1e3,
        worst_response_ms: times.response.map(|bits| rate.duration(bits).as_secs() * 1e3),
    }
}

fn cable(plan: &Plan, cabling: &Cabling) -> CableReport {
    let terminators = cabling.terminators_at_m.as_ref().map(Vec::len).filter(|&count| count > 0);
    CableReport {
        trunk_m: cabling.length_m(),
        counted_as_thick_m: cabling.thick_length_m(plan.trunk.bitrate),
        drops_m: cabling.taps.iter().map(|tap| tap.drop_m).sum(),
        between_data_wires_ohm: terminators.map(|count| TERMINATOR_OHM / count as f64),
    }
}

fn supply(cabling: &Cabling, network: &Network) -> SupplyReport {
    let supplies = cabling.supplies.iter().zip(&network.supply_a);
    let devices = cabling.taps.iter().zip(&network.taps).flat_map(|(tap, at)| {
        tap.loads.iter().map(|load| DeviceReport {
            name: load.name.clone(),
            mac_id: load.mac_id.map(|mac_id| mac_id.get()),
            position_m: tap.position_m,
            drop_m: tap.drop_m,
            current_a: load.current_a,
            trunk_drop_v: at.drop_v,
            voltage_v: at.device_v,
        })
    });
    let pieces = network.pieces.iter().filter(|piece| piece.to_m > piece.from_m);
    SupplyReport {
        supplies: supplies
            .map(|(supply, &current_a)| SupplyPoint {
                name: supply.name.clone(),
                position_m: supply.position_m,
                voltage_v: supply.voltage_v,
                current_a,
                rated_a: supply.current_a,
            })
            .collect(),
        pieces: pieces
            .map(|piece| PieceReport {
                from_m: piece.from_m,
                to_m: piece.to_m,
                cable: piece.cable,
                // Without the sign of a zero.
                current_a: piece.current_a + 0.0,
                most_a: piece.most_current_a,
                drop_v: piece.drop_v,
            })
            .collect(),
        devices: devices.collect(),
    }
}

fn notes(plan: &Plan, network: Option<&Network>) -> Vec<String> {
    let mut notes = vec![
        "Wire times cover every payload of a message; the mean takes all as equally likely, and \
         real data often need a little more."
            .to_owned(),
        "Worst response is from ready to send to wholly received, with errors left out: the time \
         that a node needs to make its answer comes on top. Each message is taken as sent at \
         most once in its interval."
            .to_owned(),
    ];
    notes.push(match plan.trunk.explicit_interval {
        Some(interval) => format!(
            "One explicit request and response of 8 bytes every {} ms are allowed for \
             (explicit_interval_ms).",
            interval.as_secs() * 1e3
        ),
        None => "No explicit messages are allowed for (explicit_interval_ms = 0).".into(),
    });
    let strobed = plan.nodes().iter().any(|node| node.connection == Connection::Strobe);
    if strobed && plan.master().is_none() {
        notes.push(
            "The plan names no master; its bit-strobe command is taken as from address 0.".into(),
        );
    }
    notes.extend(cabling_notes(plan, network));
    notes
}

fn cabling_notes(plan: &Plan, network: Option<&Network>) -> Vec<String> {
    let Some(cabling) = &plan.cabling else {
        return vec![
            "The plan has no cable ([[trunk.section]]): lengths, currents and voltages \
                     are not looked at."
                .into(),
        ];
    };
    let mut notes = Vec::new();
    if cabling.terminators_at_m.is_none() {
        notes.push("The plan does not say where the terminators are (terminators_at_m).".into());
    }
    let Some(network) = network else {
        notes.push(
            "The plan has no supply ([[trunk.supply]]): currents and voltages are not looked at."
                .into(),
        );
        return notes;
    };
    notes.push(
        "Voltages are calculated from nominal figures. A voltage measured at the device under \
         full load decides."
            .into(),
    );
    let located: BTreeMap<_, _> = cabling
        .taps
        .iter()
        .flat_map(|tap| &tap.loads)
        .filter_map(|load| Some((load.mac_id?, load.current_a)))
        .collect();
    for node in plan.nodes() {
        match located.get(&node.mac_id) {
            None => notes.push(format!(
                "Node {} has no place on the cable; its current is not counted.",
                node.label()
            )),
            Some(0.0) => notes.push(format!(
                "Node {} has no current_a; it is taken to draw nothing.",
                node.label()
            )),
            Some(_) => {}
        }
    }
    for (supply, current) in cabling.supplies.iter().zip(&network.supply_a) {
        if *current == 0.0 && cabling.supplies.len() > 1 {
            notes.push(format!(
                "{} gives no current: another one holds the trunk higher.",
                supply.name
            ));
        }
    }
    notes.extend(table_note(cabling, network));
    notes
}

/// The standard's quick table, where it applies: one supply, one kind of cable.
fn table_note(cabling: &Cabling, network: &Network) -> Option<String> {
    let [supply] = cabling.supplies.as_slice() else { return None };
    let cable = cabling.sections.first()?.cable;
    if cabling.sections.iter().any(|section| section.cable != cable) {
        return None;
    }
    let sides = [supply.position_m, cabling.length_m() - supply.position_m];
    let at_supply = |side: usize| {
        let touches = |at: f64| (at - supply.position_m).abs() < 1e-9;
        let beside = network.pieces.iter().filter(|piece| {
            piece.to_m > piece.from_m && touches(if side == 0 { piece.to_m } else { piece.from_m })
        });
        beside.map(|piece| piece.current_a.abs()).fold(0.0, f64::max)
    };
    let over = (0..2).find_map(|side| {
        let current = at_supply(side);
        let most = cable.table_current_a(sides[side]).unwrap_or(0.0);
        (current > most).then_some((sides[side], current, most))
    });
    Some(match over {
        None => "The standard's table of greatest current by trunk length is kept on each side \
                 of the supply."
            .into(),
        Some((side_m, current, most)) => format!(
            "The standard's table of greatest current by trunk length allows {most} A on the \
             {side_m} m side of the supply, which carries {current:.2} A. The table supposes all \
             load at the far end; the voltage lost, above, decides."
        ),
    })
}

impl Traffic {
    /// Whether anything is sent once each scan.
    pub(super) fn has_scan(&self) -> bool {
        self.messages
            .iter()
            .any(|times| times.message.send_interval == super::traffic::SendInterval::Scan)
    }
}
