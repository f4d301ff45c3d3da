//! The parts that evidence is made of.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::fieldbus::{ConnectionKind, DeviceId};
use crate::trunk::Burst;
use crate::wire::{Cause, ErrorKind, Nanos, Tally};

/// Something of which only the number matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CountedEvent {
    /// The interface went down.
    LinkDowns,
    /// The clock stepped back.
    ClockSteps,
    /// Frames with an identifier that is never allowed.
    InvalidIdentifiers,
    /// Polls of a node that was never heard.
    PollsNeverAnswered,
    /// Attempts to allocate the I/O of a node that was never heard.
    AllocationsNeverAnswered,
    /// A node ran its address check again.
    Restarts,
    /// A master allocated the node.
    Allocations,
    /// A node answered its poll with no data.
    EmptyAnswers,
}

/// Commands or responses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum IoDirection {
    /// From the master to the node.
    Command,
    /// From the node to the master.
    Response,
}

/// The counts of a capture's end record against those of what was read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct TallyMismatch {
    /// What the end record says.
    pub end: Tally,
    /// What was read.
    pub read: Tally,
}

/// One frame that was sent again and again with nothing in between.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RepeatedFrames {
    /// How often.
    pub frames: u64,
    /// The first of them.
    pub from_ns: Nanos,
    /// The last of them.
    pub to_ns: Nanos,
}

/// Bus errors of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct KindCount {
    /// The kind.
    pub kind: ErrorKind,
    /// How many error frames; each is of one kind.
    pub errors: u64,
}

/// Bus errors of one cause.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CauseCount {
    /// The cause.
    pub cause: Cause,
    /// How many.
    pub errors: u64,
}

/// Errors close after one another.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct BurstSpan {
    /// How many.
    pub errors: u64,
    /// The first.
    pub from_ns: Nanos,
    /// The last.
    pub to_ns: Nanos,
}

impl From<&Burst> for BurstSpan {
    fn from(burst: &Burst) -> BurstSpan {
        BurstSpan { errors: burst.frames, from_ns: burst.from, to_ns: burst.to }
    }
}

/// The two devices of an address clash.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ClashDevices {
    /// Who asked for the address.
    pub newcomer: DeviceId,
    /// Who holds it, where it told.
    pub holder: Option<DeviceId>,
}

/// A node's slowest answers against its fastest.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SlowStretch {
    /// Answers in a stretch.
    pub answers: usize,
    /// The median of the slowest stretch.
    pub slowest_ns: Nanos,
    /// The median of the fastest stretch.
    pub fastest_ns: Nanos,
}

/// A node's answers against those of other nodes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SlowAgainstPeers {
    /// Its median.
    pub median_ns: Nanos,
    /// The median of the other nodes' medians.
    pub peers_median_ns: Nanos,
    /// Other nodes.
    pub peers: usize,
}

/// A request that was refused, by its codes of the standard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct RefusedRequest {
    /// The service.
    pub service: u8,
    /// The class of the object.
    pub class: Option<u16>,
    /// Its instance; 0 is the class itself.
    pub instance: Option<u16>,
    /// The attribute, where one was named.
    pub attribute: Option<u16>,
    /// The general status of the answer.
    pub status: u8,
}

/// Time-outs of one connection.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ConnectionTimeouts {
    /// Which connection.
    pub connection: ConnectionKind,
    /// Times that it timed out.
    pub timeouts: u64,
    /// Time without a message after which it times out.
    pub limit_ns: Option<Nanos>,
}

/// Disturbances while a drive runs and while it stands.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RunningErrors {
    /// Disturbances while it ran.
    pub running: u64,
    /// How long it ran.
    pub running_s: f64,
    /// Disturbances while it stood.
    pub standing: u64,
    /// How long it stood.
    pub standing_s: f64,
    /// The rate while it ran over that while it stood; `null` if none came while it stood.
    pub ratio: Option<f64>,
    /// The lower end of the 95 % interval of the ratio.
    pub ratio_low: f64,
    /// The upper end; `null` if there is none.
    pub ratio_high: Option<f64>,
    /// The chance of this if it had nothing to do with the drive, corrected for the drives
    /// tried.
    pub p: f64,
    /// Drives tried.
    pub drives_tried: usize,
}

/// An I/O size that is not the planned one.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SizeDifference {
    /// Where it was seen.
    pub at: SizeSource,
    /// The sizes on the wire.
    pub bytes: Vec<u16>,
    /// The size in the plan.
    pub planned_bytes: u16,
}

/// Where an I/O size was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SizeSource {
    /// Commands of the master.
    Commands,
    /// Answers of the node.
    Responses,
    /// The connection, as it was read or set on the wire: the master's commands.
    ConnectionCommands,
    /// The same: the node's answers.
    ConnectionResponses,
    /// The same: what the node sends unasked.
    ConnectionChanges,
}

/// A number of a device's identity that is not the planned one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct IdentityDifference {
    /// Which number.
    pub part: IdentityPart,
    /// The device's.
    pub value: u32,
    /// The plan's.
    pub planned: u32,
}

/// A number of a device's identity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum IdentityPart {
    /// The maker's number.
    Vendor,
    /// The device's type.
    DeviceType,
    /// The maker's number for the product.
    ProductCode,
    /// The serial number.
    Serial,
}

/// An I/O size that a data sheet file does not offer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct NotOffered {
    /// On which connection.
    pub connection: ConnectionKind,
    /// Whether the node sends it; else it receives it.
    pub produced: bool,
    /// Bytes on the wire.
    pub bytes: u16,
    /// What the file offers.
    pub offered: Vec<u16>,
}
