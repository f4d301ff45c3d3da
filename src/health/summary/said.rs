//! The part of the summary that comes from what masters and nodes said to each other.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Identity, Summary};
use crate::fieldbus::{
    Choice, ConnectionKind, ConnectionState, DeviceId, DriveCommand, DriveStatus, Identity as Read,
    InputAssembly, Light, MacId, OutputAssembly, Target, watchdog_action,
};
use crate::trunk::{Connection, FragmentCounts, Known, Node, Trunk};
use crate::wire::Nanos;

/// What masters and the node said to each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema, Default)]
#[serde(default)]
pub struct Said {
    /// The predefined connections that are allocated now, as far as the wire told.
    pub allocated: Choice,
    /// The master that owns the node.
    pub owner: Option<Known<MacId>>,
    /// Times that a master allocated connections.
    pub allocations: u64,
    /// Times that connections were released.
    pub releases: u64,
    /// The predefined connections of which anything is known.
    pub connections: Vec<ConnectionFacts>,
    /// What the status lights should show at the end; to compare with what is seen.
    pub lights: Lights,
    /// Explicit messages to and from the node.
    pub explicit: Explicit,
    /// Fragmented I/O messages to and from the node.
    pub io_fragments: Fragments,
    /// How it is driven, if it is an AC drive; `null` otherwise.
    pub drive: Option<Drive>,
}

/// One predefined connection.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ConnectionFacts {
    /// Which one.
    pub kind: ConnectionKind,
    /// Its state at the end, as far as the wire shows.
    pub state: ConnectionState,
    /// Expected packet rate; 0 is no watchdog. It times out after four times this.
    pub expected_packet_rate_ms: Option<u16>,
    /// What it does when it times out.
    pub watchdog_action: Option<String>,
    /// Least time between two messages of the node.
    pub inhibit_ms: Option<u16>,
    /// Bytes that the node sends.
    pub produced_bytes: Option<Known<u16>>,
    /// Bytes that the node receives.
    pub consumed_bytes: Option<Known<u16>>,
    /// The assembly that the node sends, where its path was set or read.
    pub produced_assembly: Option<u16>,
    /// The assembly that the node receives, where its path was set or read.
    pub consumed_assembly: Option<u16>,
    /// Times that it timed out.
    pub timeouts: u64,
}

/// What the status lights should show; `null` where the wire does not tell.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema, Default)]
#[serde(default)]
pub struct Lights {
    /// Module light.
    pub module: Option<Light>,
    /// Network light.
    pub network: Option<Light>,
    /// A second device that was refused this address.
    pub refused_device: Option<DeviceId>,
    /// The network light of that device.
    pub refused_network: Option<Light>,
}

/// Explicit messages to and from a node.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema, Default)]
#[serde(default)]
pub struct Explicit {
    /// Requests to the node.
    pub requests: u64,
    /// Those that it granted.
    pub responses: u64,
    /// Those that it refused.
    pub errors: u64,
    /// Those that it never answered.
    pub unanswered: u64,
    /// Those that were asked again before an answer came.
    pub asked_again: u64,
    /// Responses whose request was not seen.
    pub unasked: u64,
    /// Messages cut short.
    pub cut_short: u64,
    /// Explicit connections that it opened for a client, on the unconnected port of Group 3.
    #[serde(default)]
    pub opened: u64,
    /// Explicit connections that it closed for a client.
    #[serde(default)]
    pub closed: u64,
    /// Heartbeats.
    pub heartbeats: u64,
    /// Shutdowns.
    pub shutdowns: u64,
    /// Messages in fragments.
    pub fragments: Fragments,
}

/// How messages in fragments went.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema, Default)]
#[serde(default)]
pub struct Fragments {
    /// Messages that came out whole.
    pub whole: u64,
    /// Fragments sent again.
    pub repeated: u64,
    /// Messages with a missing fragment.
    pub lost: u64,
    /// Fragments with a count that made no sense.
    pub wrong_count: u64,
    /// Messages that were not ended: a new one began.
    pub not_ended: u64,
    /// Messages that stopped in the middle.
    pub timed_out: u64,
    /// Acknowledges that were missing, wrong or a refusal.
    pub acknowledges_wrong: u64,
    /// Messages too long to be kept.
    pub too_long: u64,
}

/// How an AC drive is driven.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Drive {
    /// The assembly that it is sent, and how that is known; inferred is a guess.
    pub output_assembly: Option<Known<u16>>,
    /// The assembly that it sends, and how that is known; inferred is a guess.
    pub input_assembly: Option<Known<u16>>,
    /// The last command.
    pub command: Option<DriveCommand>,
    /// What the drive said last.
    pub status: Option<DriveStatus>,
}

