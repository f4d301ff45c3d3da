//! One node, as the wire shows it: who it is, its connections, its messages, its I/O, its drive,
//! its address, and what its lights should show; and the nodes of a trunk.

use super::address::{AddressState, NewStart, Outcome};
use super::connections::{Connections, Known, Origin, offer};
use super::drive::NodeDrive;
use super::event::Event;
use super::exchange::{Exchange, LatencyDrift};
use super::explicit_state::PendingRequests;
use super::following::Following;
use super::io::{IoChannel, IoSizes};
use super::presence::{Presence, PresenceChange};
use super::reassembly::{FragmentCounts, Reassembly};
use super::statistics::Occurrences;
use crate::fieldbus::{
    AddressCheck, AddressCheckKind, Choice, ConnectionKind, ConnectionState, DeviceId, DeviceState,
    GeneralStatus, IdentityObject, Light, MacId, MacIdSet, ModuleFacts, NetworkFacts, Service,
    Target, module_light, network_light,
};
use crate::wire::Nanos;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::ops::{Index, IndexMut};

/// After so many commands without any sign of the node its lights cannot be judged.
const UNANSWERED: u32 = 20;
/// So many messages in the same rhythm are sent in cycles.
const STEADY: u64 = 20;
/// I/O fragments that stop for so long belong to nothing, where no packet rate is known.
const IO_LIMIT: Nanos = Nanos::SECOND;
/// Fragments of an explicit message that stop for so long: 4 x the default rate of 2500 ms.
pub(super) const EXPLICIT_LIMIT: Nanos = Nanos::from_millis(10_000);

/// How a node's explicit messages went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct ExplicitCounts {
    /// Requests to the node.
    pub requests: u64,
    /// Requests that it granted.
    pub responses: u64,
    /// Requests that it refused.
    pub errors: u64,
    /// Requests that it never answered.
    pub unanswered: u64,
    /// Requests that were asked again before an answer came.
    pub asked_again: u64,
    /// Responses that nobody had asked for.
    pub unasked: u64,
    /// Messages cut short.
    pub cut_short: u64,
    /// Explicit connections that it opened for a client, on the unconnected port of Group 3.
    pub opened: u64,
    /// Explicit connections that it closed for a client.
    pub closed: u64,
    /// Heartbeats.
    pub heartbeats: u64,
    /// Shutdowns.
    pub shutdowns: u64,
    /// Fragmented messages, to and from the node.
    pub fragments: FragmentCounts,
}

/// Requests to allocate a node's connections, answered or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct AllocationRequests {
    /// Those for I/O: only a master asks for it.
    pub io: u64,
    /// Those for explicit messages alone: a master's before it asks for I/O, or a tool's.
    pub explicit: u64,
    /// Who asked last for explicit messages alone.
    pub explicit_client: Option<MacId>,
}

impl AllocationRequests {
    pub(super) fn count(&mut self, choice: Choice, client: MacId) {
        if choice.is_io() {
            self.io += 1;
        } else {
            self.explicit += 1;
            self.explicit_client = Some(client);
        }
    }
}

/// What happened by itself as time passed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Expired {
    /// An I/O connection timed out.
    pub(super) timed_out: bool,
    /// The node fell silent.
    pub(super) left: bool,
}

/// What the lights should show now. `None` where the wire does not tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct NodeLights {
    /// Module light.
    pub module: Option<Light>,
    /// Network light.
    pub network: Option<Light>,
    /// A second device that was refused this address, and its network light.
    pub refused: Option<(DeviceId, Light)>,
}

