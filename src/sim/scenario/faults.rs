//! What can go wrong: the faults that a scenario switches on, each with when, how hard, where.

use serde::Deserialize;

use super::Recovery;
use super::values::{
    CommandAssembly, FrameId, FrameLength, Length, Micros, Millis, PeriodMillis, Rate, Seconds,
    Share, StatusAssembly,
};
use crate::fieldbus::MacId;
use crate::wire::Bitrate;

/// One fault and when it is on.
#[derive(Debug, Clone)]
pub struct Fault {
    /// What goes wrong, how hard and where.
    pub kind: FaultKind,
    /// When it begins.
    pub from_s: Seconds,
    /// When it ends; never, without it.
    pub until_s: Option<Seconds>,
}

/// What goes wrong, how hard and where.
#[derive(Debug, Clone, Deserialize, strum::IntoStaticStr, strum::VariantNames)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
#[strum(serialize_all = "kebab-case")]
pub enum FaultKind {
    /// A second device with the address of a node.
    DuplicateAddress {
        /// The address.
        mac_id: MacId,
        /// The maker's number of the newcomer.
        vendor_id: u16,
        /// The serial number of the newcomer.
        serial: u32,
        /// Whether anybody notices.
        sharing: Sharing,
    },
    /// A node answers late.
    SlowNode {
        /// The node.
        mac_id: MacId,
        /// By how much.
        extra_us: Micros,
        /// How often.
        #[serde(default = "always")]
        share: Share,
    },
    /// A node does not answer some polls.
    SkipPolls {
        /// The node.
        mac_id: MacId,
        /// How many of them.
        #[serde(default = "always")]
        share: Share,
    },
    /// A connector that loses contact and finds it again.
    LooseConnector {
        /// The node behind it.
        mac_id: MacId,
        /// The mean time with contact.
        mean_on_s: Seconds,
        /// The mean time without.
        mean_off_ms: Millis,
        /// Whether the node gets its power through it and so starts anew.
        #[serde(default)]
        loses_power: bool,
    },
    /// Electrical noise on the trunk.
    Noise {
        /// When it strikes.
        pattern: NoisePattern,
        /// Mean number of bits that it would strike in a second of a fully loaded bus.
        #[serde(default)]
        rate_per_s: Rate,
        /// From one burst to the next, for a periodic one.
        #[serde(default)]
        period_ms: Millis,
        /// The drive that it comes with.
        mac_id: Option<MacId>,
    },
    /// A node or its drop spoils what it sends, or what it hears.
    NoisyNode {
        /// The node.
        mac_id: MacId,
        /// How many of its frames.
        #[serde(default)]
        share: Share,
        /// How many of the frames that it hears; being error-active it destroys them for all.
        #[serde(default)]
        receive_share: Share,
    },
    /// No terminator at the far end: reflections spoil long frames from far nodes.
    MissingTerminator {
        /// How many frames of eight bytes between the ends of the trunk.
        share: Share,
    },
    /// A newcomer that is set to another bit rate.
    WrongBitrate {
        /// Its address.
        mac_id: MacId,
        /// Its bit rate: 125000, 250000 or 500000, and not that of the trunk. The lower it is, the
        /// later the newcomer notices that it understands nothing, and the sooner others notice
        /// that they do not understand it.
        bitrate: Bitrate,
        /// Whether it leaves bus-off by itself and begins again.
        #[serde(default)]
        bus_off_recovery: Recovery,
    },
    /// A node is alone on the wire: all others are off.
    NoAcknowledge {
        /// The node that is left.
        mac_id: MacId,
    },
    /// A node's transmitter is broken: whatever it sends is destroyed, until it is bus-off.
    BusOff {
        /// The node.
        mac_id: MacId,
    },
    /// A node answers with another size than it should.
    WrongSize {
        /// The node.
        mac_id: MacId,
        /// The size of its responses.
        response_bytes: Length,
    },
    /// The master polls a node with another size than it takes; the node does not answer.
    WrongCommandSize {
        /// The node.
        mac_id: MacId,
        /// The size of the commands.
        command_bytes: Length,
    },
    /// A node is off.
    NodeOff {
        /// The node.
        mac_id: MacId,
    },
    /// A node is not on the master's scan list.
    NotOnScanList {
        /// The node.
        mac_id: MacId,
    },
    /// The master allocates a node and does not poll it.
    NotPolled {
        /// The node.
        mac_id: MacId,
    },
    /// The master sets a node's expected packet rate to another value.
    PacketRate {
        /// The node.
        mac_id: MacId,
        /// The expected packet rate.
        rate_ms: Millis,
    },
    /// A node lets itself be allocated and then refuses to be set up.
    RefusesSetup {
        /// The node.
        mac_id: MacId,
    },
    /// A drive is set to other assemblies than the master.
    WrongAssembly {
        /// The drive.
        mac_id: MacId,
        /// What it takes its commands for: 20 or 21.
        output_assembly: CommandAssembly,
        /// What it answers with: 70 or 71.
        input_assembly: StatusAssembly,
    },
    /// A drive takes its run command and speed from its own terminals.
    LocalControl {
        /// The drive.
        mac_id: MacId,
        /// Which of them.
        #[serde(default)]
        takes: Takes,
    },
    /// A drive is not ready: its enable input is open.
    DriveNotReady {
        /// The drive.
        mac_id: MacId,
    },
    /// A drive trips; when the fault ends it is reset.
    DriveTrip {
        /// The drive.
        mac_id: MacId,
    },
    /// The master does not ask a drive for control from the network.
    ControlNotAsked {
        /// The drive.
        mac_id: MacId,
    },
    /// The master is off.
    MasterStop {},
    /// The master is idle: it polls with no data.
    MasterIdle {},
    /// The master scans faster than the trunk can carry.
    Overload {
        /// The scan interval.
        scan_interval_ms: PeriodMillis,
    },
    /// Something sends without end.
    Babble {
        /// The 11-bit identifier.
        id: FrameId,
        /// How many bytes.
        bytes: FrameLength,
        /// From one frame to the next; back to back with 0.
        interval_ms: Millis,
    },
    /// Something sends identifiers that are not allowed on the trunk.
    InvalidIdentifier {
        /// The mean time from one frame to the next.
        interval_ms: PeriodMillis,
    },
    /// The supply sags and several nodes start anew.
    SupplySag {
        /// The nodes.
        mac_ids: Vec<MacId>,
        /// How long they are off.
        off_ms: Millis,
    },
    /// The adapter's receive buffer overflows once.
    ReceiveOverflow {
        /// How many frames are lost.
        frames: u32,
    },
    /// The adapter is unplugged while the fault is on.
    AdapterUnplugged {},
}

