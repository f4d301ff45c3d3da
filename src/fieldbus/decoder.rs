//! The decoder: a frame and its time go in, its meaning comes out, and what was said of each
//! node is remembered.
//!
//! Memory is bounded whatever comes in, and an ordinary frame allocates nothing.

use embedded_can::Id;

use super::connection::offer;
use super::decode_explicit::{Agreed, Group3};
use super::decoded::{Decoded, DriveIo, Io, Meaning, Note, Notes, Way};
use super::node_io::IoHeard;
use super::nodes::Nodes;
use super::{
    AddressCheck, AddressCheckKind, ConnectionKind, DriveCommand, DriveStatus, Known, MacId, Node,
    Offline, OfflineService, Origin, Role, Stage, Told,
};
use crate::wire::{Frame, Nanos};

/// How often silence is looked for, in the records' own time.
const SWEEP: Nanos = Nanos::from_millis(100);

/// Decodes the frames of one trunk, in their order.
#[derive(Debug, Clone)]
pub struct Decoder {
    pub(super) nodes: Nodes,
    pub(super) agreed: Agreed,
    pub(super) group3: Group3,
    /// The explicit message that was put together last.
    pub(super) body: Vec<u8>,
    next_sweep: Nanos,
}

impl Default for Decoder {
    fn default() -> Decoder {
        Decoder {
            nodes: Nodes::default(),
            agreed: Agreed::default(),
            group3: Group3::default(),
            body: Vec::new(),
            next_sweep: Nanos(i64::MIN),
        }
    }
}

impl Decoder {
    /// What is known of a node.
    pub fn node(&self, mac_id: MacId) -> &Node {
        &self.nodes[mac_id]
    }

    /// The plan says how long a node's I/O is.
    pub fn plan_sizes(&mut self, mac_id: MacId, kind: ConnectionKind, command: u16, response: u16) {
        let connection = self.nodes[mac_id].connections.get_mut(kind);
        offer(&mut connection.consumed, command, Origin::Planned);
        offer(&mut connection.produced, response, Origin::Planned);
    }

    /// The plan says by which assemblies a node is driven.
    pub fn plan_drive(&mut self, mac_id: MacId, output: Option<u16>, input: Option<u16>) {
        let drive = &mut self.nodes[mac_id].drive;
        output.into_iter().for_each(|instance| drive.set_output(instance, Origin::Planned));
        input.into_iter().for_each(|instance| drive.set_input(instance, Origin::Planned));
    }

    /// The plan says who is a node's master.
    pub fn plan_owner(&mut self, mac_id: MacId, master: MacId) {
        self.nodes[mac_id].connections.plan_owner(master);
    }

    /// Frames are known to be missing at `t`: what is half done is forgotten without blame.
    pub fn gap(&mut self, t: Nanos) {
        self.nodes.each(|node| node.forgive(t));
        self.group3.reset();
    }

    /// Lets time pass up to `t`, so that what should have come by then counts as missing.
    #[inline]
    pub fn advance(&mut self, t: Nanos) {
        // A clock that stepped back would otherwise stop the sweeps until it has caught up.
        let stepped_back = t.plus(SWEEP) < self.next_sweep;
        if t < self.next_sweep && !stepped_back {
            return;
        }
        self.sweep(t);
    }

    fn sweep(&mut self, t: Nanos) {
        self.next_sweep = t.plus(SWEEP);
        self.nodes.each_known(|node| node.expire(t));
        self.group3.expire(t, &mut self.nodes);
    }

    /// Decodes the next frame.
    pub fn frame<'a>(&'a mut self, t: Nanos, frame: &'a Frame) -> Decoded<'a> {
        self.advance(t);
        let Id::Standard(id) = frame.id() else { return stray(None, Meaning::Extended) };
        let told = Told::of(id);
        if frame.is_remote() {
            return stray(Some(told), Meaning::Remote);
        }
        let data = frame.bytes();
        if !self.is_io(told, data) {
            return self.other(t, told, data);
        }
        let one = whom(told).0.filter(|_| told.role != Role::StrobeCommand);
        let other = one.and_then(|mac_id| self.node(mac_id).connections.owner);
        let heard = self.io(t, told, data);
        Decoded { other: other.map(|owner| owner.value), ..self.io_in_words(told, data, &heard) }
    }

