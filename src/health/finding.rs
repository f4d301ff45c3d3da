//! One finding: what was seen, how grave it is, what to check.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Evidence;
use super::catalogue::Entry;
use crate::fieldbus::MacId;
use crate::trunk::Occurrences;
use crate::wire::Nanos;

/// How grave a finding is.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    JsonSchema,
    strum::VariantArray,
)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing.
    Note,
    /// Something is not as it should be; the trunk works.
    Warning,
    /// Something does not work.
    Fault,
}

impl Severity {
    /// The word for it, on a screen and in a file.
    pub const fn word(self) -> &'static str {
        match self {
            Severity::Note => "note",
            Severity::Warning => "warning",
            Severity::Fault => "fault",
        }
    }
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// What was found. The names are the codes of the summary.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    JsonSchema,
    strum::VariantArray,
)]
#[serde(rename_all = "kebab-case")]
pub enum Code {
    /// Nothing at all was received.
    NothingHeard,
    /// Error frames but not one good frame.
    NothingUnderstood,
    /// The adapter's controller went bus-off.
    BusOff,
    /// Two devices want one address.
    AddressClash,
    /// A node is polled and was never heard.
    NeverAnswered,
    /// A node stopped answering, and may have returned.
    NodeLeft,
    /// A node does not answer every poll.
    MissedPolls,
    /// A node ran its address check again.
    NodeRestarted,
    /// Another device took the address of one that had gone.
    DeviceReplaced,
    /// Error frames.
    BusErrors,
    /// The bus is nearly full.
    LoadHigh,
    /// An identifier that is never allowed.
    InvalidIdentifier,
    /// Frames that do not belong on this kind of trunk.
    ForeignFrames,
    /// Frames were not received.
    FramesLost,
    /// The interface was down for a time.
    LinkDown,
    /// The capture has no end.
    CaptureCutOff,
    /// Parts of the capture could not be read.
    CaptureDamaged,
    /// The clock stepped back.
    ClockStepped,
    /// The bit rate is not known.
    BitRateUnknown,
    /// The adapter was set not to report bus errors.
    ErrorsNotReported,
    /// A node's answers take much longer than before, or than those of its peers.
    SlowAnswers,
    /// A node answers more often than it is asked.
    TwoAnswer,
    /// Responses of another size than the connection has, or of several sizes.
    ResponseSize,
    /// Commands of another size than the connection has, or of several sizes.
    CommandSize,
    /// Nobody polls any more.
    PollingStopped,
    /// The scan asks for more than the bus can carry.
    ScanTooShort,
    /// A node is on line and nobody allocates it.
    NeverAllocated,
    /// A node is allocated and nobody polls it.
    NotPolled,
    /// A connection's watchdog is shorter than the time between its polls.
    PacketRateShort,
    /// A connection timed out.
    ConnectionTimedOut,
    /// A node is allocated again and again.
    AllocatedAgain,
    /// A node refuses explicit requests, or does not answer them.
    RequestsRefused,
    /// A drive does not run though it is asked to.
    DriveNotFollowing,
    /// Several nodes left or restarted at the same time.
    SeveralAtOnce,
    /// Errors strike one node.
    ErrorsStrikeNode,
    /// Errors come with long frames, more than their length explains.
    ErrorsWithLength,
    /// Errors come with a drive running, or with its speed.
    ErrorsWithDrive,
    /// Errors come in a rhythm.
    ErrorsInRhythm,
    /// Errors come in dense bursts, as of a device at another bit rate.
    DenseBursts,
    /// A node was thrown off the bus by its own errors.
    NodeBusOff,
    /// Nobody acknowledges.
    AloneOnTheWire,
    /// A node fills the bus.
    NodeFloods,
    /// A node of the plan was not heard.
    NodeMissing,
    /// A node is there, or is asked for, that the plan does not have.
    NodeUnplanned,
    /// I/O of another length than the plan says.
    IoSizeDiffers,
    /// Another device than the plan says.
    IdentityDiffers,
    /// Another revision than the plan says.
    RevisionDiffers,
    /// No data sheet file describes a node.
    DataSheetMissing,
    /// The data sheet files of a node's maker describe other products.
    DataSheetProduct,
    /// A node's data sheet file is for another revision.
    DataSheetRevision,
    /// A node's data sheet file has faults of its own.
    DataSheetFaulty,
    /// I/O of a size that the node's data sheet file does not offer.
    DataSheetSize,
    /// A node has its turn less often than the plan says.
    IntervalOverPlan,
    /// More load than the plan can need.
    LoadOverPlan,
}

impl Code {
    /// The name in the summary.
    pub fn name(self) -> &'static str {
        self.entry().name
    }

    /// What it means and what to check.
    pub fn entry(self) -> &'static Entry {
        Entry::of(self)
    }
}

/// One finding.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What was found.
    pub code: Code,
    /// How grave it is here.
    pub severity: Severity,
    /// The node that it is about, where it is about one.
    pub mac_id: Option<MacId>,
    /// How often it happened.
    pub count: u64,
    /// When first.
    pub first: Option<Nanos>,
    /// When last.
    pub last: Option<Nanos>,
    /// What was seen.
    pub evidence: Evidence,
}

impl Finding {
    /// A finding about the trunk.
    pub(super) fn new(
        code: Code,
        severity: Severity,
        seen: &Occurrences,
        evidence: Evidence,
    ) -> Self {
        Finding {
            code,
            severity,
            mac_id: None,
            count: seen.count(),
            first: seen.first(),
            last: seen.last(),
            evidence,
        }
    }

    /// The same about a node.
    pub(super) fn at(mut self, mac_id: MacId) -> Self {
        self.mac_id = Some(mac_id);
        self
    }

    /// The same with the times of these.
    pub(super) fn span(mut self, seen: &Occurrences) -> Self {
        self.first = seen.first();
        self.last = seen.last();
        self
    }

    /// The same with a count of its own.
    pub(super) fn times(mut self, count: u64) -> Self {
        self.count = count;
        self
    }
}
