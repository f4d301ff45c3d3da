//! The state of the trunk: what each node and the bus did so far, from records alone.
//!
//! No clock, file or socket: the time is that of the records. Memory does not grow with the
//! length of a watch.

mod address;
mod bus_errors;
mod connections;
#[cfg(test)]
mod decode_tests;
mod decoded;
mod disturbances;
mod drive;
mod drive_correlation;
mod error_attribution;
mod event;
mod exchange;
mod explicit_messages;
mod explicit_state;
mod following;
mod frame;
mod group_command;
mod idle;
mod io;
mod load;
mod node;
mod presence;
mod reassembly;
mod repetition;
mod rhythm;
mod scan;
mod statistics;

pub use address::{AddressState, Clash, ClashOutcome};
pub use bus_errors::{AdapterController, Burst, BusErrors};
pub use connections::{Connections, Known, Origin, PredefinedConnection};
pub use decoded::{
    Decoded, DriveIo, ExplicitMessage, FrameDirection, IoMessage, Meaning, Note, Notes,
};
pub use disturbances::{DisturbanceBin, DisturbanceHistogram};
pub use drive::NodeDrive;
pub use drive_correlation::{DriveCorrelation, DriveDisturbances};
pub use error_attribution::{ErrorAttribution, Talker, TalkerErrors};
pub use event::Event;
pub use exchange::{DriftStretch, Exchange, LatencyDrift, LatencySeries, LatencyWindow};
pub use explicit_state::{ANSWER_LIMIT, PendingRequest};
pub use following::{DriveObstacle, DriveReasons, Episodes, Following};
pub use idle::{IdlePolls, IdleSpan};
pub use io::IoSizes;
pub use load::{BusLoad, LoadWindow, PeakSecond, PeakTalker, WINDOW};
pub use node::{AllocationRequests, ExplicitCounts, Node, NodeLights};
pub use presence::{Absence, DropoutGroup, GroupDropout, Presence};
pub use reassembly::{FragmentCounts, FragmentError, FragmentStage, MAX_MESSAGE, Reassembly};
pub use repetition::{RepeatedFrame, Repetition};
pub use rhythm::{Period, Rhythm};
pub use scan::{MeasuredScan, ScanRecorder, ScanSender, ScannedFrame};
pub use statistics::{Distribution, Occurrences};

use crate::fieldbus::{ConnectionKind, MacId, MacIdSet};
use crate::wire::{Cause, ControllerState, Nanos, Record, Tally, What};
use address::Outcome;
use connections::offer;
use exchange::GroupCommand;
use explicit_messages::ExplicitMessages;
use node::{Expired, Nodes};
use presence::PresenceChange;

/// A master that has sent nothing for so long is off, or has stopped.
const STOPPED: Nanos = Nanos::from_millis(2000);
/// Who has commanded nobody for so long may be gone.
const COMMANDING: Nanos = Nanos::from_millis(10_000);

/// How often silence is looked for, in the records' own time.
const SWEEP: Nanos = Nanos::from_millis(100);

/// Good frames by identifier group.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct FrameGroups {
    /// Data frames of FrameGroups 1 to 4.
    pub valid: [u64; 4],
    /// Data frames with an identifier that is never allowed (7F0 to 7FF).
    pub invalid: Occurrences,
    /// Frames with a 29-bit identifier, data or remote.
    pub extended: Occurrences,
    /// Remote frames with an 11-bit identifier.
    pub remote: Occurrences,
}

/// The state of the trunk after the records so far.
#[derive(Debug, Clone)]
pub struct Trunk {
    nodes: Nodes,
    explicit: ExplicitMessages,
    next_sweep: Nanos,
    /// Good frames by group.
    pub groups: FrameGroups,
    /// Bits on the wire.
    pub load: BusLoad,
    /// Error frames and the adapter's controller.
    pub errors: BusErrors,
    /// Whom errors strike.
    pub error_attribution: ErrorAttribution,
    /// Whether errors come in a rhythm.
    pub rhythm: Rhythm,
    /// Whether they come with a drive.
    pub drive_correlation: DriveCorrelation,
    /// How many disturbances when.
    pub disturbance_histogram: DisturbanceHistogram,
    /// Who fills the bus.
    pub peak_talker: PeakTalker,
    /// Whether one frame is sent again and again.
    pub repetition: Repetition,
    /// Whether several nodes leave or restart at once.
    pub group_dropout: GroupDropout,
    /// Whether masters poll with no data.
    pub idle: IdlePolls,
    /// The longest time without any poll or strobe between two of them.
    pub poll_gap: Option<(Nanos, Nanos)>,
    last_poll: Option<Nanos>,
    last_acknowledge: Option<Nanos>,
    first_answer: Option<Nanos>,
    /// Lost frames: the times of the records that tell of them.
    pub losses: Occurrences,
    /// Times that the interface went down.
    pub link_downs: Occurrences,
    /// Times that the clock stepped back, by the times after the step.
    pub clock_steps: Occurrences,
    tally: Tally,
    end: Option<Tally>,
    now: Nanos,
    clashes: Vec<Clash>,
    unlisted_clashes: u64,
    strobe: GroupCommand,
    multicast: GroupCommand,
    /// The addresses with a request that may still be refused.
    pending: MacIdSet,
}

