//! The plan as types: trunk, nodes, cable, taps and supplies, all values in range.

use serde::{Deserialize, Serialize};

use crate::fieldbus::{MacId, Profile};
use crate::wire::{Bitrate, Nanos};

/// What a trunk is meant to be. Made by [`Plan::parse`].
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// What holds for the trunk as a whole.
    pub trunk: PlannedTrunk,
    /// The nodes by address, each address once.
    pub(super) nodes: Vec<PlannedNode>,
    /// The cable and what hangs on it; `None` where the plan gives no section of cable.
    pub cabling: Option<Cabling>,
}

impl Plan {
    /// The nodes in the order of their addresses, masters among them.
    pub fn nodes(&self) -> &[PlannedNode] {
        &self.nodes
    }

    /// The node that is meant to have an address.
    pub fn node(&self, mac_id: MacId) -> Option<&PlannedNode> {
        let index = self.nodes.binary_search_by_key(&mac_id, |node| node.mac_id).ok()?;
        self.nodes.get(index)
    }

    /// The address that sends the bit-strobe command: the first master's, if the plan has one.
    pub fn master(&self) -> Option<MacId> {
        self.nodes.iter().find(|node| node.connection == Connection::Master).map(|n| n.mac_id)
    }
}

/// The trunk as a whole.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedTrunk {
    /// What people call it.
    pub name: String,
    /// 125, 250 or 500 kbit/s.
    pub bitrate: Bitrate,
    /// How often the master is meant to poll each node.
    pub scan_interval: Nanos,
    /// How often one explicit request and its response are allowed for; `None` for never.
    pub explicit_interval: Option<Nanos>,
    /// How long a node is taken to need from a command to its answer, for the drawn scan.
    pub reaction: Nanos,
}

/// One node of the trunk.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedNode {
    /// Its address.
    pub mac_id: MacId,
    /// What people call it.
    pub name: Option<String>,
    /// How it exchanges I/O with its master.
    pub connection: Connection,
    /// I/O bytes from master to node; 0 for none. For a bit-strobe its one bit counts as 0.
    pub command_bytes: u16,
    /// I/O bytes from node to master; 0 for none.
    pub response_bytes: u16,
    /// The least time between two of its messages; change of state and cyclic only.
    pub interval: Option<Nanos>,
    /// Whether change of state or cyclic data is acknowledged.
    pub acknowledged: bool,
    /// How to read its I/O bytes.
    pub profile: Option<Profile>,
    /// The assembly that the master sends.
    pub output_assembly: Option<u16>,
    /// The assembly that the node sends.
    pub input_assembly: Option<u16>,
    /// Who it is meant to be.
    pub identity: PlannedIdentity,
}

impl PlannedNode {
    /// Its name with its address, or the address alone.
    pub fn label(&self) -> String {
        match &self.name {
            Some(name) => format!("{} {name}", self.mac_id),
            None => self.mac_id.to_string(),
        }
    }
}

/// How a node exchanges I/O.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Connection {
    /// The master asks, the node answers.
    Poll,
    /// One command of the master to all such nodes, one bit for each; each answers.
    Strobe,
    /// Either end sends when its data change.
    ChangeOfState,
    /// Either end sends at an interval of its own.
    Cyclic,
    /// No I/O: explicit messages only.
    Explicit,
    /// No slave: it scans the others.
    Master,
}

impl Connection {
    /// The word for it in a plan.
    pub fn word(self) -> &'static str {
        match self {
            Connection::Poll => "poll",
            Connection::Strobe => "strobe",
            Connection::ChangeOfState => "change-of-state",
            Connection::Cyclic => "cyclic",
            Connection::Explicit => "explicit",
            Connection::Master => "master",
        }
    }
}

/// What of a device's identity the plan names; only that is compared with the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PlannedIdentity {
    /// The maker's number.
    pub vendor_id: Option<u16>,
    /// The profile it claims.
    pub device_type: Option<u16>,
    /// The maker's number for the product.
    pub product_code: Option<u16>,
    /// Revision, before the point.
    pub major_revision: Option<u8>,
    /// Revision, after the point.
    pub minor_revision: Option<u8>,
    /// The device's own number.
    pub serial: Option<u32>,
}

/// The cable and what hangs on it. Positions count in metres of trunk from its first end.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cabling {
    /// The trunk, section after section.
    pub sections: Vec<Section>,
    /// The trunk has to keep to the current of North American Class 2 circuits.
    pub class_2: bool,
    /// Where terminators are; `None` where the plan does not say.
    pub terminators_at_m: Option<Vec<f64>>,
    /// Where drop lines or devices join the trunk, by position.
    pub taps: Vec<Tap>,
    /// Where power is fed in, by position.
    pub supplies: Vec<Supply>,
}

impl Cabling {
    /// The length of the trunk.
    pub fn length_m(&self) -> f64 {
        self.sections.iter().map(|section| section.length_m).sum()
    }
}

/// A length of trunk of one kind of cable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    /// The kind of cable.
    pub cable: Cable,
    /// How long it is.
    pub length_m: f64,
    /// What the cable is good for.
    pub figures: CableFigures,
}

/// What a cable is good for: by the standard, or as its maker says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CableFigures {
    /// The resistance of one conductor, in ohms a metre.
    pub ohm_per_m: f64,
    /// The most current that a section of trunk of it may carry, in amperes.
    pub most_current_a: f64,
    /// The longest trunk of it alone at the trunk's bit rate, in metres; `None`: by the standard.
    pub longest_m: Option<f64>,
}

/// The kinds of cable.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Cable {
    /// Thick trunk cable.
    Thick,
    /// Thin cable, for trunks and drop lines.
    Thin,
    /// Flat trunk cable. Makers differ in its figures, so the plan has to give them.
    Flat,
}

/// A place where a drop line or a device joins the trunk.
#[derive(Debug, Clone, PartialEq)]
pub struct Tap {
    /// What it is called in the report.
    pub name: String,
    /// Where on the trunk.
    pub position_m: f64,
    /// The length of its drop line, 0 for none.
    pub drop_m: f64,
    /// The kind of cable of the drop line.
    pub cable: Cable,
    /// The devices on it that take current from the trunk.
    pub loads: Vec<CurrentDraw>,
}

impl Tap {
    /// The current that all devices on it take together.
    pub fn current_a(&self) -> f64 {
        self.loads.iter().map(|load| load.current_a).sum()
    }
}

/// A device that takes current from the trunk.
#[derive(Debug, Clone, PartialEq)]
pub struct CurrentDraw {
    /// What it is called in the report.
    pub name: String,
    /// Its address, where it has one.
    pub mac_id: Option<MacId>,
    /// The current that it takes from the trunk's 24 V.
    pub current_a: f64,
}

/// A power supply of the trunk.
#[derive(Debug, Clone, PartialEq)]
pub struct Supply {
    /// What people call it.
    pub name: String,
    /// Where on the trunk it feeds in.
    pub position_m: f64,
    /// Its voltage at the trunk.
    pub voltage_v: f64,
    /// The most current that it gives, where the plan says.
    pub current_a: Option<f64>,
}
