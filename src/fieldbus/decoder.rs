//! The decoder: a frame and its time go in, its meaning comes out, and what was said of each
//! node is remembered.
//!
//! Memory is bounded whatever comes in, and an ordinary frame allocates nothing.

use embedded_can::Id;

use super::connection::offer;
use super::decode_explicit::{Agreed, Group3};
use super::decoded::{Decoded, DriveIo, Io, Meaning, Note, Notes, Way};
use super::{
    AddressCheck, AddressCheckKind, ConnectionKind, DriveCommand, DriveStatus, IoChannel, IoFrame,
    Known, MacId, Node, Offline, OfflineService, Origin, Role, Stage, Told,
};
use crate::wire::{Frame, Nanos};

/// How often silence is looked for, in the records' own time.
const SWEEP: Nanos = Nanos::from_millis(100);

/// Decodes the frames of one trunk, in their order.
#[derive(Debug, Clone)]
pub struct Decoder {
    pub(super) nodes: Box<[Node]>,
    pub(super) agreed: Agreed,
    pub(super) group3: Group3,
    /// The explicit message that was put together last.
    pub(super) body: Vec<u8>,
    next_sweep: Nanos,
}

impl Default for Decoder {
    fn default() -> Decoder {
        Decoder {
            nodes: vec![Node::default(); MacId::COUNT].into_boxed_slice(),
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
        &self.nodes[mac_id.index()]
    }

    /// The plan says how long a node's I/O is.
    pub fn plan_sizes(&mut self, mac_id: MacId, kind: ConnectionKind, command: u16, response: u16) {
        let connection = self.nodes[mac_id.index()].connections.get_mut(kind);
        offer(&mut connection.consumed, command, Origin::Planned);
        offer(&mut connection.produced, response, Origin::Planned);
    }

    /// The plan says by which assemblies a node is driven.
    pub fn plan_drive(&mut self, mac_id: MacId, output: Option<u16>, input: Option<u16>) {
        let drive = &mut self.nodes[mac_id.index()].drive;
        output.into_iter().for_each(|instance| drive.set_output(instance, Origin::Planned));
        input.into_iter().for_each(|instance| drive.set_input(instance, Origin::Planned));
    }

    /// The plan says who is a node's master.
    pub fn plan_owner(&mut self, mac_id: MacId, master: MacId) {
        self.nodes[mac_id.index()].connections.plan_owner(master);
    }

    /// Frames are known to be missing at `t`: what is half done is forgotten without blame.
    pub fn gap(&mut self, t: Nanos) {
        self.nodes.iter_mut().for_each(|node| node.forgive(t));
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
        self.nodes.iter_mut().for_each(|node| node.expire(t));
        self.group3.expire(t, &mut self.nodes);
    }

    /// Decodes the next frame.
    #[inline]
    pub fn frame<'a>(&'a mut self, t: Nanos, frame: &'a Frame) -> Decoded<'a> {
        self.advance(t);
        let Id::Standard(id) = frame.id else { return stray(None, Meaning::Extended) };
        let told = Told::of(id);
        if frame.is_remote() {
            return stray(Some(told), Meaning::Remote);
        }
        let data = frame.bytes();
        if let Some(between) = self.agreed.open.find(told.identifier, data) {
            return self.opened(t, between, data);
        }
        match told.role {
            Role::Invalid => stray(Some(told), Meaning::Invalid),
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
            Role::MulticastPollResponse
            | Role::ChangeOfState
            | Role::StrobeResponse
            | Role::PollResponse
            | Role::OtherIo
            | Role::StrobeCommand
            | Role::MulticastPollCommand
            | Role::ChangeOfStateAcknowledge
            | Role::PollCommand => self.io(t, told, data),
        }
    }

    fn address_check<'a>(&'a mut self, t: Nanos, told: &Told, data: &[u8]) -> Decoded<'a> {
        let Some(mac_id) = told.source else {
            return plain(told, Meaning::Unreadable, Notes::default());
        };
        match AddressCheck::parse(mac_id, data) {
            Ok(check) => {
                let node = &mut self.nodes[mac_id.index()];
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
                self.nodes[mac_id.index()].identify();
            }
            Some(mac_id)
        } else {
            None
        };
        Decoded { node, ..plain(told, Meaning::Offline(offline), Notes::default()) }
    }

    #[inline]
    fn io<'a>(&'a mut self, t: Nanos, told: &Told, data: &'a [u8]) -> Decoded<'a> {
        let role = told.role;
        let (mac_id, way) = whom(told);
        let plain = |node, other| Decoded {
            node,
            other,
            way,
            role: Some(role),
            meaning: Meaning::Io(Io { fragment: None, data: Some(data), drive: None }),
            notes: Notes::default(),
        };
        let Some(mac_id) = mac_id else { return plain(None, None) };
        if role == Role::StrobeCommand {
            self.strobe(t, mac_id);
            return plain(Some(mac_id), None);
        }
        let node = &mut self.nodes[mac_id.index()];
        let other = node.connections.owner.map(|owner| owner.value);
        let kind = node.command_kind();
        match role {
            Role::PollCommand | Role::ChangeOfStateAcknowledge => {
                let change = role == Role::ChangeOfStateAcknowledge;
                let fed = if change { ConnectionKind::ChangeOfState } else { kind };
                node.connections.fed(t, fed);
                node.spoken_to();
            }
            _ => {
                node.spoke(t);
                match role {
                    Role::PollResponse => node.connections.spoke(t, kind),
                    Role::StrobeResponse => node.connections.spoke(t, ConnectionKind::Strobe),
                    Role::ChangeOfState => {
                        node.connections.spoke(t, ConnectionKind::ChangeOfState);
                    }
                    _ => {}
                }
            }
        }
        let (size, channel) = match role {
            Role::PollCommand => (node.command_size(), &mut node.command_io),
            Role::PollResponse => (node.response_size(), &mut node.response_io),
            Role::ChangeOfState => (node.change_size(), &mut node.change_io),
            _ => return plain(Some(mac_id), other),
        };
        let mut notes = Notes::default();
        let part = match channel.frame(t, data, size) {
            IoFrame::Whole => None,
            IoFrame::Part(fragment, stage, error) => Some((fragment, stage, error)),
        };
        let length = match part {
            None => Some(data.len()),
            Some((_, Stage::Whole, _)) => Some(channel.message().len()),
            Some(_) => None,
        };
        if let Some((_, stage, error)) = part {
            if size.is_none_or(|size| size.origin == Origin::Inferred) {
                notes.add(Note::FragmentsInferred);
            }
            if let Some(error) = error {
                node.io_fragments.count(error);
                notes.add(Note::Fragment(error));
            }
            node.io_fragments.whole += u64::from(stage == Stage::Whole);
        }
        if let Some(length) = length {
            offer_size(&mut node.connections, role, kind, length);
            if role == Role::PollCommand {
                node.commanded(length);
            }
        }
        let drive = if part.is_none() { drive(node, role, data) } else { None };
        if drive.is_some_and(|drive| drive.origin() == Origin::Inferred) {
            notes.add(Note::Guessed);
        }
        let whole = match (part, length) {
            (None, _) => Some(data),
            (Some(_), Some(_)) => channel_of(node, role).map(IoChannel::message),
            (Some(_), None) => None,
        };
        let fragment = part.map(|(fragment, stage, _)| (fragment, stage));
        let meaning = Meaning::Io(Io { fragment, data: whole, drive });
        Decoded { node: Some(mac_id), other, way, role: Some(role), meaning, notes }
    }

    /// A master's strobe is for every node that it strobes.
    fn strobe(&mut self, t: Nanos, master: MacId) {
        for node in &mut self.nodes {
            let owned = node.connections.owner.is_some_and(|owner| owner.value == master);
            if owned && node.connections.allocated.has(ConnectionKind::Strobe.choice()) {
                node.connections.fed(t, ConnectionKind::Strobe);
                node.spoken_to();
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

fn channel_of(node: &Node, role: Role) -> Option<&IoChannel> {
    Some(match role {
        Role::PollCommand => &node.command_io,
        Role::PollResponse => &node.response_io,
        Role::ChangeOfState => &node.change_io,
        _ => return None,
    })
}

/// What came whole tells the size, if nothing surer does.
fn offer_size(
    connections: &mut super::Connections,
    role: Role,
    kind: ConnectionKind,
    length: usize,
) {
    let length = length as u16;
    match role {
        // No data is a master that is idle, not a size.
        Role::PollCommand if length > 0 => {
            offer(&mut connections.get_mut(kind).consumed, length, Origin::Inferred);
        }
        Role::PollResponse if length > 0 => {
            offer(&mut connections.get_mut(kind).produced, length, Origin::Inferred);
        }
        Role::ChangeOfState => {
            let connection = connections.get_mut(ConnectionKind::ChangeOfState);
            offer(&mut connection.produced, length, Origin::Inferred);
        }
        _ => {}
    }
}

fn drive(node: &mut Node, role: Role, data: &[u8]) -> Option<DriveIo> {
    match role {
        Role::PollCommand => node.drive.commanded(data).map(DriveIo::Command),
        Role::PollResponse | Role::ChangeOfState => {
            let device_type = node.identity.device_type;
            node.drive.responded(data, device_type).map(DriveIo::Status)
        }
        _ => None,
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
