//! A scenario: the trunk to simulate and what goes wrong on it, as TOML.
//!
//! Units are in the names. A scenario is refused with all its problems at once, each with its line
//! and key; a key that would have no effect is one.

mod check;
mod faults;
mod read;
mod values;

use serde::Deserialize;

use crate::fieldbus::{InputAssembly, MacId, OutputAssembly};
use crate::wire::Bitrate;

pub use faults::{Fault, FaultKind, NoisePattern, Sharing, Takes};
pub use values::{
    CommandAssembly, FrameData, FrameId, FrameLength, Length, Metres, Micros, Millis, PeriodMillis,
    PeriodSeconds, Rate, Seconds, Share, StatusAssembly, ValueError,
};

/// A trunk, what is on it, and what goes wrong.
#[derive(Debug, Clone)]
pub struct Scenario {
    /// The trunk itself and how long to watch it.
    pub trunk: TrunkPlan,
    /// The master.
    pub master: MasterPlan,
    /// The slaves.
    pub node: Vec<NodePlan>,
    /// Configuration tools.
    pub tool: Vec<ToolPlan>,
    /// Frames that come round on their own.
    pub talker: Vec<TalkerPlan>,
    /// What goes wrong.
    pub faults: Vec<Fault>,
}

/// The trunk itself and how long to watch it.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TrunkPlan {
    /// What people call it.
    pub name: String,
    /// Bits per second.
    pub bitrate: Bitrate,
    /// How long to watch.
    pub duration_s: Seconds,
    /// When the capture says it began.
    #[serde(default = "default_started")]
    pub started: jiff::Timestamp,
    /// The seed, unless another is given.
    #[serde(default)]
    pub seed: u64,
    /// The length of the trunk cable: how far reflections go.
    #[serde(default = "default_length")]
    pub length_m: Metres,
}

fn default_started() -> jiff::Timestamp {
    jiff::Timestamp::constant(1_772_433_000, 0)
}

fn default_length() -> Metres {
    Metres(100.0)
}

fn one() -> u8 {
    1
}

/// The master and how it scans.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MasterPlan {
    /// Its address.
    #[serde(default = "address_zero")]
    pub mac_id: MacId,
    /// The maker's number.
    pub vendor_id: u16,
    /// Its serial number.
    pub serial: u32,
    /// From the start of one scan to the next; without it scans run back to back.
    pub scan_interval_ms: Option<PeriodMillis>,
    /// The pause between scans that run back to back.
    #[serde(default = "default_gap")]
    pub scan_gap_ms: Millis,
    /// How long a scan that runs back to back waits for an answer.
    #[serde(default = "default_timeout")]
    pub response_timeout_ms: Millis,
    /// How long after a lost node is asked again.
    #[serde(default = "default_retry")]
    pub retry_ms: Millis,
    /// How often it reads something from one of its nodes; never, without it.
    pub explicit_interval_s: Option<PeriodSeconds>,
    /// Where it is on the trunk.
    #[serde(default)]
    pub position_m: Metres,
    /// When it gets power.
    #[serde(default)]
    pub power_on_ms: Millis,
}

fn address_zero() -> MacId {
    MacId::from_low_bits(0)
}

fn default_gap() -> Millis {
    Millis(1.0)
}

fn default_timeout() -> Millis {
    Millis(20.0)
}

fn default_retry() -> Millis {
    Millis(1000.0)
}

/// How a slave's I/O comes round.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, strum::Display)]
#[serde(rename_all = "kebab-case")]
#[strum(serialize_all = "kebab-case")]
pub enum IoConnection {
    /// Command and response, one node at a time.
    Poll,
    /// One command to all, a response of each.
    Strobe,
    /// One command with data to a group, a response of each.
    MulticastPoll,
    /// The node speaks when something changed, and at its expected packet rate.
    ChangeOfState,
    /// The node speaks at its expected packet rate.
    Cyclic,
}

impl IoConnection {
    /// Whether one command is for several nodes.
    pub(super) fn is_for_several(self) -> bool {
        matches!(self, IoConnection::Strobe | IoConnection::MulticastPoll)
    }

    /// Whether the node speaks without being asked.
    pub(super) fn sends_by_itself(self) -> bool {
        matches!(self, IoConnection::ChangeOfState | IoConnection::Cyclic)
    }
}

/// Whether a controller leaves bus-off by itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Recovery {
    /// After 128 times 11 recessive bits.
    #[default]
    Automatic,
    /// Only when its power is switched off and on.
    Manual,
}