    /// Takes the next frame as [`Decoder::frame`] does. Only this comes out of what it means:
    /// which drive says something of itself.
    #[inline]
    pub fn hear(&mut self, t: Nanos, frame: &Frame) -> Option<MacId> {
        self.advance(t);
        let Id::Standard(id) = frame.id() else { return None };
        if frame.is_remote() {
            return None;
        }
        let (told, data) = (Told::of(id), frame.bytes());
        if !self.is_io(told, data) {
            self.other(t, told, data);
            return None;
        }
        let heard = self.io(t, told, data);
        told.source.filter(|_| heard.drive)
    }

    /// Whether it is I/O, and no message on a connection that two nodes opened.
    #[inline]
    fn is_io(&self, told: &Told, data: &[u8]) -> bool {
        told.role.is_io() && self.agreed.open.find(told.identifier, data).is_none()
    }

    /// What is no I/O by its identifier, or was agreed to be none.
    fn other<'a>(&'a mut self, t: Nanos, told: &'static Told, data: &'a [u8]) -> Decoded<'a> {
        if let Some(between) = self.agreed.open.find(told.identifier, data) {
            return self.opened(t, between, data);
        }
        match told.role {
            Role::AddressCheck => self.address_check(t, told, data),
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
            | Role::OpenedExplicit => self.explicit(t, told.identifier, data),
            // I/O does not come here.
            _ => stray(Some(told), Meaning::Invalid),
        }
    }

    fn address_check<'a>(&'a mut self, t: Nanos, told: &Told, data: &[u8]) -> Decoded<'a> {
        let Some(mac_id) = told.source else {
            return plain(told, Meaning::Unreadable, Notes::default());
        };
        match AddressCheck::parse(mac_id, data) {
            Ok(check) => {
                let node = &mut self.nodes[mac_id];
                let itself = node.identity.serial == Some(check.device.serial);
                if itself && check.kind == AddressCheckKind::Request {
                    // It starts anew, and has no connections any more.
                    self.agreed.open.forget(mac_id);
                }
                node.address_check(t, &check);
                plain(told, Meaning::AddressCheck(check), Notes::default())
            }
            Err(error) => plain(told, Meaning::Unreadable, Notes::of(Note::NotSeven(error.0))),
        }
    }

    fn offline<'a>(&'a mut self, told: &Told, data: &'a [u8]) -> Decoded<'a> {
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
    fn io(&mut self, t: Nanos, told: &Told, data: &[u8]) -> IoHeard {
        let Some(mac_id) = told.source.or(told.destination) else { return IoHeard::default() };
        let node = &mut self.nodes[mac_id];
        match told.role {
            Role::PollCommand => return node.poll_command(t, data),
            Role::PollResponse => return node.poll_response(t, data),
            Role::ChangeOfState => return node.change_of_state(t, data),
            Role::ChangeOfStateAcknowledge => node.fed(t, ConnectionKind::ChangeOfState),
            Role::StrobeResponse => node.strobe_response(t),
            Role::StrobeCommand => self.strobe(t, mac_id),
            _ => node.spoke(t),
        }
        IoHeard::default()
    }

    /// The same frame, after [`Decoder::io`], with all that can be said of it.
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
    fn strobe(&mut self, t: Nanos, master: MacId) {
        self.nodes.each_known(|node| {
            let owned = node.connections.owner.is_some_and(|owner| owner.value == master);
            if owned && node.connections.allocated.has(ConnectionKind::Strobe.choice()) {
                node.fed(t, ConnectionKind::Strobe);
            }
        });
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

impl DriveIo {
    /// How the assembly is known.
    pub fn origin(&self) -> Origin {
        match *self {
            DriveIo::Command(Known::<DriveCommand> { origin, .. })
            | DriveIo::Status(Known::<DriveStatus> { origin, .. }) => origin,
        }
    }
}