impl Default for Trunk {
    fn default() -> Self {
        Trunk {
            nodes: Nodes::default(),
            explicit: ExplicitMessages::default(),
            next_sweep: Nanos(i64::MIN),
            groups: FrameGroups::default(),
            load: BusLoad::default(),
            errors: BusErrors::default(),
            error_attribution: ErrorAttribution::default(),
            rhythm: Rhythm::default(),
            drive_correlation: DriveCorrelation::default(),
            disturbance_histogram: DisturbanceHistogram::default(),
            peak_talker: PeakTalker::default(),
            repetition: Repetition::default(),
            group_dropout: GroupDropout::default(),
            idle: IdlePolls::default(),
            poll_gap: None,
            last_poll: None,
            last_acknowledge: None,
            first_answer: None,
            losses: Occurrences::default(),
            link_downs: Occurrences::default(),
            clock_steps: Occurrences::default(),
            tally: Tally::default(),
            end: None,
            now: Nanos::ZERO,
            clashes: Vec::new(),
            unlisted_clashes: 0,
            strobe: GroupCommand::default(),
            multicast: GroupCommand::default(),
            pending: MacIdSet::default(),
        }
    }
}

impl Trunk {
    /// How many clashes are kept one by one; each node's counts go on.
    pub const CLASHES: usize = 256;

    /// The plan says how long a node's I/O is. To be called before the first record.
    pub fn plan_sizes(&mut self, mac_id: MacId, kind: ConnectionKind, command: u16, response: u16) {
        let connection = self.nodes[mac_id].connections.get_mut(kind);
        offer(&mut connection.consumed, command, Origin::Planned);
        offer(&mut connection.produced, response, Origin::Planned);
    }

    /// The plan says by which assemblies a node is driven. To be called before the first record.
    pub fn plan_drive(&mut self, mac_id: MacId, output: Option<u16>, input: Option<u16>) {
        let drive = &mut self.nodes[mac_id].drive;
        output.into_iter().for_each(|instance| drive.set_output(instance, Origin::Planned));
        input.into_iter().for_each(|instance| drive.set_input(instance, Origin::Planned));
    }

    /// The plan says who is a node's master. To be called before the first record.
    pub fn plan_owner(&mut self, mac_id: MacId, master: MacId) {
        self.nodes[mac_id].connections.plan_owner(master);
    }

    /// Takes the next record; `events` receives what changed.
    pub fn take(&mut self, record: &Record, events: &mut impl FnMut(Nanos, Event)) {
        self.begin(record, events);
        match &record.what {
            What::Frame(frame) => self.take_frame(record.t, frame, events),
            _ => self.take_other(record, events),
        }
    }

