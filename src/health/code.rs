//! The codes of findings, and what the catalogue says of each.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What was found.
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
    strum::IntoStaticStr,
    strum::VariantArray,
)]
#[serde(rename_all = "kebab-case")]
#[strum(serialize_all = "kebab-case")]
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
    /// Its name in the summary.
    pub fn name(self) -> &'static str {
        self.into()
    }
}

/// What the catalogue says of a code.
#[derive(Debug, Clone, Copy)]
pub struct CatalogueEntry {
    /// What it is about.
    pub code: Code,
    /// How near it is to a cause.
    pub rank: Rank,
    /// What it means, in a sentence.
    pub means: &'static str,
    /// What else would explain it.
    pub or_else: &'static [&'static str],
    /// What to check, the likeliest or easiest first.
    pub check: &'static [&'static str],
}

/// How near a finding is to a cause: of two equally grave ones, the nearer comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rank {
    /// What many causes lead to.
    Symptom,
    /// What happened, whatever led to it.
    State,
    /// What leads to the others.
    Cause,
    /// What leads even to some of those, and so would be taken for them.
    Root,
    /// What even disturbs the wire, and so would be taken for any of these.
    Origin,
}
