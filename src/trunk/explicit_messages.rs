//! ExplicitMessage messages: fragments put together, requests paired with responses, and what a granted
//! request says of the node.

use super::connections::Origin;
use super::decoded::{Decoded, ExplicitMessage, FrameDirection, Meaning, Note, Notes};
use super::explicit_state::{EarlierRequest, PendingRequest};
use super::explicit_state::{OpenConnectionEnds, OpenConnections};
use super::node::Nodes;
use super::node::{EXPLICIT_LIMIT, Node};
use super::reassembly::{FragmentError, FragmentStage, Reassembly};
use crate::fieldbus::{
    AllocateRequest, BodyFormat, Choice, Class, ConnectionKind, CutShort, ExplicitBody,
    ExplicitHeader, Fragment, FragmentKind, Heartbeat, Identifier, MacId, OpenRequest,
    OpenResponse, Role, Service, Target, allocation_attribute,
};
use crate::wire::Nanos;

/// The explicit messages of a trunk, as far as they are not one node's own.
#[derive(Debug, Clone, Default)]
pub(super) struct ExplicitMessages {
    agreed: Agreed,
    group3: Group3,
    /// The message that was put together last.
    body: Vec<u8>,
}

/// What nodes and their clients agreed on.
#[derive(Debug, Clone)]
struct Agreed {
    /// Body formats, by the node that is asked and its client.
    formats: Box<[[BodyFormat; MacId::COUNT]]>,
    /// Connections with identifiers of Group 1 or 2.
    open: OpenConnections,
}

impl Default for Agreed {
    fn default() -> Agreed {
        let formats = vec![[BodyFormat::default(); MacId::COUNT]; MacId::COUNT];
        Agreed { formats: formats.into_boxed_slice(), open: OpenConnections::default() }
    }
}

/// One frame of an explicit message: who, to whom.
#[derive(Debug, Clone, Copy)]
struct Ends {
    header: ExplicitHeader,
    role: Role,
    from: MacId,
    to: MacId,
    /// Whether the node that is asked sends; its Group 2 identifiers say so by themselves.
    answers: bool,
}

impl Ends {
    fn new(identifier: Identifier, data: &[u8]) -> Ends {
        let header = ExplicitHeader::from_byte(data.first().copied().unwrap_or(0));
        let role = identifier.role();
        let service = data.get(if header.fragmented { 2 } else { 1 });
        let (from, to, answers) = match (identifier.source(), identifier.destination()) {
            (Some(source), _) => {
                let group2 = matches!(identifier, Identifier::Group2 { .. });
                let bit = service.is_some_and(|byte| byte & 0x80 != 0);
                let answers = match role {
                    Role::UnconnectedResponseGroup3 => true,
                    Role::UnconnectedRequestGroup3 => false,
                    _ => group2 || bit,
                };
                (source, header.other_end, answers)
            }
            (None, destination) => {
                (header.other_end, destination.unwrap_or(header.other_end), false)
            }
        };
        Ends { header, role, from, to, answers }
    }

    fn opened(between: OpenConnectionEnds, data: &[u8]) -> Ends {
        let header = ExplicitHeader::from_byte(data.first().copied().unwrap_or(0));
        let OpenConnectionEnds { from, to, answers } = between;
        Ends { header, role: Role::OpenedExplicit, from, to, answers }
    }

    fn server(&self) -> MacId {
        if self.answers { self.from } else { self.to }
    }

    fn client(&self) -> MacId {
        if self.answers { self.to } else { self.from }
    }

    fn unconnected(&self) -> bool {
        matches!(self.role, Role::UnconnectedRequest | Role::UnconnectedRequestGroup3)
    }

    /// Whether it is between two nodes as they agreed, not between a master and its slave.
    fn group3(&self) -> bool {
        matches!(
            self.role,
            Role::OtherExplicit
                | Role::OpenedExplicit
                | Role::UnconnectedRequestGroup3
                | Role::UnconnectedResponseGroup3
        )
    }

    /// How a request names its object; `None` on the unconnected port of Group 3, where it
    /// names none.
    fn format(&self, agreed: &Agreed) -> Option<BodyFormat> {
        match self.role {
            Role::UnconnectedRequestGroup3 | Role::UnconnectedResponseGroup3 => None,
            Role::UnconnectedRequest => Some(BodyFormat::default()),
            _ => Some(agreed.formats[self.server().index()][self.client().index()]),
        }
    }
}

impl ExplicitMessages {
    /// The ends of a message on a connection with identifiers of Group 1 or 2 that two nodes
    /// opened; `None` where the frame is no such message.
    #[inline]
    pub(super) fn opened(&self, identifier: Identifier, data: &[u8]) -> Option<OpenConnectionEnds> {
        self.agreed.open.find(identifier, data)
    }

