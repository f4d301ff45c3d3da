//! What one frame means, and the words for it: the answer of
//! [`Trunk::take_decoded`](super::Trunk::take_decoded).

use super::connections::{Known, Origin};
use super::explicit_state::PendingRequest;
use super::reassembly::{FragmentError, FragmentStage};
use crate::fieldbus::{
    AddressCheck, AddressCheckKind, AllocateRequest, AttributeValue, BodyFormat, Choice, Class,
    CutShort, DriveCommand, DriveStatus, ExplicitBody, ExplicitHeader, Fragment, Heartbeat, MacId,
    ObjectPath, Offline, OpenRequest, OpenResponse, Role, Service, ServiceOf, Target,
};
use crate::wire::Nanos;
use std::fmt::{self, Display};

/// A frame with its meaning. Displayed, it is the meaning in words.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decoded<'a> {
    /// The node that it is about: the slave, or the one that is asked; `None` where the
    /// identifier names none.
    pub node: Option<MacId>,
    /// The other end, where it is known.
    pub other: Option<MacId>,
    /// Which way.
    pub way: FrameDirection,
    /// What the identifier says that it is for; `None` for a 29-bit one.
    pub role: Option<Role>,
    /// What it says.
    pub meaning: Meaning<'a>,
    /// What is worth noticing.
    pub notes: Notes,
}

impl Decoded<'_> {}

/// Which way a frame goes, seen from [`Decoded::node`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FrameDirection {
    /// To the node.
    In,
    /// From the node.
    Out,
    /// Nobody can tell.
    Unknown,
}

/// What a frame says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Meaning<'a> {
    /// A 29-bit identifier: not of this fieldbus.
    Extended,
    /// An identifier that is not allowed on the trunk.
    Invalid,
    /// A remote frame, which this fieldbus does not use.
    Remote,
    /// An address check.
    AddressCheck(AddressCheck),
    /// I/O data.
    Io(IoMessage<'a>),
    /// A whole explicit message.
    Explicit(ExplicitMessage<'a>),
    /// A part of an explicit message.
    Part(Fragment, FragmentStage),
    /// An acknowledge of such a part, with its status.
    Acknowledge {
        /// Which fragment.
        count: u8,
        /// 0 for accepted.
        status: Option<u8>,
    },
    /// A device says that it lives.
    Heartbeat(Option<Heartbeat>),
    /// A device says that it goes off line; what else it says.
    Shutdown(&'a [u8]),
    /// The off-line connection set.
    Offline(Offline<'a>),
    /// It does not hold what it must.
    Unreadable,
}

/// I/O data.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct IoMessage<'a> {
    /// The fragment that the frame is, where it is one.
    pub fragment: Option<(Fragment, FragmentStage)>,
    /// The whole data, once they are there.
    pub data: Option<&'a [u8]>,
    /// What they say of a drive.
    pub drive: Option<DriveIo>,
}

/// What I/O data say of a drive.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DriveIo {
    /// What it is asked for.
    Command(Known<DriveCommand>),
    /// What it does.
    Status(Known<DriveStatus>),
}

impl DriveIo {
    /// How the assembly is known.
    pub fn origin(&self) -> Origin {
        match *self {
            DriveIo::Command(Known { origin, .. }) | DriveIo::Status(Known { origin, .. }) => {
                origin
            }
        }
    }
}

/// A whole explicit message.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExplicitMessage<'a> {
    /// Its header; that of its last fragment where there were several.
    pub header: ExplicitHeader,
    /// The message.
    pub message: ExplicitBody<'a>,
    /// Whether it opens or closes an explicit connection on the unconnected port of Group 3.
    pub port: bool,
    /// The request that it answers.
    pub asked: Option<PendingRequest>,
    /// How long that took.
    pub took: Option<Nanos>,
}

/// Something worth noticing about a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Note {
    /// It ends too early.
    CutShort(CutShort),
    /// An address check that does not have seven bytes.
    NotSeven(usize),
    /// Something is wrong with its fragments.
    Fragment(FragmentError),
    /// The same fragment was sent before.
    Repeated,
    /// A response that nobody asked for, or whose request was not seen.
    NobodyAsked,
    /// The same request was sent before and is not answered yet.
    AskedAgain,
    /// The request before it was never answered.
    NeverAnswered,
    /// The node refuses.
    Refused,
    /// 29-bit, remote, or an identifier out of range: does not belong on the trunk.
    DoesNotBelong,
    /// The drive's assemblies are guessed.
    Guessed,
    /// That the I/O is fragmented is concluded from the traffic.
    FragmentsInferred,
}

impl std::fmt::Display for Note {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Note::CutShort(short) => short.fmt(f),
            Note::NotSeven(length) => write!(f, "not 7 bytes but {length}"),
            Note::Fragment(error) => error.fmt(f),
            Note::Repeated => f.write_str("the same fragment again"),
            Note::NobodyAsked => f.write_str("no request seen"),
            Note::AskedAgain => f.write_str("asked again"),
            Note::NeverAnswered => f.write_str("the request before was never answered"),
            Note::Refused => f.write_str("refused"),
            Note::DoesNotBelong => f.write_str("does not belong on this trunk"),
            Note::Guessed => f.write_str("drive guessed"),
            Note::FragmentsInferred => f.write_str("fragments inferred"),
        }
    }
}

