//! One frame: who sent it, what it changes, and what it means; and what it does to the I/O of its node:
//! to the connection, the exchanges and the drive.
//!
//! A frame goes one of two ways through the same code: [`Trunk::take`] only takes account of it,
//! [`Trunk::take_decoded`] also says what it means. Memory is bounded whatever comes in, and an
//! ordinary frame allocates nothing.

use super::Trunk;
use super::connections::{Known, Origin, offer};
use super::decoded::{Decoded, FrameDirection, IoMessage, Meaning, Note, Notes};
use super::event::Event;
use super::following::DriveChange;
use super::io::IoFrame;
use super::node::Node;
use super::reassembly::{FragmentCounts, FragmentError, FragmentStage};
use crate::fieldbus::{
    AddressCheck, AddressCheckKind, ConnectionKind, Fragment, Identifier, IdentifierInfo, MacId,
    Offline, OfflineService, Role,
};
use crate::wire::{Frame, Id, Nanos};

impl Trunk {
    /// Takes account of a frame.
    #[inline]
    pub(super) fn take_frame(
        &mut self,
        t: Nanos,
        frame: &Frame,
        events: &mut impl FnMut(Nanos, Event),
    ) {
        self.advance(t, events);
        let Some(info) = self.count_frame(t, frame) else { return };
        let data = frame.bytes();
        if self.is_io(info, data) {
            self.io(t, info, data, events);
        } else {
            self.message(t, info, data, events);
        }
    }

