//! The decoder's explicit half: fragments put together, requests paired with responses.

use super::decoded::{Decoded, Explicit, Meaning, Note, Notes, Way};
use super::granted::granted;
use super::{
    Asked, Assembly, BodyFormat, CutShort, Decoder, Fragment, FragmentError, FragmentKind, Header,
    Heartbeat, Identifier, MacId, Message, Node, Older, Role, Service, Stage,
};
use crate::wire::Nanos;

/// Fragments of an explicit message that stop for so long: 4 x the default rate of 2500 ms.
const LIMIT: Nanos = Nanos::from_millis(10_000);

/// Body formats agreed, by the node that is asked and its client.
pub(super) type Formats = [[BodyFormat; MacId::COUNT]];

/// One frame of an explicit message: who, to whom.
#[derive(Debug, Clone, Copy)]
struct Ends {
    header: Header,
    role: Role,
    from: MacId,
    to: MacId,
    /// Whether the node that is asked sends; its Group 2 identifiers say so by themselves.
    answers: bool,
}

impl Ends {
    fn new(identifier: Identifier, data: &[u8]) -> Ends {
        let header = Header::from_byte(data.first().copied().unwrap_or(0));
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

    fn server(&self) -> MacId {
        if self.answers { self.from } else { self.to }
    }

    fn client(&self) -> MacId {
        if self.answers { self.to } else { self.from }
    }

    fn unconnected(&self) -> bool {
        matches!(self.role, Role::UnconnectedRequest | Role::UnconnectedRequestGroup3)
    }

    fn group3(&self) -> bool {
        matches!(
            self.role,
            Role::OtherExplicit | Role::UnconnectedRequestGroup3 | Role::UnconnectedResponseGroup3
        )
    }

    /// How a request names its object; `None` on the unconnected port of Group 3, where it
    /// names none.
    fn format(&self, formats: &Formats) -> Option<BodyFormat> {
        match self.role {
            Role::UnconnectedRequestGroup3 | Role::UnconnectedResponseGroup3 => None,
            Role::UnconnectedRequest => Some(BodyFormat::default()),
            _ => Some(formats[self.server().index()][self.client().index()]),
        }
    }
}

impl Decoder {
    /// Decodes a frame of an explicit connection, or of an unconnected port.
    pub(super) fn explicit<'a>(
        &'a mut self,
        t: Nanos,
        identifier: Identifier,
        data: &'a [u8],
    ) -> Decoded<'a> {
        let mut ends = Ends::new(identifier, data);
        let Decoder { nodes, formats, group3, body, .. } = self;
        let mut notes = Notes::default();
        let meaning = if data.len() < 2 {
            notes.add(Note::CutShort(CutShort("service")));
            nodes[ends.server().index()].explicit.cut_short += 1;
            Meaning::Unreadable
        } else {
            if ends.group3() || ends.answers {
                nodes[ends.from.index()].spoke(t);
            }
            if ends.header.fragmented {
                part(nodes, formats, group3, body, t, &mut ends, data, &mut notes)
            } else {
                message(nodes, formats, t, &ends, &data[1..], &mut notes)
            }
        };
        Decoded {
            node: Some(ends.server()),
            other: Some(ends.client()),
            way: if ends.answers { Way::Out } else { Way::In },
            role: Some(ends.role),
            meaning,
            notes,
        }
    }
}

#[allow(clippy::too_many_arguments)]
fn part<'a>(
    nodes: &mut [Node],
    formats: &mut Formats,
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
        let assembly = if ends.group3() {
            group3.of(t, ends.to, ends.from)
        } else if ends.answers {
            &mut nodes[ends.server().index()].request
        } else {
            &mut nodes[ends.server().index()].response
        };
        if let Some(error) = assembly.acknowledge(t, fragment.count, status.unwrap_or(0)) {
            nodes[ends.server().index()].explicit.fragments.count(error);
            notes.add(Note::Fragment(error));
        }
        return Meaning::Acknowledge { count: fragment.count, status };
    }
    let assembly = if ends.group3() {
        group3.of(t, ends.from, ends.to)
    } else if ends.answers {
        &mut nodes[ends.server().index()].response
    } else {
        &mut nodes[ends.server().index()].request
    };
    let (stage, error) = assembly.fragment(t, fragment, &data[2..], true);
    if ends.role == Role::OtherExplicit {
        // Only the first fragment shows it; the message begins with that.
        ends.answers = assembly.message().first().is_some_and(|byte| byte & 0x80 != 0);
    }
    if stage == Stage::Whole {
        body.clear();
        body.extend_from_slice(assembly.message());
    }
    let counts = &mut nodes[ends.server().index()].explicit.fragments;
    counts.whole += u64::from(stage == Stage::Whole);
    if stage == Stage::Repeated {
        counts.repeated += 1;
        notes.add(Note::Repeated);
    }
    if let Some(error) = error {
        counts.count(error);
        notes.add(Note::Fragment(error));
    }
    match stage {
        Stage::Whole => message(nodes, formats, t, ends, body, notes),
        _ => Meaning::Part(fragment, stage),
    }
}