/// What is known of the node at one address.
#[derive(Debug, Clone, Default)]
pub struct Node {
    /// Frames whose identifier names the node as their sender.
    pub sent: Occurrences,
    /// The master's polls and the node's responses. The same identifiers carry the master's
    /// change of state or cyclic data and the node's acknowledge.
    pub poll: Exchange,
    /// Whether its poll responses get slower.
    pub latency_drift: LatencyDrift,
    /// The master's bit-strobes, from the node's first response on, and its responses.
    pub strobe: Exchange,
    /// The master's multicast polls, from the node's first response on, and its responses.
    pub multicast_poll: Exchange,
    /// The node's change of state or cyclic data and the master's acknowledges. Where the
    /// acknowledge is suppressed, or was never heard, none counts as missed.
    pub change_of_state: Exchange,
    /// Whether it follows its run command, if it is a drive.
    pub following: Following,
    /// Who holds the address and who wants it.
    pub address: AddressState,
    /// Address check messages that could not be read.
    pub malformed_checks: Occurrences,
    /// Whether the node is there.
    pub presence: Presence,
    /// Who it is.
    pub identity: IdentityObject,
    /// Its predefined connections.
    pub connections: Connections,
    /// Its explicit messages.
    pub explicit: ExplicitCounts,
    /// When requests were refused, or found to have had no answer.
    pub failed_requests: Occurrences,
    /// The last request that it refused, where that was heard, and with what status.
    pub last_refusal: Option<(Service, Option<Target>, GeneralStatus)>,
    /// Explicit requests that it sent to others, as a master or a tool does.
    pub requests_sent: u64,
    /// Requests to allocate its connections.
    pub allocation_requests: AllocationRequests,
    /// Poll responses without data, though it has some to send.
    pub empty_answers: Occurrences,
    /// Its fragmented I/O, to and from the node.
    pub io_fragments: FragmentCounts,
    /// What it does, if it is a drive.
    pub drive: NodeDrive,
    pub(super) waiting: PendingRequests,
    pub(super) request: Reassembly,
    pub(super) response: Reassembly,
    pub(super) command_io: IoChannel,
    pub(super) response_io: IoChannel,
    pub(super) change_io: IoChannel,
    refused: Option<DeviceId>,
    asked_to_identify: bool,
    pub(super) idle: bool,
    shut_down: bool,
    heard: bool,
    unanswered: u32,
}

impl Node {
    /// Whether anything is known of a node at this address: it sent, or somebody polls it.
    pub fn is_known(&self) -> bool {
        self.sent.count() > 0 || self.poll.commands() > 0
    }

    /// Whether it answers to a master: it is polled, strobed or sends on change of state.
    pub fn has_io(&self) -> bool {
        [&self.poll, &self.strobe, &self.change_of_state, &self.multicast_poll]
            .iter()
            .any(|exchange| !exchange.is_unused())
    }

    fn exchanges_mut(&mut self) -> [&mut Exchange; 4] {
        [&mut self.poll, &mut self.strobe, &mut self.change_of_state, &mut self.multicast_poll]
    }

    /// A frame whose identifier names the node as its sender.
    #[inline]
    pub(super) fn count_sent(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        events: &mut impl FnMut(Nanos, Event),
    ) {
        if self.sent.count() == 0 {
            events(t, Event::NodeAppeared(mac_id));
        }
        self.sent.add(t);
    }

    /// A frame that the node itself sent. A request for its address may be somebody else's.
    #[inline]
    pub(super) fn sent(&mut self, t: Nanos, mac_id: MacId, events: &mut impl FnMut(Nanos, Event)) {
        self.count_sent(t, mac_id, events);
        if let Some(start) = self.address.heard(t) {
            self.start_anew(start);
        }
        if let Some(PresenceChange::Returned { after }) = self.presence.heard(t) {
            events(t, Event::NodeReturned { mac_id, after });
        }
    }

    /// What was on its way when frames were lost or the link went down, nobody can tell.
    pub(super) fn doubt(&mut self) {
        for exchange in self.exchanges_mut() {
            exchange.doubt();
        }
        self.following.doubt();
    }

    /// Nothing was heard for a while.
    pub(super) fn gap(&mut self) {
        for exchange in self.exchanges_mut() {
            exchange.gap();
        }
    }

    /// Nothing more will come.
    pub(super) fn finish(&mut self, t: Nanos) {
        for exchange in self.exchanges_mut() {
            exchange.finish();
        }
        for channel in [&mut self.command_io, &mut self.response_io, &mut self.change_io] {
            channel.flush(t);
        }
    }

    /// What is known of the length of the I/O that it is sent.
    pub fn command_size(&self) -> Option<Known<u16>> {
        self.connections.get(self.command_kind()).consumed
    }

    /// What is known of the length of the I/O that it sends on its poll response.
    pub fn response_size(&self) -> Option<Known<u16>> {
        self.connections.get(self.command_kind()).produced
    }

    /// What is known of the length of its change of state or cyclic data.
    pub fn change_size(&self) -> Option<Known<u16>> {
        self.connections.get(ConnectionKind::ChangeOfState).produced
    }

    /// Sizes of the master's polls to the node.
    pub fn command_sizes(&self) -> &IoSizes {
        self.command_io.sizes()
    }

    /// Sizes of the node's poll responses.
    pub fn response_sizes(&self) -> &IoSizes {
        self.response_io.sizes()
    }

    /// Whether its polls or responses were inferred to be in fragments.
    pub fn is_inferred_fragmented(&self) -> bool {
        self.command_io.is_inferred_fragmented() || self.response_io.is_inferred_fragmented()
    }