    /// A node started anew: none of the connections that it opened is left.
    pub(super) fn forget(&mut self, node: MacId) {
        self.agreed.open.forget(node);
    }

    /// Lets time pass.
    pub(super) fn expire(&mut self, t: Nanos, nodes: &mut Nodes) {
        self.group3.expire(t, nodes);
    }

    /// Frames are known to be missing: what is half done is forgotten without blame.
    pub(super) fn forgive(&mut self) {
        self.group3.reset();
    }

    /// Takes a frame of an explicit connection, or of an unconnected port.
    pub(super) fn message<'a>(
        &'a mut self,
        nodes: &mut Nodes,
        t: Nanos,
        identifier: Identifier,
        data: &'a [u8],
    ) -> Decoded<'a> {
        self.between(nodes, t, Ends::new(identifier, data), data)
    }

    /// Takes a frame of an explicit connection with identifiers of Group 1 or 2.
    pub(super) fn opened_message<'a>(
        &'a mut self,
        nodes: &mut Nodes,
        t: Nanos,
        between: OpenConnectionEnds,
        data: &'a [u8],
    ) -> Decoded<'a> {
        self.between(nodes, t, Ends::opened(between, data), data)
    }

    #[cfg(test)]
    pub(super) fn kept_bytes(&self) -> usize {
        self.body.len()
    }

    fn between<'a>(
        &'a mut self,
        nodes: &mut Nodes,
        t: Nanos,
        mut ends: Ends,
        data: &'a [u8],
    ) -> Decoded<'a> {
        let ExplicitMessages { agreed, group3, body } = self;
        let mut notes = Notes::default();
        let meaning = if data.len() < 2 {
            notes.add(Note::CutShort(CutShort("service")));
            nodes[ends.server()].explicit.cut_short += 1;
            Meaning::Unreadable
        } else {
            if ends.group3() || ends.answers {
                nodes[ends.from].spoke();
            }
            if ends.header.fragmented {
                part(nodes, agreed, group3, body, t, &mut ends, data, &mut notes)
            } else {
                message(nodes, agreed, t, &ends, &data[1..], &mut notes)
            }
        };
        Decoded {
            node: Some(ends.server()),
            other: Some(ends.client()),
            way: if ends.answers { FrameDirection::Out } else { FrameDirection::In },
            role: Some(ends.role),
            meaning,
            notes,
        }
    }
}

#[allow(clippy::too_many_arguments)]
fn part<'a>(
    nodes: &mut Nodes,
    agreed: &mut Agreed,
    group3: &mut Group3,
    body: &'a mut Vec<u8>,
    t: Nanos,
    ends: &mut Ends,
    data: &[u8],
    notes: &mut Notes,
) -> Meaning<'a> {
    let fragment = Fragment::from_byte(data[1]);
    if fragment.kind == FragmentKind::Acknowledge {
        let status = data.get(2).copied();
        let reassembly = if ends.group3() {
            group3.reassembly(t, ends.to, ends.from)
        } else if ends.answers {
            &mut nodes[ends.server()].request
        } else {
            &mut nodes[ends.server()].response
        };
        if let Some(error) = reassembly.acknowledge(t, fragment.count, status.unwrap_or(0)) {
            nodes[ends.server()].explicit.fragments.count(error);
            notes.add(Note::Fragment(error));
        }
        return Meaning::Acknowledge { count: fragment.count, status };
    }
    let reassembly = if ends.group3() {
        group3.reassembly(t, ends.from, ends.to)
    } else if ends.answers {
        &mut nodes[ends.server()].response
    } else {
        &mut nodes[ends.server()].request
    };
    let (stage, error) = reassembly.fragment(t, fragment, &data[2..], true);
    if matches!(ends.role, Role::OtherExplicit | Role::OpenedExplicit) {
        // Only the first fragment shows it; the message begins with that.
        ends.answers = reassembly.message().first().is_some_and(|byte| byte & 0x80 != 0);
    }
    if stage == FragmentStage::Whole {
        body.clear();
        body.extend_from_slice(reassembly.message());
    }
    let counts = &mut nodes[ends.server()].explicit.fragments;
    counts.whole += u64::from(stage == FragmentStage::Whole);
    if stage == FragmentStage::Repeated {
        counts.repeated += 1;
        notes.add(Note::Repeated);
    }
    if let Some(error) = error {
        counts.count(error);
        notes.add(Note::Fragment(error));
    }
    match stage {
        FragmentStage::Whole => message(nodes, agreed, t, ends, body, notes),
        _ => Meaning::Part(fragment, stage),
    }
}