/// A few notes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Notes([Option<Note>; 4]);

impl Notes {
    /// A single one.
    pub(super) fn new(note: Note) -> Notes {
        Notes([Some(note), None, None, None])
    }

    /// Adds a note; of more than four the last ones are left out.
    pub fn add(&mut self, note: Note) {
        if let Some(free) = self.0.iter_mut().find(|slot| slot.is_none()) {
            *free = Some(note);
        }
    }

    /// The notes.
    pub fn iter(&self) -> impl Iterator<Item = Note> + '_ {
        self.0.iter().flatten().copied()
    }
}

impl fmt::Display for Decoded<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.meaning {
            Meaning::Extended => f.write_str("29-bit identifier"),
            Meaning::Invalid => f.write_str("identifier that is never allowed"),
            Meaning::Remote => match self.role {
                Some(role) => write!(f, "remote frame, asks for: {role}"),
                None => f.write_str("remote frame"),
            },
            Meaning::AddressCheck(check) => {
                let device = check.device;
                match check.kind {
                    AddressCheckKind::Request => {
                        write!(f, "address check: is {} free?", check.mac_id)?;
                    }
                    AddressCheckKind::Response => {
                        write!(f, "address check: {} is mine", check.mac_id)?;
                    }
                }
                write!(f, " vendor {}, serial {}", device.vendor_id, device.serial)
            }
            Meaning::Io(io) => io_words(f, self.role, io),
            Meaning::Explicit(explicit) => explicit_words(f, explicit),
            Meaning::Part(fragment, stage) => {
                f.write_str(if self.way == FrameDirection::Out {
                    "explicit response, "
                } else {
                    "explicit request, "
                })?;
                fragment_words(f, *fragment, *stage)
            }
            Meaning::Acknowledge { count, status } => match status {
                None => write!(f, "fragment {count} acknowledged without a status"),
                Some(0) => write!(f, "fragment {count} acknowledged"),
                Some(status) => write!(f, "fragment {count} refused, status {status:02X}h"),
            },
            Meaning::Heartbeat(None) => f.write_str("heartbeat"),
            Meaning::Heartbeat(Some(beat)) => {
                write!(f, "heartbeat: identity {} is {}", beat.instance, beat.state)
            }
            Meaning::Shutdown(data) => {
                f.write_str("shutdown: goes off line")?;
                data_words(f, data)
            }
            Meaning::Offline(offline) => offline.fmt(f),
            Meaning::Unreadable => match self.role {
                Some(role) => write!(f, "{role}, unreadable"),
                None => f.write_str("unreadable"),
            },
        }
    }
}

fn io_words(f: &mut fmt::Formatter<'_>, role: Option<Role>, io: &IoMessage) -> fmt::Result {
    match role {
        Some(role) => role.fmt(f)?,
        None => f.write_str("I/O")?,
    }
    if let Some((fragment, stage)) = io.fragment {
        f.write_str(", ")?;
        fragment_words(f, fragment, stage)?;
    }
    match io.data {
        None => {}
        Some([]) => f.write_str(", no data")?,
        Some(data) => {
            let s = if data.len() == 1 { "" } else { "s" };
            write!(f, ", {} byte{s} {:X}", data.len(), const_hex::display(data))?;
        }
    }
    match &io.drive {
        None => Ok(()),
        Some(DriveIo::Command(command)) => write!(f, ", drive: {}", command.value),
        Some(DriveIo::Status(status)) => write!(f, ", drive: {}", status.value),
    }
}

fn fragment_words(
    f: &mut fmt::Formatter<'_>,
    fragment: Fragment,
    stage: FragmentStage,
) -> fmt::Result {
    fragment.fmt(f)?;
    match stage {
        FragmentStage::Open | FragmentStage::Whole => Ok(()),
        FragmentStage::Repeated => f.write_str(", again"),
        FragmentStage::Spoilt => f.write_str(", lost"),
    }
}

fn explicit_words(f: &mut fmt::Formatter<'_>, explicit: &ExplicitMessage) -> fmt::Result {
    match explicit.message {
        ExplicitBody::Request { service, target, data } => request_words(f, service, target, data),
        ExplicitBody::Response { service, data } => {
            response_words(f, service, data, explicit.asked.as_ref())?;
            after(f, explicit.took)
        }
        ExplicitBody::Error { status, additional } => {
            if let Some(asked) = &explicit.asked {
                let target = asked.target;
                match (target, asked.service) {
                    (Some(target), service) => write!(f, "{service} {} ", Named(target))?,
                    (None, service) => write!(f, "{service} ")?,
                }
            }
            write!(f, "refused: {status}")?;
            if let Some(additional) = additional {
                write!(f, ", additional code {additional:02X}h")?;
            }
            after(f, explicit.took)
        }
    }
}