    /// What the poll command's identifier is used for: without a poll connection it carries
    /// the master's change of state or cyclic data.
    pub(super) fn command_kind(&self) -> ConnectionKind {
        let change = ConnectionKind::ChangeOfState.choice();
        let allocated = self.connections.allocated;
        if allocated.has(change) && !allocated.has(Choice::POLL) {
            ConnectionKind::ChangeOfState
        } else {
            ConnectionKind::Poll
        }
    }

    /// Something for the node came by.
    pub(super) fn spoken_to(&mut self) {
        self.unanswered = self.unanswered.saturating_add(1);
    }

    /// The node sent something that only a node on line sends.
    pub(super) fn spoke(&mut self) {
        self.heard = true;
        self.shut_down = false;
        self.unanswered = 0;
    }

    /// An address check with its address came.
    ///
    /// `stopped`: it is a master, and has commanded nobody for a while.
    pub(super) fn address_check(
        &mut self,
        t: Nanos,
        check: &AddressCheck,
        stopped: bool,
    ) -> Option<Outcome> {
        let gone = self.presence.is_gone() || stopped;
        let (outcome, start) = self.address.check(t, check, gone);
        if check.kind == AddressCheckKind::Response {
            if let Some(Outcome::Clash(clash)) = outcome
                && clash.newcomer != check.device
            {
                self.refused = Some(clash.newcomer);
            }
            self.asked_to_identify = false;
            self.identity.device(check.device);
            self.heard = true;
            self.unanswered = 0;
        }
        if let Some(start) = start {
            self.start_anew(start);
        }
        outcome
    }

    /// Decides a request for its address that nobody refused in time.
    pub(super) fn settle_address(&mut self, now: Option<Nanos>, mac_id: MacId) -> Option<Outcome> {
        let (outcome, start) = self.address.settle(now, mac_id);
        if let Some(start) = start {
            self.start_anew(start);
        }
        outcome
    }

    /// Its address check succeeded: it has no connections any more.
    #[cold]
    fn start_anew(&mut self, NewStart { device, since }: NewStart) {
        self.heard = true;
        self.shut_down = false;
        self.refused = self.refused.filter(|&refused| refused != device);
        self.identity.device(device);
        self.connections.restart();
        self.waiting.reset_before(since);
        self.request.reset_before(since);
        self.response.reset_before(since);
        self.unanswered = 0;
    }

    /// A tool asked the faulted node at this address to show itself.
    pub(super) fn identify(&mut self) {
        self.asked_to_identify = true;
    }

    /// The node said that it goes off line.
    pub(super) fn shut_down(&mut self) {
        self.shut_down = true;
        self.connections.restart();
    }

    /// Lets time pass.
    pub(super) fn expire(&mut self, t: Nanos) -> Expired {
        if let Some(start) = self.address.expire(t) {
            self.start_anew(start);
        }
        let left = self.is_silent(t) && self.presence.fell_silent().is_some();
        let timed_out = self.connections.expire(t);
        let unanswered = self.waiting.expire(t);
        self.explicit.unanswered += unanswered;
        (0..unanswered).for_each(|_| self.failed_requests.add(t));
        for reassembly in [&mut self.request, &mut self.response] {
            if let Some(error) = reassembly.expire(t, EXPLICIT_LIMIT) {
                self.explicit.fragments.count(error);
            }
        }
        let limit = self.connections.get(self.command_kind()).limit().unwrap_or(IO_LIMIT);
        for channel in [&mut self.command_io, &mut self.response_io, &mut self.change_io] {
            if let Some(error) = channel.expire(t, limit) {
                self.io_fragments.count(error);
            }
        }
        Expired { timed_out, left }
    }

    /// Whether it sends by itself, is not polled as well, and has stopped.
    fn is_silent(&self, t: Nanos) -> bool {
        if self.change_of_state.is_unused() || !self.poll.is_unused() {
            return false;
        }
        // Without a packet rate, a steady rhythm says as much.
        let steady = self.change_of_state.interval().filter(|i| i.count() >= STEADY);
        let every = steady.and_then(|intervals| {
            let (median, longest) = (intervals.quantile(0.5)?, intervals.max()?);
            (longest.0 <= median.0.saturating_mul(3) / 2).then_some(median)
        });
        self.connections.stopped_sending(t, every)
    }

    /// Frames are known to be missing at `t`: what is half done is forgotten without blame.
    pub(super) fn forgive(&mut self, t: Nanos) {
        self.connections.forgive(t);
        self.waiting.reset();
        self.request.reset();
        self.response.reset();
        self.command_io.reset();
        self.response_io.reset();
        self.change_io.reset();
    }