    /// Takes account of a frame and says what it means.
    pub(super) fn decode_frame<'a>(
        &'a mut self,
        t: Nanos,
        frame: &'a Frame,
        events: &mut impl FnMut(Nanos, Event),
    ) -> Decoded<'a> {
        self.advance(t, events);
        let Some(info) = self.count_frame(t, frame) else {
            return match frame.id() {
                Id::Extended(_) => stray(None, Meaning::Extended),
                Id::Standard(id) => stray(Some(IdentifierInfo::from_id(id)), Meaning::Remote),
            };
        };
        let data = frame.bytes();
        if !self.is_io(info, data) {
            return self.message(t, info, data, events);
        }
        let one = whom(info).0.filter(|_| info.role != Role::StrobeCommand);
        let other = one.and_then(|mac_id| self.node(mac_id).connections.owner);
        let heard = self.io(t, info, data, events);
        Decoded { other: other.map(|owner| owner.value), ..self.io_in_words(info, data, &heard) }
    }

    /// Takes account of its length, its sender and its group. `None`: an identifier of 29 bits, or
    /// a remote frame, neither of which this fieldbus uses.
    #[inline]
    fn count_frame(&mut self, t: Nanos, frame: &Frame) -> Option<&'static IdentifierInfo> {
        let bits = frame.wire_bits();
        self.load.frame(t, bits);
        let (id, info) = match frame.id() {
            Id::Extended(_) => {
                self.groups.extended.add(t);
                return None;
            }
            Id::Standard(_) if frame.is_remote() => {
                self.groups.remote.add(t);
                return None;
            }
            Id::Standard(id) => (id, IdentifierInfo::from_id(id)),
        };
        if info.source.is_some() {
            self.peak_talker.before(t, &self.error_attribution);
        }
        self.error_attribution.frame(info.source, info.destination, bits);
        self.repetition.frame(t, frame, id, info.source);
        match info.identifier {
            Identifier::Group1 { .. } => self.groups.valid[0] += 1,
            Identifier::Group2 { .. } => self.groups.valid[1] += 1,
            Identifier::Group3 { .. } => self.groups.valid[2] += 1,
            Identifier::Group4 { .. } => self.groups.valid[3] += 1,
            Identifier::Invalid { .. } => self.groups.invalid.add(t),
        }
        Some(info)
    }

    /// Whether it is I/O, and no message on a connection that two nodes opened.
    #[inline]
    fn is_io(&self, info: &IdentifierInfo, data: &[u8]) -> bool {
        info.role.is_io() && self.explicit.opened(info.identifier, data).is_none()
    }

    /// What is no I/O by its identifier, or was agreed to be none.
    fn message<'a>(
        &'a mut self,
        t: Nanos,
        info: &'static IdentifierInfo,
        data: &'a [u8],
        events: &mut impl FnMut(Nanos, Event),
    ) -> Decoded<'a> {
        if info.role == Role::AddressCheck {
            return self.address_check(t, info, data, events);
        }
        if let Some(mac_id) = info.source {
            self.nodes[mac_id].sent(t, mac_id, events);
        }
        if let Some(between) = self.explicit.opened(info.identifier, data) {
            return self.explicit.opened_message(&mut self.nodes, t, between, data);
        }
        match info.role {
            Role::FaultedRequest
            | Role::FaultedResponse
            | Role::OwnershipRequest
            | Role::OwnershipResponse
            | Role::OtherOffline => self.offline(info, data),
            Role::ExplicitRequest
            | Role::ExplicitResponse
            | Role::UnconnectedRequest
            | Role::UnconnectedRequestGroup3
            | Role::UnconnectedResponseGroup3
            | Role::OtherExplicit
            | Role::OpenedExplicit => {
                self.explicit.message(&mut self.nodes, t, info.identifier, data)
            }
            // I/O does not come here.
            _ => stray(Some(info), Meaning::Invalid),
        }
    }

    fn address_check<'a>(
        &mut self,
        t: Nanos,
        info: &IdentifierInfo,
        data: &[u8],
        events: &mut impl FnMut(Nanos, Event),
    ) -> Decoded<'a> {
        let Some(mac_id) = info.source else {
            return plain(info, Meaning::Unreadable, Notes::default());
        };
        let stopped = self.has_stopped(mac_id);
        let node = &mut self.nodes[mac_id];
        node.count_sent(t, mac_id, events);
        let check = match AddressCheck::parse(mac_id, data) {
            Ok(check) => check,
            Err(error) => {
                node.malformed_checks.add(t);
                return plain(info, Meaning::Unreadable, Notes::new(Note::NotSeven(error.0)));
            }
        };
        let itself = node.identity.serial == Some(check.device.serial);
        if itself && check.kind == AddressCheckKind::Request {
            // It starts anew, and has no connections any more.
            self.explicit.forget(mac_id);
        }
        let outcome = node.address_check(t, &check, stopped);
        if node.address.is_pending() {
            self.pending.insert(mac_id);
        }
        self.outcome(t, mac_id, outcome, events);
        plain(info, Meaning::AddressCheck(check), Notes::default())
    }

    fn offline<'a>(&mut self, info: &IdentifierInfo, data: &'a [u8]) -> Decoded<'a> {
        let offline = Offline::parse(info.role, data);
        if let Offline::Request { value, service: OfflineService::IDENTIFY, .. } = offline {
            // 3F asks whoever is faulted; otherwise the value is taken for an address (from memory).
            let anybody = value == MacId::MAX.get();
            let asked = MacId::all().filter(|mac_id| anybody || mac_id.get() == value);
            asked.for_each(|mac_id| self.nodes[mac_id].identify());
        }
        plain(info, Meaning::Offline(offline), Notes::default())
    }

    /// What I/O does to the node that sent it or that it is for. Inlined, so that who wants a part
    /// of the answer does not make all of it.
    #[inline(always)]
    fn io(
        &mut self,
        t: Nanos,
        info: &IdentifierInfo,
        data: &[u8],
        events: &mut impl FnMut(Nanos, Event),
    ) -> IoHeard {
        let Some(mac_id) = info.source.or(info.destination) else {
            if info.role == Role::MulticastPollCommand {
                self.group_command(t, ConnectionKind::MulticastPoll, None, events);
            }
            return IoHeard::default();
        };
        let node = &mut self.nodes[mac_id];
        match info.role {
            Role::PollCommand => {
                let heard = node.poll_command(t, data);
                if heard.missed {
                    self.missed(t, mac_id, events);
                }
                if let Some(idle) = heard.idle
                    && let Some(idle) = self.idle.polled(t, mac_id, idle)
                {
                    events(t, if idle { Event::MasterIdle } else { Event::MasterRuns });
                }
                resized(t, mac_id, info.role, &heard, events);
                self.note_poll_gap(t);
                return heard;
            }
            Role::ChangeOfStateAcknowledge => {
                node.change_of_state_acknowledge(t);
                self.last_acknowledge = Some(t);
                return IoHeard::default();
            }
            _ => node.sent(t, mac_id, events),
        }
        if self.first_answer.is_none() && info.role != Role::StrobeCommand {
            self.first_answer = Some(t);
        }
        let heard = match info.role {
            Role::PollResponse => node.poll_response(t, data),
            Role::ChangeOfState => node.change_of_state(t, data),
            Role::StrobeResponse => {
                let first_after = self.strobe.first_response(mac_id);
                node.responds_with_others(t, ConnectionKind::Strobe, first_after);
                return IoHeard::default();
            }
            Role::MulticastPollResponse => {
                let first_after = self.multicast.first_response(mac_id);
                node.responds_with_others(t, ConnectionKind::MulticastPoll, first_after);
                return IoHeard::default();
            }
            Role::StrobeCommand => {
                self.group_command(t, ConnectionKind::Strobe, Some(mac_id), events);
                return IoHeard::default();
            }
            _ => {
                node.spoke();
                return IoHeard::default();
            }
        };
        resized(t, mac_id, info.role, &heard, events);
        if heard.drive
            && let Some(status) = node.drive.status()
        {
            let speed = f64::from(status.speed.unsigned_abs());
            self.drive_correlation.drive(t, mac_id, status.running(), speed);
            match node.following.fault(t, &status) {
                None => {}
                Some(true) => events(t, Event::DriveFaulted(mac_id)),
                Some(false) => events(t, Event::DriveFaultOver(mac_id)),
            }
            let (drive, following) = (&node.drive, &mut node.following);
            let differs = || drive.pair_differs();
            let asked = drive.command();
            match asked.and_then(|asked| following.response(t, &asked, &status, differs)) {
                None => {}
                Some(DriveChange::Follows) => events(t, Event::DriveFollows(mac_id)),
                Some(DriveChange::NotFollowing) => events(t, Event::DriveNotFollowing(mac_id)),
            }
        }
        heard
    }

    /// The same frame, after [`Trunk::io`], with all that can be said of it.
    fn io_in_words<'a>(
        &'a self,
        info: &IdentifierInfo,
        data: &'a [u8],
        heard: &IoHeard,
    ) -> Decoded<'a> {
        let role = info.role;
        let mut notes = Notes::default();
        if heard.part.is_some() && heard.inferred {
            notes.add(Note::FragmentsInferred);
        }
        if let Some((_, _, Some(error))) = heard.part {
            notes.add(Note::Fragment(error));
        }
        let node = whom(info).0.map(|mac_id| self.node(mac_id));
        let drive = node.filter(|_| heard.drive).and_then(|node| node.drive.io(role));
        if drive.is_some_and(|drive| drive.origin() == Origin::Inferred) {
            notes.add(Note::Guessed);
        }
        let data = match heard.part {
            None => Some(data),
            Some((_, FragmentStage::Whole, _)) => node.and_then(|node| node.message(role)),
            Some(_) => None,
        };
        let fragment = heard.part.map(|(fragment, stage, _)| (fragment, stage));
        plain(info, Meaning::Io(IoMessage { fragment, data, drive }), notes)
    }
}

