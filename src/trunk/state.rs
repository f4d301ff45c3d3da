//! The whole trunk: takes records, keeps every node's state, tells what changed.

use super::address::Outcome;
use super::presence::Change;
use super::{
    BusErrors, Clash, Course, Event, Load, Node, Occurrences, Rhythm, Strikes, Talk, Ties, Together,
};
use crate::fieldbus::{
    AddressCheck, ConnectionKind, Decoded, Decoder, Identifier, InputAssembly, MacId, MacIdSet,
    OutputAssembly, Role, Told, Unread,
};
use crate::wire::{ControllerState, Frame, Id, Nanos, Record, Tally, What};

/// Good frames by identifier group.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Groups {
    /// Data frames of Groups 1 to 4.
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
    nodes: Box<[Node; MacId::COUNT]>,
    decoder: Decoder,
    /// Good frames by group.
    pub groups: Groups,
    /// Bits on the wire.
    pub load: Load,
    /// Error frames and the adapter's controller.
    pub errors: BusErrors,
    /// Whom errors strike.
    pub strikes: Strikes,
    /// Whether errors come in a rhythm.
    pub rhythm: Rhythm,
    /// Whether they come with a drive.
    pub ties: Ties,
    /// How many disturbances when.
    pub course: Course,
    /// Who fills the bus.
    pub talk: Talk,
    /// Whether several nodes leave or restart at once.
    pub together: Together,
    /// The longest time without any poll between two polls.
    pub poll_gap: Option<(Nanos, Nanos)>,
    last_poll: Option<Nanos>,
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
    last_strobe: Option<Nanos>,
    /// The nodes that have responded to a strobe.
    strobed: MacIdSet,
    /// The addresses with a request that may still be refused.
    pending: MacIdSet,
}

impl Default for Trunk {
    fn default() -> Self {
        Trunk {
            nodes: Box::new(std::array::from_fn(|_| Node::default())),
            decoder: Decoder::default(),
            groups: Groups::default(),
            load: Load::default(),
            errors: BusErrors::default(),
            strikes: Strikes::default(),
            rhythm: Rhythm::default(),
            ties: Ties::default(),
            course: Course::default(),
            talk: Talk::default(),
            together: Together::default(),
            poll_gap: None,
            last_poll: None,
            losses: Occurrences::default(),
            link_downs: Occurrences::default(),
            clock_steps: Occurrences::default(),
            tally: Tally::default(),
            end: None,
            now: Nanos::ZERO,
            clashes: Vec::new(),
            unlisted_clashes: 0,
            last_strobe: None,
            strobed: MacIdSet::default(),
            pending: MacIdSet::default(),
        }
    }
}

impl Trunk {
    /// How many clashes are kept one by one; each node's counts go on.
    pub const CLASHES: usize = 256;

    /// The plan says how long a node's I/O is. To be called before the first record.
    pub fn plan_sizes(&mut self, mac_id: MacId, kind: ConnectionKind, command: u16, response: u16) {
        self.decoder.plan_sizes(mac_id, kind, command, response);
    }

    /// The plan says by which assemblies a node is driven.
    pub fn plan_drive(&mut self, mac_id: MacId, output: Option<u16>, input: Option<u16>) {
        self.decoder.plan_drive(mac_id, output, input);
    }

    /// The plan says who is a node's master.
    pub fn plan_owner(&mut self, mac_id: MacId, master: MacId) {
        self.decoder.plan_owner(mac_id, master);
    }

    /// What masters and nodes said to each other so far.
    pub fn decoder(&self) -> &Decoder {
        &self.decoder
    }

