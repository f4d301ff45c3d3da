//! What was seen, as data: the numbers behind a finding, with their units. The sentence is made
//! from them in one place, `text`.

mod drives;
mod parts;
#[cfg(test)]
mod tests;
mod text;

pub use parts::{
    BurstSpan, CauseCount, ClashDevices, ConnectionTimeouts, CountedEvent, IdentityDifference,
    IdentityPart, IoDirection, KindCount, NotOffered, RefusedRequest, RepeatedFrames,
    RunningErrors, SizeDifference, SizeSource, SlowAgainstPeers, SlowStretch, TallyMismatch,
};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::ErrorTrend;
use crate::fieldbus::eds::SheetProblem;
use crate::fieldbus::{DeviceId, MacId};
use crate::plan;
use crate::trunk::{ClashOutcome, DriveReasons};
use crate::wire::Nanos;

/// What was seen. Times count from the start of the measurement, shares are 0 to 1. As text it
/// is a sentence without its full stop.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Evidence {
    /// How often one thing happened.
    Count {
        /// What was counted.
        what: CountedEvent,
        /// How often it happened.
        count: u64,
    },
    /// Not one good frame.
    NoGoodFrame {
        /// Bus errors meanwhile.
        bus_errors: u64,
        /// Length of the measurement.
        duration_ns: Nanos,
    },
    /// The driver could make an error frame of each bus error and was set not to.
    ErrorsNotReported,
    /// The source names no bit rate.
    NoBitRate,
    /// Frames that were on the wire and were not received.
    LostFrames {
        /// Frames known to be lost.
        lost: u64,
        /// Times that the adapter overran; each lost an unknown number.
        overruns: u64,
        /// Poll exchanges that cannot be judged because of it.
        uncertain: u64,
    },
    /// A capture without its end record.
    NoEnd {
        /// When the last record was made.
        last_record_ns: Nanos,
    },
    /// A capture that does not hold all that it held when it was made.
    Damage {
        /// The counts of its end record and those of what was read, where they differ.
        tally: Option<TallyMismatch>,
        /// Lines or blocks that could not be read.
        unreadable: u64,
    },
    /// The adapter's controller was off the bus.
    BusOff {
        /// Times that it went bus-off.
        bus_offs: u64,
        /// Times that it was restarted.
        restarts: u64,
    },
    /// Frames of a kind that this trunk does not carry.
    ForeignFrames {
        /// Frames with a 29-bit identifier.
        extended: u64,
        /// Remote frames.
        remote: u64,
    },
    /// Bus errors, by cause and in time.
    BusErrors {
        /// Bus errors.
        errors: u64,
        /// Good frames.
        good_frames: u64,
        /// Errors among errors and good frames.
        share: f64,
        /// Errors by cause, without those that did not happen; an error may name several.
        causes: Vec<CauseCount>,
        /// Errors by kind, without those that did not happen; an error is of one.
        #[serde(default)]
        kinds: Vec<KindCount>,
        /// Bursts of errors.
        bursts: u64,
        /// The burst with most errors.
        largest_burst: Option<BurstSpan>,
        /// Where the rate goes.
        trend: Option<ErrorTrend>,
        /// Times that the adapter's controller went error-passive.
        error_passive: u64,
    },
    /// The fullest second.
    PeakLoad {
        /// Share of the wire that its good frames used.
        share: f64,
        /// The share from which on the load is called high.
        high_share: f64,
    },
    /// The fullest second of a scan that does not keep up.
    ScanOverrun {
        /// Share of the wire that the good frames of the fullest second used.
        peak_share: f64,
        /// Polled nodes that missed polls or answered in the second half of the scan.
        late_nodes: usize,
        /// Polled nodes.
        polled_nodes: usize,
    },
    /// The second in which one node sent most.
    NodePeak {
        /// Frames that it sent.
        frames: u64,
        /// When the second began.
        from_ns: Nanos,
        /// Share of the wire that these used.
        share: f64,
        /// Polls and strobes that it answers in a second, on average.
        asked_per_s: f64,
    },
    /// Nodes that left or restarted together.
    GroupDropout {
        /// Which.
        mac_ids: Vec<MacId>,
        /// The first of them.
        from_ns: Nanos,
        /// The last of them.
        to_ns: Nanos,
        /// Times that two nodes or more did so.
        groups: u64,
    },
    /// Two devices that want one address.
    AddressClash {
        /// The address.
        mac_id: MacId,
        /// How it ended.
        outcome: ClashOutcome,
        /// The devices of the last time, where it is listed.
        last: Option<ClashDevices>,
        /// Times that it ended like this.
        count: u64,
    },
    /// Another device at an address.
    NewDevice {
        /// The device there now.
        device: Option<DeviceId>,
    },
    /// A node that fell silent.
    Absence {
        /// Times that it fell silent.
        absences: u64,
        /// How long it was away in all; 0 if it never returned.
        total_ns: Nanos,
        /// The longest absence from which it returned; 0 if it never returned.
        longest_ns: Nanos,
        /// When it fell silent last.
        last_from_ns: Nanos,
        /// When it returned last; `null` while it is away.
        returned_ns: Option<Nanos>,
        /// How long it has been away now.
        away_for_ns: Option<Nanos>,
    },
    /// Polls that a node left unanswered while it was there.
    MissedPolls {
        /// Polls without an answer.
        missed: u64,
        /// Polls.
        polls: u64,
        /// Share of polls without an answer.
        share: f64,
        /// The median of its response times.
        latency_ns: Option<Nanos>,
        /// The median of the times between polls.
        interval_ns: Option<Nanos>,
    },
    /// Response times that are long against earlier ones, or against those of other nodes.
    SlowAnswers {
        /// Against its own.
        own: Option<SlowStretch>,
        /// Against those of the other nodes.
        peers: Option<SlowAgainstPeers>,
    },
    /// Answers beyond the first to a poll.
    ExtraAnswers {
        /// Answers to polls that had one already.
        extra: u64,
        /// Polls that were answered.
        answered: u64,
        /// Share of answers that were not the first.
        share: f64,
    },
    /// I/O of sizes other than the connection has, or of several sizes.
    IoSizes {
        /// Commands of the master or responses of the node.
        direction: IoDirection,
        /// The sizes that were seen; only those that differ where the connection's is known.
        seen_bytes: Vec<u16>,
        /// The size that the connection was given, where the wire told.
        connection_bytes: Option<u16>,
        /// The size in the plan, where it is all that is known.
        planned_bytes: Option<u16>,
    },
    /// A pause in which nobody was polled.
    PollingPause {
        /// The last poll before it.
        from_ns: Nanos,
        /// How long it was.
        span_ns: Nanos,
        /// Whether polling went on after it.
        resumed: bool,
    },
    /// A node on line without a connection.
    NotAllocated {
        /// Time since its address check.
        span_ns: Nanos,
        /// It is at 63, the address that devices come with.
        #[serde(default)]
        factory_address: bool,
        /// Its product code was read meanwhile, and nothing allocated after that.
        #[serde(default)]
        identity_read: bool,
    },
    /// A node that is allocated and not polled.
    NotPolled {
        /// The last poll; `null` if there was none.
        last_poll_ns: Option<Nanos>,
        /// Time since the last poll, or since the allocation.
        span_ns: Nanos,
    },
    /// A watchdog shorter than the scan.
    PacketRate {
        /// The expected packet rate of the poll connection.
        packet_rate_ms: u16,
        /// Time without a message after which it times out.
        limit_ns: Nanos,
        /// The time between polls, the median of all nodes.
        scan_ns: Nanos,
        /// Times that it timed out.
        timeouts: u64,
    },
    /// I/O connections that timed out.
    Timeouts {
        /// Which, and how often.
        connections: Vec<ConnectionTimeouts>,
    },
    /// Explicit requests without success.
    Requests {
        /// Requests.
        requests: u64,
        /// Those that were refused.
        refused: u64,
        /// Those without any answer.
        unanswered: u64,
        /// The last that was refused; `null` where it was not heard.
        #[serde(default)]
        last_refused: Option<RefusedRequest>,
    },
    /// A drive that does not run.
    DriveNotRunning {
        /// Times that it did not run though asked to.
        episodes: u64,
        /// The longest of them.
        longest_ns: Nanos,
        /// What the drive said meanwhile.
        reasons: DriveReasons,
        /// Whether it ever ran when asked to.
        has_followed: bool,
        /// Whether its assemblies are guessed from the traffic.
        assemblies_guessed: bool,
        /// The assembly that it is sent.
        #[serde(default)]
        output_assembly: Option<u16>,
        /// The assembly that it sends.
        #[serde(default)]
        input_assembly: Option<u16>,
        /// Whether it still does not.
        #[serde(default)]
        ongoing: bool,
    },
    /// A drive that is faulted.
    DriveFaults {
        /// How often it became faulted.
        faults: u64,
        /// Since when it is; `null`: it is not.
        faulted_since_ns: Option<Nanos>,
        /// Whether it was asked to run meanwhile.
        run_asked: bool,
    },
    /// A master that polls with no data.
    IdleMaster {
        /// The nodes that it polls so.
        mac_ids: Vec<MacId>,
        /// The first such poll, of the last time.
        from_ns: Nanos,
        /// When all were polled with data again.
        to_ns: Option<Nanos>,
        /// How often a master was idle.
        spans: u64,
    },
    /// Errors without acknowledge.
    NoAcknowledge {
        /// Bus errors whose cause is a missing acknowledge; before repeated frames those that look so
        /// to a listener.
        missing_acknowledges: u64,
        /// Bus errors.
        errors: u64,
        /// The frame that was sent again and again with nothing in between.
        repeated: Option<RepeatedFrames>,
    },
    /// A burst in which hardly a frame passes.
    DenseBurst {
        /// The burst.
        burst: BurstSpan,
        /// Good frames in it.
        good_frames: u64,
        /// Whether the node of this finding alone fell silent or missed polls then.
        silenced_node: bool,
    },
    /// Disturbances in a rhythm.
    Rhythm {
        /// Gaps between disturbances that are whole multiples of the period.
        on_beat: usize,
        /// The latest gaps.
        gaps: usize,
        /// The period.
        period_ns: Nanos,
        /// Disturbances in a period; if two, `on_beat` counts those after which another came one
        /// period later, `gaps` those after which one could. 0: not told, which means 1.
        #[serde(default)]
        edges: u8,
    },
    /// Errors that strike one node's frames.
    StruckNode {
        /// Errors that a frame of this node followed.
        struck: u64,
        /// Errors that any frame followed.
        errors: u64,
        /// Share of errors that a frame of this node followed.
        share: f64,
        /// Share of all bits that this node sends.
        share_of_bits: f64,
        /// Logarithm of the likelihood of this over that of errors that strike blindly.
        log_likelihood_ratio: f64,
    },
    /// Errors that strike long frames.
    StruckLongFrames {
        /// Frames that followed errors.
        frames: u64,
        /// How much longer they are than blind chance makes them, in standard deviations.
        excess_sd: f64,
    },
    /// Errors that come with a drive.
    DriveErrors {
        /// The rate while it runs against that while it stands.
        running: Option<RunningErrors>,
        /// How much faster it runs at the disturbances than on average, in standard deviations.
        speed_excess_sd: Option<f64>,
    },
    /// A node of the plan that was not heard.
    NotHeard {
        /// Its address.
        mac_id: MacId,
        /// Its name in the plan.
        name: Option<String>,
        /// Its connection in the plan.
        connection: plan::Connection,
        /// Length of the measurement.
        duration_ns: Nanos,
    },
    /// A node that the plan does not have.
    Unplanned {
        /// Its address.
        mac_id: MacId,
        /// Frames that it sent.
        frames: u64,
        /// Polls to it.
        polls: u64,
    },
    /// Intervals longer than planned.
    Interval {
        /// The median of the intervals.
        median_ns: Nanos,
        /// Intervals.
        intervals: u64,
        /// The interval in the plan.
        planned_ns: Nanos,
    },
    /// I/O of other sizes than planned.
    PlannedSizes {
        /// Each difference.
        differences: Vec<SizeDifference>,
    },
    /// Another device than planned.
    Identity {
        /// Each number that differs.
        differences: Vec<IdentityDifference>,
    },
    /// Another revision than planned.
    Revision {
        /// Major and minor revision of the device.
        revision: (u8, u8),
        /// Major revision in the plan; `null` is any.
        planned_major: Option<u8>,
        /// Minor revision in the plan; `null` is any.
        planned_minor: Option<u8>,
    },
    /// More load than planned.
    MeanLoad {
        /// Share of the wire used on average.
        share: f64,
        /// What the plan predicts with random data.
        planned_share: f64,
        /// The most that the plan can need.
        planned_worst_share: f64,
    },
    /// No data sheet file of this product.
    NoDataSheet {
        /// The maker's number.
        vendor_id: Option<u16>,
        /// The maker's number for the product.
        product_code: Option<u16>,
        /// Files of this maker.
        files_of_vendor: usize,
    },
    /// A data sheet file of this product code for another kind of device.
    DataSheetType {
        /// The file.
        file: String,
        /// The device's type.
        device_type: Option<u16>,
        /// The file's type.
        file_device_type: Option<u16>,
    },
    /// A data sheet file for another revision.
    DataSheetRevision {
        /// The nearest file.
        file: String,
        /// Major and minor revision of the device.
        revision: Option<(u8, u8)>,
        /// The file's major revision.
        file_major: Option<u8>,
        /// The file's minor revision.
        file_minor: Option<u8>,
        /// Whether the major revision differs; else the minor.
        major_differs: bool,
    },
    /// I/O of sizes that the data sheet file does not offer.
    DataSheetSizes {
        /// The file.
        file: String,
        /// Each size.
        sizes: Vec<NotOffered>,
    },
    /// A data sheet file with faults of its own.
    DataSheetFaults {
        /// The file.
        file: String,
        /// The first faults.
        faults: Vec<SheetProblem>,
        /// Faults beyond these.
        more: usize,
    },
}

impl Evidence {
    /// Whether what was found is a state that still holds, so that it is open whenever it began.
    pub fn is_ongoing(&self) -> bool {
        match self {
            Evidence::Absence { returned_ns, .. } => returned_ns.is_none(),
            Evidence::PollingPause { resumed, .. } => !resumed,
            Evidence::IdleMaster { to_ns, .. } => to_ns.is_none(),
            Evidence::DriveFaults { faulted_since_ns, .. } => faulted_since_ns.is_some(),
            Evidence::DriveNotRunning { ongoing, .. } => *ongoing,
            Evidence::AddressClash { outcome, .. } => *outcome == ClashOutcome::Contested,
            Evidence::NotPolled { .. }
            | Evidence::NotAllocated { .. }
            | Evidence::IoSizes { .. } => true,
            _ => false,
        }
    }
}