/// A frame that does not belong on the trunk.
fn stray<'a>(info: Option<&IdentifierInfo>, meaning: Meaning<'a>) -> Decoded<'a> {
    let (node, way) = info.map_or((None, FrameDirection::Unknown), whom);
    let role = info.map(|info| info.role);
    Decoded { node, other: None, way, role, meaning, notes: Notes::new(Note::DoesNotBelong) }
}

fn plain<'a>(info: &IdentifierInfo, meaning: Meaning<'a>, notes: Notes) -> Decoded<'a> {
    let (node, way) = whom(info);
    Decoded { node, other: None, way, role: Some(info.role), meaning, notes }
}

/// Whom the identifier names, and which way the frame goes.
fn whom(info: &IdentifierInfo) -> (Option<MacId>, FrameDirection) {
    match (info.source, info.destination) {
        (Some(source), _) => (Some(source), FrameDirection::Out),
        (None, Some(destination)) => (Some(destination), FrameDirection::In),
        (None, None) => (None, FrameDirection::Unknown),
    }
}

/// Tells of I/O with a length that it never had. No data is a master that is idle, not a length.
#[inline]
fn resized(
    t: Nanos,
    mac_id: MacId,
    role: Role,
    heard: &IoHeard,
    events: &mut impl FnMut(Nanos, Event),
) {
    if let Some((before, now)) = heard.resized
        && before > 0
        && now > 0
    {
        events(t, Event::IoResized { mac_id, role, before, now });
    }
}

/// What a frame of I/O was.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct IoHeard {
    /// The part of a message that it is, where it is one, and what is wrong with that.
    pub(super) part: Option<(Fragment, FragmentStage, Option<FragmentError>)>,
    /// That it is a part is concluded from the traffic.
    pub(super) inferred: bool,
    /// It says something of a drive, which the node's [`Drive`](super::Drive) knows.
    pub(super) drive: bool,
    /// The command before it was never answered.
    pub(super) missed: bool,
    /// Its master became idle, so that it polls with no data, or went on.
    pub(super) idle: Option<bool>,
    /// Its message has a length that none had: the length of the one before it, and its own.
    pub(super) resized: Option<(u16, u16)>,
}

impl IoHeard {
    /// Counts the fragment that the frame is, if it is one.
    #[inline]
    fn new(frame: &IoFrame, size: Option<Known<u16>>, counts: &mut FragmentCounts) -> IoHeard {
        let mut heard = IoHeard { part: frame.part, resized: frame.resized, ..IoHeard::default() };
        if let Some((_, stage, error)) = frame.part {
            counts.whole += u64::from(stage == FragmentStage::Whole);
            if let Some(error) = error {
                counts.count(error);
            }
            heard.inferred = size.is_none_or(|size| size.origin == Origin::Inferred);
        }
        heard
    }
}