    /// Takes the next record as [`Trunk::take`] does, and says what its frame means; `None` where
    /// it is no frame.
    pub fn take_decoded<'a>(
        &'a mut self,
        record: &'a Record,
        events: &mut impl FnMut(Nanos, Event),
    ) -> Option<Decoded<'a>> {
        self.begin(record, events);
        let What::Frame(frame) = &record.what else {
            self.take_other(record, events);
            return None;
        };
        Some(self.decode_frame(record.t, frame, events))
    }

    /// What every record brings: its time and its kind.
    #[inline]
    fn begin(&mut self, record: &Record, events: &mut impl FnMut(Nanos, Event)) {
        let t = record.t;
        if t < self.now {
            self.clock_steps.add(t);
            events(t, Event::ClockStepped(Nanos(self.now.0.saturating_sub(t.0))));
        }
        self.now = t;
        self.tally.add(&record.what);
        self.end = None;
        if !self.pending.is_empty() {
            self.settle(Some(t), events);
        }
    }

    fn take_other(&mut self, record: &Record, events: &mut impl FnMut(Nanos, Event)) {
        let t = record.t;
        match &record.what {
            What::Frame(_) => {}
            What::Error(frame) => {
                if frame.causes().contains(Cause::ReceiveOverflow) {
                    self.losses.add(t);
                    self.doubt(t);
                }
                self.load.error_frame(t);
                self.repetition.error(t, frame);
                if frame.destroyed_a_frame() {
                    self.error_attribution.error();
                    self.drive_correlation.error();
                    if self.rhythm.error(t) {
                        self.drive_correlation.disturbance(t);
                        self.disturbance_histogram.disturbance(t);
                    }
                }
                let change = self.errors.frame(t, frame, self.tally.frames);
                if change.restarted {
                    events(t, Event::ControllerRestarted);
                }
                if frame.controller_state() == Some(ControllerState::BusOff) {
                    self.gap();
                }
                if let Some(state) = change.state {
                    events(t, Event::Controller(state));
                }
            }
            What::Lost(0) => {}
            What::Lost(count) => {
                self.losses.add(t);
                self.doubt(t);
                events(t, Event::FramesLost(*count));
            }
            What::LinkDown(_) => {
                self.link_downs.add(t);
                self.disturbance_histogram.down(t);
                self.doubt(t);
                self.errors.controller.reset();
                events(t, Event::LinkDown);
            }
            What::LinkUp => {
                self.disturbance_histogram.up(t);
                self.forgive(t);
                self.errors.controller.reset();
                events(t, Event::LinkUp);
            }
            What::Mark(_) => {}
            What::End(tally) => self.end = Some(**tally),
        }
    }

    /// Nothing more will come: decides what was waiting.
    pub fn finish(&mut self, events: &mut impl FnMut(Nanos, Event)) {
        self.settle(None, events);
        self.peak_talker.close(&self.error_attribution);
        let now = self.now;
        self.nodes.each(|node| node.finish(now));
        self.advance(self.now, events);
    }

    /// Lets time pass up to `t`, so that what should have come by then counts as missing.
    #[inline]
    fn advance(&mut self, t: Nanos, events: &mut impl FnMut(Nanos, Event)) {
        // A clock that stepped back would otherwise stop the sweeps until it has caught up.
        let stepped_back = t.plus(SWEEP) < self.next_sweep;
        if t < self.next_sweep && !stepped_back {
            return;
        }
        self.sweep(t, events);
    }

    fn sweep(&mut self, t: Nanos, events: &mut impl FnMut(Nanos, Event)) {
        self.next_sweep = t.plus(SWEEP);
        self.nodes.each_known(|mac_id, node| {
            let Expired { timed_out, left } = node.expire(t);
            if timed_out {
                events(t, Event::ConnectionTimedOut(mac_id));
            }
            if left {
                self.group_dropout.add(t, mac_id);
                events(t, Event::NodeLeft(mac_id));
            }
        });
        self.explicit.expire(t, &mut self.nodes);
    }

    #[inline]
    fn note_poll_gap(&mut self, t: Nanos) {
        if let Some(last) = self.last_poll.replace(t)
            && let Some(gap) = t.since(last)
            && self.poll_gap.and_then(|(from, to)| to.since(from)).is_none_or(|most| gap > most)
        {
            self.poll_gap = Some((last, t));
        }
    }

    fn missed(&mut self, t: Nanos, mac_id: MacId, events: &mut impl FnMut(Nanos, Event)) {
        if let Some(PresenceChange::Left) = self.nodes[mac_id].presence.missed() {
            self.group_dropout.add(t, mac_id);
            events(t, Event::NodeLeft(mac_id));
        }
    }

    /// What was on its way when frames were lost or the link went down, nobody can tell.
    fn doubt(&mut self, t: Nanos) {
        self.nodes.each(Node::doubt);
        self.forgive(t);
        self.error_attribution.doubt();
        self.repetition.doubt();
        self.drive_correlation.doubt();
        self.last_poll = None;
        self.last_acknowledge = None;
        self.strobe.doubt();
        self.multicast.doubt();
    }

    /// Frames are known to be missing at `t`: what is half done is forgotten without blame.
    fn forgive(&mut self, t: Nanos) {
        self.nodes.each(|node| node.forgive(t));
        self.explicit.forgive();
    }

    /// The adapter itself hears nothing for a while.
    fn gap(&mut self) {
        self.nodes.each(Node::gap);
        self.last_poll = None;
        self.last_acknowledge = None;
    }

    fn settle(&mut self, now: Option<Nanos>, events: &mut impl FnMut(Nanos, Event)) {
        for mac_id in self.pending.iter() {
            let node = &mut self.nodes[mac_id];
            let outcome = node.settle_address(now, mac_id);
            if !node.address.is_pending() {
                self.pending.remove(mac_id);
            }
            self.outcome(now.unwrap_or(self.now), mac_id, outcome, events);
        }
    }

    fn outcome(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        outcome: Option<Outcome>,
        events: &mut impl FnMut(Nanos, Event),
    ) {
        match outcome {
            None => {}
            Some(Outcome::Clash(clash)) => {
                if self.clashes.len() < Self::CLASHES {
                    self.clashes.push(clash);
                } else {
                    self.unlisted_clashes += 1;
                }
                events(t, Event::AddressClash(clash));
            }
            Some(Outcome::Restarted) => {
                self.group_dropout.add(t, mac_id);
                events(t, Event::NodeRestarted(mac_id));
            }
            Some(Outcome::Replaced { before, now }) => {
                events(t, Event::DeviceReplaced { mac_id, before, now });
            }
        }
    }

    /// The nodes of which anything is known, by address.
    pub fn nodes(&self) -> impl Iterator<Item = (MacId, &Node)> {
        self.nodes.iter().filter(|(_, node)| node.is_known())
    }

    /// The node at one address.
    pub fn node(&self, mac_id: MacId) -> &Node {
        &self.nodes[mac_id]
    }

    /// The nodes whose connections the master at this address owns, by the wire or the plan.
    pub fn owned_by(&self, master: MacId) -> Vec<MacId> {
        let owner = |node: &Node| node.connections.owner.map(|owner| owner.value);
        let owned = self.nodes().filter(|(_, node)| owner(node) == Some(master));
        owned.map(|(mac_id, _)| mac_id).collect()
    }

    /// What the lights of the node at this address should show now.
    pub fn lights(&self, mac_id: MacId) -> NodeLights {
        // Source of the master's light: installation instructions 1756-IN566B, p. 19.
        let is_owned = |node: &Node| {
            node.connections.owner.is_some_and(|owner| owner.value == mac_id)
                && node.connections.last_consumed().is_some_and(|t| t.plus(COMMANDING) > self.now)
        };
        let commands = self.nodes().any(|(_, node)| is_owned(node));
        self.nodes[mac_id].lights(self.now, commands)
    }

    /// Whether a master that owns nodes has been silent for so long that it is off.
    fn has_stopped(&self, master: MacId) -> bool {
        let owned = self.owned_by(master);
        let silent = |t: Option<Nanos>| t.is_none_or(|t| t.plus(STOPPED) < self.now);
        let commanded = |mac_id: &MacId| self.nodes[*mac_id].connections.last_fed();
        !owned.is_empty()
            && silent(self.nodes[master].sent.last())
            && silent(owned.iter().filter_map(commanded).max())
    }

    /// How often the master at this address scans: the median over the nodes that it owns of how
    /// often each is polled or strobed.
    pub fn scan_interval(&self, master: MacId) -> Option<Nanos> {
        let every = |mac_id: MacId| {
            let node = self.node(mac_id);
            let exchanges = [&node.poll, &node.strobe, &node.multicast_poll];
            let scanned = exchanges.into_iter().filter_map(Exchange::interval);
            scanned.filter_map(|intervals| intervals.quantile(0.5)).next()
        };
        let mut intervals: Vec<Nanos> =
            self.owned_by(master).into_iter().filter_map(every).collect();
        intervals.sort_unstable();
        intervals.get(intervals.len() / 2).copied()
    }

    /// The clashes in the order in which they were decided, [`Trunk::CLASHES`] at most.
    pub fn clashes(&self) -> &[Clash] {
        &self.clashes
    }

    /// How many more clashes there were.
    pub fn unlisted_clashes(&self) -> u64 {
        self.unlisted_clashes
    }

    /// Frames, error frames and lost frames so far.
    pub fn tally(&self) -> Tally {
        self.tally
    }

    /// What the end record says that the capture holds; `None` if the last record is none, so
    /// that the capture was cut off.
    pub fn end(&self) -> Option<Tally> {
        self.end
    }

    /// When a node first answered a master, or sent I/O by itself.
    pub fn first_answer(&self) -> Option<Nanos> {
        self.first_answer
    }

    /// The last poll or strobe, if no frame was lost and the link was up since.
    pub fn last_poll(&self) -> Option<Nanos> {
        self.last_poll
    }

    /// Since when a master that neither polls nor strobes has acknowledged nothing of what its nodes
    /// send by themselves; `None` while it does, or if it never did.
    pub fn last_acknowledge(&self) -> Option<Nanos> {
        if self.last_poll.is_some() || self.poll_gap.is_some() {
            return None;
        }
        self.last_acknowledge
    }

    /// The time of the last record.
    pub fn now(&self) -> Nanos {
        self.now
    }
}