/// What a drive takes from its own terminals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Takes {
    /// Run and stop, and the speed.
    #[default]
    Both,
    /// Run and stop.
    Control,
    /// The speed.
    Reference,
}

/// Whether anybody notices a second device with an address in use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Sharing {
    /// The holder answers the newcomer's address check.
    Refused,
    /// The holder does not answer, and the newcomer comes on line beside it.
    Contested,
    /// The newcomer makes no check at all.
    Silent,
}

/// When noise strikes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoisePattern {
    /// At any time.
    Random,
    /// Again and again after the same time.
    Periodic,
    /// At any time while a drive runs.
    DriveRunning,
    /// At any time, in proportion to a drive's speed.
    DriveSpeed,
}

fn always() -> Share {
    Share(1.0)
}

impl FaultKind {
    /// Every kind there is, by its name in a scenario.
    pub const NAMES: &[&str] = <FaultKind as strum::VariantNames>::VARIANTS;

    /// Its name in a scenario.
    pub fn name(&self) -> &'static str {
        self.into()
    }

    /// Whether it ends by itself, so that a scenario does not say when.
    pub(super) fn ends_by_itself(&self) -> bool {
        use FaultKind::*;
        matches!(self, BusOff { .. } | SupplySag { .. } | ReceiveOverflow { .. })
    }

    /// Whether the nodes that it names have to be drives.
    pub(super) fn needs_drive(&self) -> bool {
        use FaultKind::*;
        matches!(
            self,
            Noise { .. }
                | WrongAssembly { .. }
                | LocalControl { .. }
                | DriveNotReady { .. }
                | DriveTrip { .. }
                | ControlNotAsked { .. }
        )
    }

    /// The nodes of the scenario that it names.
    pub fn mac_ids(&self) -> Vec<MacId> {
        use FaultKind::*;
        match self {
            DuplicateAddress { mac_id, .. }
            | SlowNode { mac_id, .. }
            | SkipPolls { mac_id, .. }
            | LooseConnector { mac_id, .. }
            | NoisyNode { mac_id, .. }
            | NoAcknowledge { mac_id }
            | BusOff { mac_id }
            | WrongSize { mac_id, .. }
            | WrongAssembly { mac_id, .. }
            | WrongCommandSize { mac_id, .. }
            | NodeOff { mac_id }
            | NotOnScanList { mac_id }
            | NotPolled { mac_id }
            | PacketRate { mac_id, .. }
            | RefusesSetup { mac_id }
            | LocalControl { mac_id, .. }
            | DriveNotReady { mac_id }
            | DriveTrip { mac_id }
            | ControlNotAsked { mac_id } => vec![*mac_id],
            Noise { mac_id, .. } => mac_id.iter().copied().collect(),
            SupplySag { mac_ids, .. } => mac_ids.clone(),
            MissingTerminator { .. }
            | WrongBitrate { .. }
            | MasterStop {}
            | MasterIdle {}
            | Overload { .. }
            | Babble { .. }
            | InvalidIdentifier { .. }
            | ReceiveOverflow { .. }
            | AdapterUnplugged {} => Vec::new(),
        }
    }
}