    /// Takes the next record; `events` receives what changed.
    pub fn take(&mut self, record: &Record, events: &mut impl FnMut(Nanos, Event)) {
        match &record.what {
            What::Frame(frame) => {
                if let Some(mac_id) = self.decoder.hear(record.t, frame)
                    && let Some((asked, said)) = self.decoder.node(mac_id).drive.exchange()
                {
                    self.drive(record.t, mac_id, asked, said);
                }
            }
            What::Lost(1..) | What::LinkDown(_) | What::LinkUp => self.decoder.gap(record.t),
            What::Lost(0) | What::Error(_) | What::Mark(_) | What::End(_) => {}
        }
        self.count(record, events);
    }

    /// Takes the next record and says what its frame means; `None` where it is no frame.
    pub fn take_decoded<'a>(
        &'a mut self,
        record: &'a Record,
        events: &mut impl FnMut(Nanos, Event),
    ) -> Option<Decoded<'a>> {
        let What::Frame(frame) = &record.what else {
            self.take(record, events);
            return None;
        };
        self.count(record, events);
        Some(self.decoder.frame(record.t, frame))
    }

    fn count(&mut self, record: &Record, events: &mut impl FnMut(Nanos, Event)) {
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
        match &record.what {
            What::Frame(frame) => self.frame(t, frame, events),
            What::Error(frame) => {
                self.load.error_frame(t);
                if frame.destroyed_a_frame() {
                    self.strikes.error();
                    if self.rhythm.error(t) {
                        self.ties.disturbance(t);
                        self.course.disturbance(t);
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
                self.doubt();
                events(t, Event::FramesLost(*count));
            }
            What::LinkDown(_) => {
                self.link_downs.add(t);
                self.course.down(t);
                self.doubt();
                self.errors.controller.reset();
                events(t, Event::LinkDown);
            }
            What::LinkUp => {
                self.course.up(t);
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
        self.talk.close(&self.strikes);
        for node in self.nodes.iter_mut() {
            node.finish();
        }
        self.decoder.advance(self.now);
    }

    fn frame(&mut self, t: Nanos, frame: &Frame, events: &mut impl FnMut(Nanos, Event)) {
        let bits = frame.wire_bits();
        self.load.frame(t, bits);
        let told = match frame.id() {
            Id::Extended(_) => return self.groups.extended.add(t),
            Id::Standard(_) if frame.is_remote() => return self.groups.remote.add(t),
            Id::Standard(id) => Told::of(id),
        };
        let &Told { identifier, role, source, destination } = told;
        if source.is_some() {
            self.talk.before(t, &self.strikes);
        }
        self.strikes.frame(source, bits);
        match identifier {
            Identifier::Group1 { .. } => self.groups.valid[0] += 1,
            Identifier::Group2 { .. } => self.groups.valid[1] += 1,
            Identifier::Group3 { .. } => self.groups.valid[2] += 1,
            Identifier::Group4 { .. } => self.groups.valid[3] += 1,
            Identifier::Invalid { .. } => self.groups.invalid.add(t),
        }
        let data = frame.bytes();
        if let Some(mac_id) = source {
            self.sent(t, mac_id, role, data, events);
        } else if let Some(mac_id) = destination {
            let node = &mut self.nodes[mac_id.index()];
            let missed = match role {
                Role::PollCommand => node.poll_command(t, data),
                Role::ChangeOfStateAcknowledge => {
                    node.change_of_state.response(t);
                    false
                }
                _ => false,
            };
            if missed {
                self.missed(t, mac_id, events);
            }
            if role == Role::PollCommand {
                self.note_poll_gap(t);
            }
        }
    }

    /// A drive said what it does, after the master asked it for this.
    fn drive(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        asked: Unread<OutputAssembly>,
        said: Unread<InputAssembly>,
    ) {
        let (asked, said) = (asked.read(), said.read());
        let speed = f64::from(said.speed.unsigned_abs());
        self.ties.drive(t, mac_id, said.running(), speed);
        self.nodes[mac_id.index()].following.response(t, &asked, &said);
    }

    fn note_poll_gap(&mut self, t: Nanos) {
        if let Some(last) = self.last_poll.replace(t)
            && let Some(gap) = t.since(last)
            && self.poll_gap.and_then(|(from, to)| to.since(from)).is_none_or(|most| gap > most)
        {
            self.poll_gap = Some((last, t));
        }
    }

    /// A frame that the node sent.
    fn sent(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        role: Role,
        data: &[u8],
        events: &mut impl FnMut(Nanos, Event),
    ) {
        let node = &mut self.nodes[mac_id.index()];
        if node.sent.count() == 0 {
            events(t, Event::NodeAppeared(mac_id));
        }
        node.sent.add(t);
        if role == Role::AddressCheck {
            let Ok(check) = AddressCheck::parse(mac_id, data) else {
                node.malformed_checks.add(t);
                return;
            };
            let gone = node.presence.is_gone();
            let outcome = node.address.check(t, &check, gone);
            if node.address.is_pending() {
                self.pending.insert(mac_id);
            }
            self.outcome(t, mac_id, outcome, events);
            // A request for the address does not show that its holder is there.
            return;
        }
        node.address.heard();
        if let Some(Change::Returned { after }) = node.presence.heard(t) {
            events(t, Event::NodeReturned { mac_id, after });
        }
        match role {
            Role::PollResponse => node.poll_response(t, data),
            Role::StrobeResponse => {
                // Nothing but its response tells that a node is strobed.
                if !self.strobed.contains(mac_id)
                    && let Some(command) = self.last_strobe
                {
                    node.strobe.command(command);
                }
                self.strobed.insert(mac_id);
                node.strobe.response(t);
            }
            Role::ChangeOfState => {
                node.change_of_state.command(t);
            }
            Role::StrobeCommand => self.strobe_command(t, events),
            _ => {}
        }
    }

    fn strobe_command(&mut self, t: Nanos, events: &mut impl FnMut(Nanos, Event)) {
        self.last_strobe = Some(t);
        for mac_id in self.strobed.iter() {
            if self.nodes[mac_id.index()].strobe.command(t) {
                self.missed(t, mac_id, events);
            }
        }
    }

    fn missed(&mut self, t: Nanos, mac_id: MacId, events: &mut impl FnMut(Nanos, Event)) {
        if let Some(Change::Left) = self.nodes[mac_id.index()].presence.missed() {
            self.together.add(t, mac_id);
            events(t, Event::NodeLeft(mac_id));
        }
    }

    /// What was on its way when frames were lost or the link went down, nobody can tell.
    fn doubt(&mut self) {
        for node in self.nodes.iter_mut() {
            node.doubt();
        }
        self.strikes.doubt();
        self.ties.doubt();
        self.last_poll = None;
        self.last_strobe = None;
    }

    /// The adapter itself hears nothing for a while.
    fn gap(&mut self) {
        for node in self.nodes.iter_mut() {
            node.gap();
        }
        self.last_poll = None;
    }

    fn settle(&mut self, now: Option<Nanos>, events: &mut impl FnMut(Nanos, Event)) {
        for mac_id in self.pending.iter() {
            let address = &mut self.nodes[mac_id.index()].address;
            let outcome = address.settle(now, mac_id);
            if !address.is_pending() {
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
                self.together.add(t, mac_id);
                events(t, Event::NodeRestarted(mac_id));
            }
            Some(Outcome::Replaced { before, now }) => {
                events(t, Event::DeviceReplaced { mac_id, before, now });
            }
        }
    }

    /// The nodes of which anything is known, by address.
    pub fn nodes(&self) -> impl Iterator<Item = (MacId, &Node)> {
        MacId::all().zip(self.nodes.iter()).filter(|(_, node)| node.is_known())
    }

    /// The node at one address.
    pub fn node(&self, mac_id: MacId) -> &Node {
        &self.nodes[mac_id.index()]
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

    /// The last poll, if no frame was lost and the link was up since.
    pub fn last_poll(&self) -> Option<Nanos> {
        self.last_poll
    }

    /// The time of the last record.
    pub fn now(&self) -> Nanos {
        self.now
    }
}