impl Summary {
    /// Adds what the trunk learnt of each node.
    pub fn add_said(&mut self, trunk: &Trunk) {
        for node in &mut self.nodes {
            let known = trunk.node(node.mac_id);
            node.identity = merged(node.identity.take(), &known.identity);
            node.said = Said::of(known, trunk.now());
        }
    }
}

/// What was read belongs to the device that holds the address, unless it says otherwise.
fn merged(holder: Option<Identity>, read: &Read) -> Option<Identity> {
    let known = holder.is_some() || *read != Read::default();
    let other = holder.as_ref().is_some_and(|holder| {
        let differs = |a: Option<u32>, b: Option<u32>| a.zip(b).is_some_and(|(a, b)| a != b);
        differs(holder.serial, read.serial)
            || differs(holder.vendor_id.map(u32::from), read.vendor_id.map(u32::from))
    });
    if !known || other {
        return holder;
    }
    let (vendor_id, serial) = match holder {
        Some(holder) => (holder.vendor_id, holder.serial),
        None => (None, None),
    };
    Some(Identity {
        vendor_id: vendor_id.or(read.vendor_id),
        serial: serial.or(read.serial),
        device_type: read.device_type,
        product_code: read.product_code,
        major_revision: read.revision.map(|(major, _)| major),
        minor_revision: read.revision.map(|(_, minor)| minor),
        product_name: read.name.as_deref().map(str::to_string),
    })
}

impl Said {
    fn of(node: &Node, now: Nanos) -> Said {
        let connections = &node.connections;
        let lights = node.lights(now);
        let counts = &node.explicit;
        Said {
            allocated: connections.allocated,
            owner: connections.owner,
            allocations: connections.allocations,
            releases: connections.releases,
            connections: ConnectionKind::ALL
                .into_iter()
                .map(|kind| (kind, connections.get(kind)))
                .filter(|(_, connection)| connection.is_known())
                .map(|(kind, connection)| ConnectionFacts::of(kind, connection))
                .collect(),
            lights: Lights {
                module: lights.module,
                network: lights.network,
                refused_device: lights.refused.map(|(device, _)| device),
                refused_network: lights.refused.map(|(_, light)| light),
            },
            explicit: Explicit {
                requests: counts.requests,
                responses: counts.responses,
                errors: counts.errors,
                unanswered: counts.unanswered,
                asked_again: counts.asked_again,
                unasked: counts.unasked,
                cut_short: counts.cut_short,
                opened: counts.opened,
                closed: counts.closed,
                heartbeats: counts.heartbeats,
                shutdowns: counts.shutdowns,
                fragments: Fragments::of(&counts.fragments),
            },
            io_fragments: Fragments::of(&node.io_fragments),
            drive: Drive::of(node),
        }
    }
}

impl ConnectionFacts {
    fn of(kind: ConnectionKind, connection: &Connection) -> ConnectionFacts {
        let assembly = |path: Option<Target>| {
            path.filter(|path| path.class == crate::fieldbus::Class::ASSEMBLY)
                .map(|path| path.instance)
        };
        ConnectionFacts {
            kind,
            state: connection.state,
            expected_packet_rate_ms: connection.rate_ms,
            watchdog_action: connection.watchdog.and_then(watchdog_action).map(String::from),
            inhibit_ms: connection.inhibit_ms,
            produced_bytes: connection.produced,
            consumed_bytes: connection.consumed,
            produced_assembly: assembly(connection.produced_path),
            consumed_assembly: assembly(connection.consumed_path),
            timeouts: connection.timeouts,
        }
    }
}

impl Fragments {
    fn of(counts: &FragmentCounts) -> Fragments {
        Fragments {
            whole: counts.whole,
            repeated: counts.repeated,
            lost: counts.lost,
            wrong_count: counts.wrong_count,
            not_ended: counts.not_ended,
            timed_out: counts.timed_out,
            acknowledges_wrong: counts.acknowledges,
            too_long: counts.too_long,
        }
    }
}

impl Drive {
    fn of(node: &Node) -> Option<Drive> {
        let drive = &node.drive;
        let output: Option<Known<OutputAssembly>> = drive.output;
        let input: Option<Known<InputAssembly>> = drive.input;
        if output.is_none() && input.is_none() {
            return None;
        }
        Some(Drive {
            output_assembly: output
                .map(|known| Known { value: known.value.instance(), origin: known.origin }),
            input_assembly: input
                .map(|known| Known { value: known.value.instance(), origin: known.origin }),
            command: drive.command(),
            status: drive.status(),
        })
    }
}