fn message<'a>(
    nodes: &mut Nodes,
    agreed: &mut Agreed,
    t: Nanos,
    ends: &Ends,
    body: &'a [u8],
    notes: &mut Notes,
) -> Meaning<'a> {
    let (server, client) = (ends.server(), ends.client());
    nodes[client].requests_sent += u64::from(!ends.answers);
    let node = &mut nodes[server];
    if ends.answers
        && let Some((&first, rest)) = body.split_first()
    {
        let service = Service::from_low_bits(first);
        let asked = node.waiting.expects(client, ends.header.transaction, service);
        match service {
            // The codes of both mean something else in the classes of some makers.
            _ if asked => {}
            Service::HEARTBEAT => {
                node.explicit.heartbeats += 1;
                let heartbeat = Heartbeat::parse(rest);
                node.identity.state = heartbeat.map(|beat| beat.state).or(node.identity.state);
                return Meaning::Heartbeat(heartbeat);
            }
            Service::SHUTDOWN => {
                node.explicit.shutdowns += 1;
                node.shut_down();
                return Meaning::Shutdown(rest);
            }
            _ => {}
        }
    }
    let message = match ExplicitBody::parse(body, ends.format(agreed)) {
        Ok(message) => message,
        Err(short) => {
            node.explicit.cut_short += 1;
            notes.add(Note::CutShort(short));
            return Meaning::Unreadable;
        }
    };
    let transaction = ends.header.transaction;
    let asked = match message {
        ExplicitBody::Request { .. } => {
            if ends.answers {
                // A request on a slave's response identifier: shown, not counted.
                None
            } else {
                request(node, t, ends, &message, notes);
                None
            }
        }
        ExplicitBody::Response { service, .. } => {
            let asked = node.waiting.answer(client, transaction, Some(service));
            node.explicit.responses += 1;
            asked
        }
        ExplicitBody::Error { status, .. } => {
            notes.add(Note::Refused);
            let asked = node.waiting.answer(client, transaction, None);
            node.explicit.errors += 1;
            node.failed_requests.add(t);
            if let Some(asked) = &asked {
                node.last_refusal = Some((asked.service, asked.target, status));
            }
            asked
        }
    };
    if message.is_response() {
        if let Some(asked) = &asked {
            if let Some(format) = granted(node, t, asked, &message) {
                agreed.formats[server.index()][client.index()] = format;
            }
            agree(node, agreed, ends, asked, &message);
        } else {
            node.explicit.unasked += 1;
            notes.add(Note::NobodyAsked);
        }
    }
    Meaning::Explicit(ExplicitMessage {
        header: ends.header,
        message,
        port: ends.format(agreed).is_none(),
        took: asked.and_then(|asked| t.since(asked.at)),
        asked,
    })
}

/// A connection was opened or closed on the unconnected port of Group 3.
fn agree(
    node: &mut Node,
    agreed: &mut Agreed,
    ends: &Ends,
    asked: &PendingRequest,
    message: &ExplicitBody,
) {
    let (None, &ExplicitBody::Response { service, data }) = (asked.target, message) else { return };
    if service == Service::ALLOCATE
        && let (Some(open), Some(opened)) =
            (OpenRequest::parse(asked.data()), OpenResponse::parse(data))
    {
        node.explicit.opened += 1;
        agreed.open.open(ends.client(), ends.server(), open, opened);
    } else if service == Service::RELEASE
        && let Some(&[low, high]) = asked.data().first_chunk()
    {
        node.explicit.closed += 1;
        agreed.open.close(ends.server(), u16::from_le_bytes([low, high]));
    }
}

fn request(node: &mut Node, t: Nanos, ends: &Ends, message: &ExplicitBody, notes: &mut Notes) {
    node.explicit.requests += 1;
    if let Some(choice) = allocates(message) {
        node.allocation_requests.count(choice, ends.client());
    }
    let (client, transaction) = (ends.client(), ends.header.transaction);
    if ends.role == Role::ExplicitRequest {
        node.connections.fed(t, ConnectionKind::Explicit);
        node.seems_owned(client);
    }
    let Some(asked) = PendingRequest::new(t, client, transaction, ends.unconnected(), message)
    else {
        return;
    };
    match node.waiting.ask(asked) {
        EarlierRequest::Nothing => {}
        EarlierRequest::AskedAgain => {
            node.explicit.asked_again += 1;
            notes.add(Note::AskedAgain);
        }
        EarlierRequest::NeverAnswered => {
            node.explicit.unanswered += 1;
            node.failed_requests.add(t);
            notes.add(Note::NeverAnswered);
        }
    }
}