fn message<'a>(
    nodes: &mut [Node],
    formats: &mut Formats,
    t: Nanos,
    ends: &Ends,
    body: &'a [u8],
    notes: &mut Notes,
) -> Meaning<'a> {
    let (server, client) = (ends.server(), ends.client());
    let node = &mut nodes[server.index()];
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
    let message = match Message::parse(body, ends.format(formats)) {
        Ok(message) => message,
        Err(short) => {
            node.explicit.cut_short += 1;
            notes.add(Note::CutShort(short));
            return Meaning::Unreadable;
        }
    };
    let transaction = ends.header.transaction;
    let asked = match message {
        Message::Request { .. } => {
            if ends.answers {
                // A request on a slave's response identifier: shown, not counted.
                None
            } else {
                request(node, t, ends, &message, notes);
                None
            }
        }
        Message::Response { service, .. } => {
            let asked = node.waiting.answer(client, transaction, Some(service));
            node.explicit.responses += 1;
            asked
        }
        Message::Error { .. } => {
            notes.add(Note::Refused);
            let asked = node.waiting.answer(client, transaction, None);
            node.explicit.errors += 1;
            asked
        }
    };
    if message.is_response() {
        if let Some(asked) = &asked {
            if let Some(format) = granted(node, t, asked, &message) {
                formats[server.index()][client.index()] = format;
            }
        } else {
            node.explicit.unasked += 1;
            notes.add(Note::NobodyAsked);
        }
    }
    Meaning::Explicit(Explicit {
        header: ends.header,
        message,
        port: ends.format(formats).is_none(),
        took: asked.and_then(|asked| t.since(asked.at)),
        asked,
    })
}

fn request(node: &mut Node, t: Nanos, ends: &Ends, message: &Message, notes: &mut Notes) {
    node.explicit.requests += 1;
    let (client, transaction) = (ends.client(), ends.header.transaction);
    if ends.role == Role::ExplicitRequest {
        node.connections.fed(t, super::ConnectionKind::Explicit);
        node.seems_owned(client);
    }
    let Some(asked) = Asked::new(t, client, transaction, ends.unconnected(), message) else {
        return;
    };
    match node.waiting.ask(asked) {
        Older::Nothing => {}
        Older::AskedAgain => {
            node.explicit.asked_again += 1;
            notes.add(Note::AskedAgain);
        }
        Older::NeverAnswered => {
            node.explicit.unanswered += 1;
            notes.add(Note::NeverAnswered);
        }
    }
}

/// Fragmented messages on connections of Group 3, by who sends to whom.
#[derive(Debug, Clone, Default)]
pub(super) struct Group3 {
    slots: Vec<(MacId, MacId, Nanos, Assembly)>,
}

impl Group3 {
    const SLOTS: usize = 16;

    /// The assembly of one sender to one receiver; the one idle longest makes room.
    fn of(&mut self, t: Nanos, from: MacId, to: MacId) -> &mut Assembly {
        let known = self.slots.iter().position(|&(f, t, ..)| (f, t) == (from, to));
        let index = known.unwrap_or_else(|| {
            if self.slots.len() < Self::SLOTS {
                self.slots.push((from, to, t, Assembly::default()));
                return self.slots.len() - 1;
            }
            let oldest = (0..self.slots.len()).min_by_key(|&index| self.slots[index].2);
            let index = oldest.unwrap_or(0);
            self.slots[index] = (from, to, t, Assembly::default());
            index
        });
        self.slots[index].2 = t;
        &mut self.slots[index].3
    }

    pub(super) fn expire(&mut self, t: Nanos, nodes: &mut [Node]) {
        for (from, _, _, assembly) in &mut self.slots {
            let error: Option<FragmentError> = assembly.expire(t, LIMIT);
            if let Some(error) = error {
                nodes[from.index()].explicit.fragments.count(error);
            }
        }
    }

    pub(super) fn reset(&mut self) {
        self.slots.clear();
    }
}
