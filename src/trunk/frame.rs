//! One frame: who sent it, what it changes, and what it means.
//!
//! A frame goes one of two ways through the same code: [`Trunk::take`] only takes account of it,
//! [`Trunk::take_decoded`] also says what it means. Memory is bounded whatever comes in, and an
//! ordinary frame allocates nothing.

use super::connections::Origin;
use super::decoded::{Decoded, Io, Meaning, Note, Notes, Way};
use super::event::Event;
use super::node_io::IoHeard;
use super::reassembly::Stage;
use super::state::Trunk;
use crate::fieldbus::{
    AddressCheck, AddressCheckKind, ConnectionKind, Identifier, MacId, Offline, OfflineService,
    Role, Told,
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
        self.advance(t);
        let Some(told) = self.count_frame(t, frame) else { return };
        let data = frame.bytes();
        if self.is_io(told, data) {
            self.io(t, told, data, events);
        } else {
            self.message(t, told, data, events);
        }
    }

    /// Takes account of a frame and says what it means.
    pub(super) fn decode_frame<'a>(
        &'a mut self,
        t: Nanos,
        frame: &'a Frame,
        events: &mut impl FnMut(Nanos, Event),
    ) -> Decoded<'a> {
        self.advance(t);
        let Some(told) = self.count_frame(t, frame) else {
            return match frame.id() {
                Id::Extended(_) => stray(None, Meaning::Extended),
                Id::Standard(id) => stray(Some(Told::of(id)), Meaning::Remote),
            };
        };
        let data = frame.bytes();
        if !self.is_io(told, data) {
            return self.message(t, told, data, events);
        }
        let one = whom(told).0.filter(|_| told.role != Role::StrobeCommand);
        let other = one.and_then(|mac_id| self.node(mac_id).connections.owner);
        let heard = self.io(t, told, data, events);
        Decoded { other: other.map(|owner| owner.value), ..self.io_in_words(told, data, &heard) }
    }

    /// Takes account of its length, its sender and its group. `None`: an identifier of 29 bits, or
    /// a remote frame, neither of which this fieldbus uses.
    #[inline]
    fn count_frame(&mut self, t: Nanos, frame: &Frame) -> Option<&'static Told> {
        let bits = frame.wire_bits();
        self.load.frame(t, bits);
        let told = match frame.id() {
            Id::Extended(_) => {
                self.groups.extended.add(t);
                return None;
            }
            Id::Standard(_) if frame.is_remote() => {
                self.groups.remote.add(t);
                return None;
            }
            Id::Standard(id) => Told::of(id),
        };
        if told.source.is_some() {
            self.talk.before(t, &self.strikes);
        }
        self.strikes.frame(told.source, bits);
        match told.identifier {
            Identifier::Group1 { .. } => self.groups.valid[0] += 1,
            Identifier::Group2 { .. } => self.groups.valid[1] += 1,
            Identifier::Group3 { .. } => self.groups.valid[2] += 1,
            Identifier::Group4 { .. } => self.groups.valid[3] += 1,
            Identifier::Invalid { .. } => self.groups.invalid.add(t),
        }
        Some(told)
    }

    /// Whether it is I/O, and no message on a connection that two nodes opened.
    #[inline]
    fn is_io(&self, told: &Told, data: &[u8]) -> bool {
        told.role.is_io() && self.explicit.opened(told.identifier, data).is_none()
    }

    /// What is no I/O by its identifier, or was agreed to be none.
    fn message<'a>(
        &'a mut self,
        t: Nanos,
        told: &'static Told,
        data: &'a [u8],
        events: &mut impl FnMut(Nanos, Event),
    ) -> Decoded<'a> {
        if told.role == Role::AddressCheck {
            return self.address_check(t, told, data, events);
        }
        if let Some(mac_id) = told.source {
            self.nodes[mac_id].sent(t, mac_id, events);
        }
        if let Some(between) = self.explicit.opened(told.identifier, data) {
            return self.explicit.opened_message(&mut self.nodes, t, between, data);
        }
        match told.role {
            Role::FaultedRequest
            | Role::FaultedResponse
            | Role::OwnershipRequest
            | Role::OwnershipResponse
            | Role::OtherOffline => self.offline(told, data),
            Role::ExplicitRequest
            | Role::ExplicitResponse
            | Role::UnconnectedRequest
            | Role::UnconnectedRequestGroup3
            | Role::UnconnectedResponseGroup3
            | Role::OtherExplicit
            | Role::OpenedExplicit => {
                self.explicit.message(&mut self.nodes, t, told.identifier, data)
            }
            // I/O does not come here.
            _ => stray(Some(told), Meaning::Invalid),
        }
    }

    fn address_check<'a>(
        &mut self,
        t: Nanos,
        told: &Told,
        data: &[u8],
        events: &mut impl FnMut(Nanos, Event),
    ) -> Decoded<'a> {
        let Some(mac_id) = told.source else {
            return plain(told, Meaning::Unreadable, Notes::default());
        };
        let node = &mut self.nodes[mac_id];
        node.count_sent(t, mac_id, events);
        let check = match AddressCheck::parse(mac_id, data) {
            Ok(check) => check,
            Err(error) => {
                node.malformed_checks.add(t);
                return plain(told, Meaning::Unreadable, Notes::of(Note::NotSeven(error.0)));
            }
        };
        let itself = node.identity.serial == Some(check.device.serial);
        if itself && check.kind == AddressCheckKind::Request {
            // It starts anew, and has no connections any more.
            self.explicit.forget(mac_id);
        }
        let outcome = node.address_check(t, &check);
        if node.address.is_pending() {
            self.pending.insert(mac_id);
        }
        self.outcome(t, mac_id, outcome, events);
        plain(told, Meaning::AddressCheck(check), Notes::default())
    }

    fn offline<'a>(&mut self, told: &Told, data: &'a [u8]) -> Decoded<'a> {
        let offline = Offline::parse(told.role, data);
        let node = if let Offline::Request { mac_id, service, .. } = offline {
            if service == OfflineService::IDENTIFY {
                self.nodes[mac_id].identify();
            }
            Some(mac_id)
        } else {
            None
        };
        Decoded { node, ..plain(told, Meaning::Offline(offline), Notes::default()) }
    }

    /// What I/O does to the node that sent it or that it is for. Inlined, so that who wants a part
    /// of the answer does not make all of it.
    #[inline(always)]
    fn io(
        &mut self,
        t: Nanos,
        told: &Told,
        data: &[u8],
        events: &mut impl FnMut(Nanos, Event),
    ) -> IoHeard {
        let Some(mac_id) = told.source.or(told.destination) else { return IoHeard::default() };
        let node = &mut self.nodes[mac_id];
        match told.role {
            Role::PollCommand => {
                let heard = node.poll_command(t, data);
                if heard.missed {
                    self.missed(t, mac_id, events);
                }
                self.note_poll_gap(t);
                return heard;
            }
            Role::ChangeOfStateAcknowledge => {
                node.change_of_state_acknowledge(t);
                return IoHeard::default();
            }
            _ => node.sent(t, mac_id, events),
        }
        let heard = match told.role {
            Role::PollResponse => node.poll_response(t, data),
            Role::ChangeOfState => node.change_of_state(t, data),
            Role::StrobeResponse => {
                // Nothing but its response tells that a node is strobed.
                if !self.strobed.contains(mac_id)
                    && let Some(command) = self.last_strobe
                {
                    node.strobe.command(command);
                }
                self.strobed.insert(mac_id);
                node.strobe_response(t);
                return IoHeard::default();
            }
            Role::StrobeCommand => {
                self.strobe(t, mac_id, events);
                return IoHeard::default();
            }
            _ => {
                node.spoke();
                return IoHeard::default();
            }
        };
        if heard.drive
            && let Some((asked, said)) = node.drive.exchange()
        {
            let (asked, said) = (asked.read(), said.read());
            let speed = f64::from(said.speed.unsigned_abs());
            self.ties.drive(t, mac_id, said.running(), speed);
            node.following.response(t, &asked, &said);
        }
        heard
    }

    /// The same frame, after [`Trunk::io`], with all that can be said of it.
    fn io_in_words<'a>(&'a self, told: &Told, data: &'a [u8], heard: &IoHeard) -> Decoded<'a> {
        let role = told.role;
        let mut notes = Notes::default();
        if heard.part.is_some() && heard.inferred {
            notes.add(Note::FragmentsInferred);
        }
        if let Some((_, _, Some(error))) = heard.part {
            notes.add(Note::Fragment(error));
        }
        let node = whom(told).0.map(|mac_id| self.node(mac_id));
        let drive = node.filter(|_| heard.drive).and_then(|node| node.drive.io(role));
        if drive.is_some_and(|drive| drive.origin() == Origin::Inferred) {
            notes.add(Note::Guessed);
        }
        let data = match heard.part {
            None => Some(data),
            Some((_, Stage::Whole, _)) => node.and_then(|node| node.message(role)),
            Some(_) => None,
        };
        let fragment = heard.part.map(|(fragment, stage, _)| (fragment, stage));
        plain(told, Meaning::Io(Io { fragment, data, drive }), notes)
    }

    /// A master's strobe is for every node that it strobes.
    fn strobe(&mut self, t: Nanos, master: MacId, events: &mut impl FnMut(Nanos, Event)) {
        self.nodes.each_known(|node| {
            let owned = node.connections.owner.is_some_and(|owner| owner.value == master);
            if owned && node.connections.allocated.has(ConnectionKind::Strobe.choice()) {
                node.fed(t, ConnectionKind::Strobe);
            }
        });
        self.last_strobe = Some(t);
        for mac_id in self.strobed.iter() {
            if self.nodes[mac_id].strobe.command(t) {
                self.missed(t, mac_id, events);
            }
        }
    }
}

/// A frame that does not belong on the trunk.
fn stray<'a>(told: Option<&Told>, meaning: Meaning<'a>) -> Decoded<'a> {
    let (node, way) = told.map_or((None, Way::Unknown), whom);
    let role = told.map(|told| told.role);
    Decoded { node, other: None, way, role, meaning, notes: Notes::of(Note::DoesNotBelong) }
}

fn plain<'a>(told: &Told, meaning: Meaning<'a>, notes: Notes) -> Decoded<'a> {
    let (node, way) = whom(told);
    Decoded { node, other: None, way, role: Some(told.role), meaning, notes }
}

/// Whom the identifier names, and which way the frame goes.
fn whom(told: &Told) -> (Option<MacId>, Way) {
    match (told.source, told.destination) {
        (Some(source), _) => (Some(source), Way::Out),
        (None, Some(destination)) => (Some(destination), Way::In),
        (None, None) => (None, Way::Unknown),
    }
}