/// What a request wants to allocate, if it is one to allocate.
fn allocates(message: &ExplicitBody) -> Option<Choice> {
    let &ExplicitBody::Request { service: Service::ALLOCATE, target, data } = message else {
        return None;
    };
    target.filter(|target| target.class == Class::DEVICENET)?;
    Some(AllocateRequest::parse(data)?.choice)
}

/// Takes a response to a request, and returns the body format that was agreed, if one was.
fn granted(
    node: &mut Node,
    t: Nanos,
    asked: &PendingRequest,
    message: &ExplicitBody,
) -> Option<BodyFormat> {
    let &ExplicitBody::Response { data, .. } = message else { return None };
    let Some(target) = asked.target else {
        // The unconnected port of Group 3.
        let opened = (asked.service == Service::ALLOCATE).then(|| OpenResponse::parse(data))??;
        return opened.format;
    };
    match (target.class, asked.service) {
        (Class::DEVICENET, Service::ALLOCATE) => {
            let allocate = AllocateRequest::parse(asked.data())?;
            node.connections.allocate(t, allocate.choice, allocate.owner);
            return data.first().and_then(|&format| BodyFormat::from_low_bits(format));
        }
        (Class::DEVICENET, Service::RELEASE) => {
            let choice = asked.data().first().copied()?;
            node.connections.release(Choice::from_byte(choice));
        }
        (_, Service::GET_SINGLE) => attribute(node, t, target, data, false),
        (Class::IDENTITY, Service::GET_ALL) => node.identity.all(data),
        (_, Service::SET_SINGLE) => {
            // A device that grants another value than the one asked for says so.
            let value = if data.is_empty() { asked.data() } else { data };
            attribute(node, t, target, value, true);
        }
        _ => {}
    }
    None
}

fn attribute(node: &mut Node, t: Nanos, target: Target, value: &[u8], set: bool) {
    let Some(attribute) = target.attribute else { return };
    match target.class {
        Class::IDENTITY if target.instance == 1 => node.identity.attribute(attribute, value),
        Class::CONTROL_SUPERVISOR if attribute == 16 => {
            node.drive.network_fault_mode = value.first().copied();
        }
        Class::AC_DC_DRIVE if attribute == 22 => {
            node.drive.speed_scale = value.first().map(|&byte| byte as i8);
        }
        Class::DEVICENET if attribute == 5 => {
            if let Some((choice, owner)) = allocation_attribute(value) {
                node.connections.read_allocation(choice, owner);
            }
        }
        Class::CONNECTION => {
            let Some(kind) = ConnectionKind::from_instance(target.instance) else { return };
            node.connections.attribute(t, kind, attribute, value, set);
            let assembly = Target::from_path(value, false)
                .filter(|path| path.class == Class::ASSEMBLY)
                .map(|path| path.instance);
            match (attribute, assembly) {
                (14, Some(instance)) => node.drive.set_input(instance, Origin::Learnt),
                (16, Some(instance)) => node.drive.set_output(instance, Origin::Learnt),
                _ => {}
            }
        }
        _ => {}
    }
}

/// Fragmented messages on connections of Group 3, by who sends to whom.
#[derive(Debug, Clone, Default)]
struct Group3 {
    slots: Vec<(MacId, MacId, Nanos, Reassembly)>,
}

impl Group3 {
    const SLOTS: usize = 16;

    /// The reassembly of one sender to one receiver; the one idle longest makes room.
    fn reassembly(&mut self, t: Nanos, from: MacId, to: MacId) -> &mut Reassembly {
        let known = self.slots.iter().position(|&(f, t, ..)| (f, t) == (from, to));
        let index = known.unwrap_or_else(|| {
            if self.slots.len() < Self::SLOTS {
                self.slots.push((from, to, t, Reassembly::default()));
                return self.slots.len() - 1;
            }
            let oldest = (0..self.slots.len()).min_by_key(|&index| self.slots[index].2);
            let index = oldest.unwrap_or(0);
            self.slots[index] = (from, to, t, Reassembly::default());
            index
        });
        self.slots[index].2 = t;
        &mut self.slots[index].3
    }

    fn expire(&mut self, t: Nanos, nodes: &mut Nodes) {
        for (from, _, _, reassembly) in &mut self.slots {
            let error: Option<FragmentError> = reassembly.expire(t, EXPLICIT_LIMIT);
            if let Some(error) = error {
                nodes[*from].explicit.fragments.count(error);
            }
        }
    }

    fn reset(&mut self) {
        self.slots.clear();
    }
}