    /// A client used the master's own request identifier, so it owns the node.
    pub(super) fn seems_owned(&mut self, client: MacId) {
        offer(&mut self.connections.owner, client, Origin::Inferred);
    }

    /// What its lights should show now, at the time of the last record. `commands`: it is heard to
    /// command nodes of its own, so that it has a connection.
    pub(super) fn lights(&self, now: Nanos, commands: bool) -> NodeLights {
        let reported = commands || self.heard && self.unanswered < UNANSWERED;
        let io = ConnectionKind::IO.map(|kind| self.connections.get(kind).state);
        let network = NetworkFacts {
            refused: false,
            asked_to_identify: false,
            off_line: self.shut_down || self.address.is_starting(now),
            timed_out: io.contains(&ConnectionState::TimedOut),
            connected: commands
                || self.connections.any(ConnectionState::Established)
                || self.connections.allocated.has(Choice::EXPLICIT),
        };
        let status = self.identity.status;
        let state = self.identity.state;
        let faulted = self.drive.status().is_some_and(|status| status.faulted);
        let module = ModuleFacts {
            unrecoverable: state == Some(DeviceState::UNRECOVERABLE)
                || status.is_some_and(|status| status.unrecoverable_fault()),
            recoverable: faulted
                || state == Some(DeviceState::RECOVERABLE)
                || status.is_some_and(|status| status.recoverable_fault()),
            standby: state == Some(DeviceState::STANDBY),
            working: state == Some(DeviceState::OPERATIONAL)
                || io.contains(&ConnectionState::Established),
        };
        let asked_to_identify = self.asked_to_identify;
        let refused = NetworkFacts { refused: true, asked_to_identify, ..NetworkFacts::default() };
        NodeLights {
            module: reported.then(|| module_light(module)).flatten(),
            network: reported.then(|| network_light(network)),
            refused: self.refused.map(|device| (device, network_light(refused))),
        }
    }
}

/// One for each address. Who asks for one to change it has heard of it.
#[derive(Debug, Clone)]
pub(super) struct Nodes {
    each: Box<[Node; MacId::COUNT]>,
    /// Those that were heard of.
    known: MacIdSet,
}

impl Default for Nodes {
    fn default() -> Nodes {
        Nodes {
            each: Box::new(std::array::from_fn(|_| Node::default())),
            known: MacIdSet::default(),
        }
    }
}

impl Nodes {
    /// Visits the nodes that were heard of; most addresses of most trunks are not, and there time
    /// changes nothing.
    pub(super) fn each_known(&mut self, mut visit: impl FnMut(MacId, &mut Node)) {
        for mac_id in self.known.iter() {
            visit(mac_id, &mut self.each[mac_id.index()]);
        }
    }

    /// All nodes, by address.
    pub(super) fn iter(&self) -> impl Iterator<Item = (MacId, &Node)> {
        MacId::all().zip(self.each.iter())
    }

    /// Visits all nodes.
    pub(super) fn each(&mut self, visit: impl FnMut(&mut Node)) {
        self.each.iter_mut().for_each(visit);
    }
}

impl Index<MacId> for Nodes {
    type Output = Node;

    fn index(&self, mac_id: MacId) -> &Node {
        &self.each[mac_id.index()]
    }
}

impl IndexMut<MacId> for Nodes {
    fn index_mut(&mut self, mac_id: MacId) -> &mut Node {
        self.known.insert(mac_id);
        &mut self.each[mac_id.index()]
    }
}

#[cfg(test)]
mod nodes_tests {
    use super::*;
    use crate::wire::Nanos;

    #[test]
    fn only_who_was_asked_for_is_known() {
        let mut nodes = Nodes::default();
        let mac_id = |address| MacId::new(address).unwrap();
        assert_eq!(nodes[mac_id(5)].explicit.requests, 0);
        for address in [63, 0, 9, 63] {
            nodes[mac_id(address)].explicit.requests += 1;
        }
        let mut requests = Vec::new();
        nodes.each_known(|_, node| requests.push(node.explicit.requests));
        assert_eq!(requests, [1, 1, 2]);
        let mut all = 0;
        nodes.each(|_| all += 1);
        assert_eq!(all, MacId::COUNT);
    }

    /// So those that were never heard of need not be visited.
    #[test]
    fn time_changes_nothing_of_a_node_never_heard_of() {
        let mut node = Node::default();
        for hours in 1..50 {
            let t = Nanos(hours * 3600 * Nanos::SECOND.0);
            if hours % 7 == 0 {
                node.forgive(t);
            }
            let before = format!("{node:?}");
            node.expire(t);
            assert_eq!(format!("{node:?}"), before);
        }
    }
}