impl Node {
    /// The master's poll of it, or its change of state or cyclic data.
    #[inline]
    pub(super) fn poll_command(&mut self, t: Nanos, data: &[u8]) -> IoHeard {
        let kind = self.command_kind();
        self.connections.fed(t, kind);
        self.spoken_to();
        let size = &mut self.connections.get_mut(kind).consumed;
        // Once the node answered, a further command is a new one.
        let fresh = !self.poll.awaits_response();
        let frame = self.command_io.frame(t, data, *size, fresh);
        if let Some(length) = frame.length {
            // No data is a master that is idle, not a size.
            if length > 0 {
                offer(size, length, Origin::Inferred);
            }
        }
        let mut heard = IoHeard::new(&frame, *size, &mut self.io_fragments);
        // A node that takes no data is always polled with none.
        let idle = frame.length == Some(0) && size.is_some_and(|size| size.value > 0);
        if idle != self.idle {
            self.idle = idle;
            heard.idle = Some(idle);
        }
        if heard.part.is_none() {
            heard.drive = self.drive.commanded(data);
        }
        if frame.continues {
            self.poll.command_continues(t);
        } else {
            heard.missed = self.poll.command(t);
        }
        heard
    }

    /// Its poll response, or its acknowledge of the master's change of state.
    #[inline]
    pub(super) fn poll_response(&mut self, t: Nanos, data: &[u8]) -> IoHeard {
        let kind = self.command_kind();
        self.spoke();
        self.connections.spoke(t, kind);
        let size = &mut self.connections.get_mut(kind).produced;
        // The first response after a command is a new one.
        let fresh = self.poll.awaits_response();
        let frame = self.response_io.frame(t, data, *size, fresh);
        match frame.length {
            // No data is no size: it has nothing to say yet.
            Some(0) if size.is_some_and(|size| size.value > 0) => self.empty_answers.add(t),
            Some(0) => {}
            Some(length) => offer(size, length, Origin::Inferred),
            None => {}
        }
        let mut heard = IoHeard::new(&frame, *size, &mut self.io_fragments);
        self.read_status(&mut heard, data);
        if !frame.continues
            && let Some(latency) = self.poll.response(t)
        {
            self.latency_drift.record(t, latency);
        }
        heard
    }

    /// Its change of state or cyclic data.
    pub(super) fn change_of_state(&mut self, t: Nanos, data: &[u8]) -> IoHeard {
        self.spoke();
        self.connections.spoke(t, ConnectionKind::ChangeOfState);
        let size = &mut self.connections.get_mut(ConnectionKind::ChangeOfState).produced;
        // Once the master acknowledged, it is a new message.
        let fresh = !self.change_of_state.awaits_response();
        let frame = self.change_io.frame(t, data, *size, fresh);
        if let Some(length) = frame.length {
            offer(size, length, Origin::Inferred);
        }
        let mut heard = IoHeard::new(&frame, *size, &mut self.io_fragments);
        self.read_status(&mut heard, data);
        if frame.continues {
            self.change_of_state.command_continues(t);
        } else if self.expects_acknowledge() {
            self.change_of_state.command(t);
        } else {
            self.change_of_state.unanswered_command(t);
        }
        heard
    }

    /// The master's acknowledge of its change of state or cyclic data.
    pub(super) fn change_of_state_acknowledge(&mut self, t: Nanos) {
        self.fed(t, ConnectionKind::ChangeOfState);
        self.change_of_state.response(t);
    }

    /// Whether its master acknowledges what it sends by itself, by the allocation, else by whether
    /// it ever did.
    fn expects_acknowledge(&self) -> bool {
        let agreed = self.connections.is_acknowledged();
        agreed.unwrap_or(self.change_of_state.responses() > 0)
    }

    /// Something came for it on a connection.
    pub(super) fn fed(&mut self, t: Nanos, kind: ConnectionKind) {
        self.connections.fed(t, kind);
        self.spoken_to();
    }

    #[inline]
    fn read_status(&mut self, heard: &mut IoHeard, data: &[u8]) {
        if heard.part.is_none() {
            let device_type = self.identity.device_type;
            heard.drive = self.drive.responded(data, device_type);
        }
    }

    /// The message of this role that was put together last.
    pub(super) fn message(&self, role: Role) -> Option<&[u8]> {
        let channel = match role {
            Role::PollCommand => &self.command_io,
            Role::PollResponse => &self.response_io,
            Role::ChangeOfState => &self.change_io,
            _ => return None,
        };
        Some(channel.message())
    }
}