/// One slave.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NodePlan {
    /// Its address.
    pub mac_id: MacId,
    /// What it does on the line.
    pub name: String,
    /// How its I/O comes round.
    pub connection: IoConnection,
    /// Master to node.
    #[serde(default)]
    pub command_bytes: Length,
    /// Node to master.
    #[serde(default)]
    pub response_bytes: Length,
    /// The expected packet rate that the master sets; it times out after four times this.
    #[serde(default = "default_rate")]
    pub expected_packet_rate_ms: Millis,
    /// The maker's number.
    pub vendor_id: u16,
    /// Its serial number.
    pub serial: u32,
    /// The device profile.
    #[serde(default)]
    pub device_type: u16,
    /// The maker's number of the product.
    #[serde(default)]
    pub product_code: u16,
    /// Revision before the point.
    #[serde(default = "one")]
    pub major_revision: u8,
    /// Revision after the point.
    #[serde(default = "one")]
    pub minor_revision: u8,
    /// The least time from a command to its response being ready to send.
    #[serde(default = "default_delay_min")]
    pub delay_min_us: Micros,
    /// The mean of it: the part above the least is exponential.
    #[serde(default = "default_delay_mean")]
    pub delay_mean_us: Micros,
    /// The most.
    #[serde(default = "default_delay_max")]
    pub delay_max_us: Micros,
    /// How often it sends a heartbeat; never, without it.
    pub heartbeat_s: Option<PeriodSeconds>,
    /// Whether the master acknowledges what it sends by itself, for change of state and cyclic.
    #[serde(default = "yes")]
    pub acknowledged: bool,
    /// The mean time between changes of its input, for change of state.
    #[serde(default = "default_change")]
    pub change_interval_ms: PeriodMillis,
    /// Where it is on the trunk.
    #[serde(default)]
    pub position_m: Metres,
    /// When it gets power.
    #[serde(default)]
    pub power_on_ms: Millis,
    /// Whether it leaves bus-off by itself.
    #[serde(default)]
    pub bus_off_recovery: Recovery,
    /// An AC drive, if it is one.
    pub drive: Option<DrivePlan>,
}

fn default_rate() -> Millis {
    Millis(75.0)
}

fn default_delay_min() -> Micros {
    Micros(600.0)
}

fn default_delay_mean() -> Micros {
    Micros(900.0)
}

fn default_delay_max() -> Micros {
    Micros(4000.0)
}

fn default_change() -> PeriodMillis {
    PeriodMillis(500.0)
}

/// Where a drive takes its run command and its speed from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ControlSource {
    /// From the master.
    #[default]
    Network,
    /// From its own terminals or keypad.
    Local,
}

/// An AC drive and what the master asks of it.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DrivePlan {
    /// What the master sends: 20 or 21.
    #[serde(default = "default_output")]
    pub output_assembly: CommandAssembly,
    /// What the master expects: 70 or 71.
    #[serde(default = "default_input")]
    pub input_assembly: StatusAssembly,
    /// Where it is set to take its commands from.
    #[serde(default)]
    pub source: ControlSource,
    /// Whether the master asks for control of run and stop and of the speed, where the assembly
    /// can.
    #[serde(default = "yes")]
    pub asks_control: bool,
    /// How fast it changes speed.
    #[serde(default = "default_ramp")]
    pub ramp_rpm_per_s: u16,
    /// The speed that the master asks for.
    #[serde(default = "default_speed")]
    pub speed_rpm: i16,
    /// When the master first asks it to run.
    #[serde(default)]
    pub run_from_s: Seconds,
    /// When the master asks it to stop; never, without it.
    pub run_until_s: Option<Seconds>,
    /// Running and standing, over and over: how long it runs of each cycle.
    pub cycle_run_s: Option<Seconds>,
    /// How long it stands of each cycle.
    #[serde(default)]
    pub cycle_stand_s: Seconds,
}

fn yes() -> bool {
    true
}

fn default_output() -> CommandAssembly {
    CommandAssembly(OutputAssembly::EXTENDED)
}

fn default_input() -> StatusAssembly {
    StatusAssembly(InputAssembly::EXTENDED)
}

fn default_ramp() -> u16 {
    600
}

fn default_speed() -> i16 {
    1200
}

/// A configuration tool: it claims its address and reads parameters of one node.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ToolPlan {
    /// Its address.
    pub mac_id: MacId,
    /// The maker's number.
    pub vendor_id: u16,
    /// Its serial number.
    pub serial: u32,
    /// The node whose parameters it reads.
    pub reads: MacId,
    /// How many of them.
    #[serde(default = "default_parameters")]
    pub parameters: u8,
    /// When it is clipped on.
    #[serde(default)]
    pub power_on_ms: Millis,
    /// Where it is on the trunk.
    #[serde(default)]
    pub position_m: Metres,
}

fn default_parameters() -> u8 {
    200
}

/// A frame that comes round on its own.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TalkerPlan {
    /// The 11-bit identifier.
    pub id: FrameId,
    /// The data bytes.
    #[serde(default)]
    pub data: FrameData,
    /// From one to the next.
    pub period_ms: PeriodMillis,
    /// When the first one is ready.
    #[serde(default)]
    pub offset_ms: Millis,
}

impl NodePlan {
    /// Whether nothing goes to it on its connection: it sends by itself, and no acknowledge comes.
    pub(super) fn only_sends(&self) -> bool {
        !self.acknowledged && self.connection.sends_by_itself()
    }
}

impl Scenario {
    /// The node with this address.
    pub fn node_at(&self, mac_id: MacId) -> Option<&NodePlan> {
        self.node.iter().find(|node| node.mac_id == mac_id)
    }
}