fn after(f: &mut fmt::Formatter<'_>, took: Option<Nanos>) -> fmt::Result {
    match took {
        Some(took) => write!(f, ", after {:.3} ms", took.as_micros() / 1000.0),
        None => Ok(()),
    }
}

fn request_words(
    f: &mut fmt::Formatter<'_>,
    service: Service,
    target: Option<Target>,
    data: &[u8],
) -> fmt::Result {
    let Some(target) = target else {
        return match (service, OpenRequest::parse(data)) {
            (Service::ALLOCATE, Some(open)) => {
                f.write_str("open explicit connection, body format ")?;
                match open.format {
                    Some(format) => format.fmt(f)?,
                    None => f.write_str("reserved")?,
                }
                write!(f, ", group {}, message {}", open.group, open.message)
            }
            (Service::RELEASE, Some(_)) => {
                let instance = data.first_chunk().map_or(0, |bytes| u16::from_le_bytes(*bytes));
                write!(f, "close explicit connection {instance:04X}h")
            }
            _ => {
                service.fmt(f)?;
                data_words(f, data)
            }
        };
    };
    match (target.class, service) {
        (Class::DEVICENET, Service::ALLOCATE) => match AllocateRequest::parse(data) {
            Some(AllocateRequest { choice, owner }) => {
                write!(f, "allocate {choice} for master {owner}")
            }
            None => f.write_str("allocate"),
        },
        (Class::DEVICENET, Service::RELEASE) => {
            write!(f, "release {}", Choice::from_byte(data.first().copied().unwrap_or(0)))
        }
        (_, Service::SET_SINGLE) if !data.is_empty() => {
            write!(f, "set {} to {}", Named(target), AttributeValue::new(target, data))
        }
        (_, Service::GET_SINGLE | Service::SET_SINGLE | Service::GET_ALL) => {
            write!(f, "{service} {}", Named(target))?;
            data_words(f, data)
        }
        (_, service) => {
            let of = if service.name_for(target.class).is_some() { "" } else { "of " };
            let service = ServiceOf(service, target.class);
            write!(f, "{service} {of}{}", Named(target))?;
            data_words(f, data)
        }
    }
}

fn response_words(
    f: &mut fmt::Formatter<'_>,
    service: Service,
    data: &[u8],
    asked: Option<&PendingRequest>,
) -> fmt::Result {
    let Some(asked) = asked else {
        write!(f, "{service} granted")?;
        return data_words(f, data);
    };
    let Some(target) = asked.target else {
        return match (service, OpenResponse::parse(data)) {
            (Service::ALLOCATE, Some(opened)) => {
                write!(f, "opened connection {:04X}h, body format ", opened.instance)?;
                match opened.format {
                    Some(format) => format.fmt(f),
                    None => f.write_str("reserved"),
                }
            }
            _ => {
                write!(f, "{service} granted")?;
                data_words(f, data)
            }
        };
    };
    match (target.class, service) {
        (Class::DEVICENET, Service::ALLOCATE) => {
            match AllocateRequest::parse(asked.data()) {
                Some(AllocateRequest { choice, owner }) => {
                    write!(f, "allocated {choice} for master {owner}")?;
                }
                None => f.write_str("allocated")?,
            }
            match data.first().map(|&format| BodyFormat::from_low_bits(format)) {
                None => Ok(()),
                Some(Some(format)) => write!(f, ", body format {format}"),
                Some(None) => f.write_str(", reserved body format"),
            }
        }
        (Class::DEVICENET, Service::RELEASE) => {
            write!(f, "released {}", Choice::from_byte(asked.data().first().copied().unwrap_or(0)))
        }
        (_, Service::GET_SINGLE) => {
            write!(f, "{} is {}", Named(target), AttributeValue::new(target, data))
        }
        (_, Service::SET_SINGLE) => {
            let value = if data.is_empty() { asked.data() } else { data };
            write!(f, "{} set to {}", Named(target), AttributeValue::new(target, value))
        }
        _ => {
            let service = ServiceOf(service, target.class);
            write!(f, "{service} {} granted", Named(target))?;
            data_words(f, data)
        }
    }
}

fn data_words(f: &mut fmt::Formatter<'_>, data: &[u8]) -> fmt::Result {
    if data.is_empty() { Ok(()) } else { write!(f, ", data {:X}", const_hex::display(data)) }
}

/// What a request is about: "connection 2 (poll) expected packet rate".
struct Named(Target);

impl fmt::Display for Named {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Named(target) = self;
        ObjectPath(*target).fmt(f)?;
        let Some(attribute) = target.attribute else { return Ok(()) };
        let name = if target.instance == 0 { None } else { target.class.attribute(attribute) };
        match name {
            Some(name) => write!(f, " {name}"),
            None => write!(f, " attribute {attribute}"),
        }
    }
}
