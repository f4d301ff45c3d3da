//! What one frame means: the answer of [`Trunk::take_decoded`](super::Trunk::take_decoded).

use super::connections::{Known, Origin};
use super::reassembly::{FragmentError, Stage};
use super::transactions::Asked;
use crate::fieldbus::{
    AddressCheck, CutShort, DriveCommand, DriveStatus, Fragment, Header, Heartbeat, MacId, Message,
    Offline, Role,
};
use crate::wire::Nanos;

/// A frame with its meaning. Displayed, it is the meaning in words.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decoded<'a> {
    /// The node that it is about: the slave, or the one that is asked; `None` where the
    /// identifier names none.
    pub node: Option<MacId>,
    /// The other end, where it is known.
    pub other: Option<MacId>,
    /// Which way.
    pub way: Way,
    /// What the identifier says that it is for; `None` for a 29-bit one.
    pub role: Option<Role>,
    /// What it says.
    pub meaning: Meaning<'a>,
    /// What is worth noticing.
    pub notes: Notes,
}

impl Decoded<'_> {
    /// What a drive says of itself in this frame.
    pub fn drive_status(&self) -> Option<DriveStatus> {
        match self.meaning {
            Meaning::Io(Io { drive: Some(DriveIo::Status(status)), .. }) => Some(status.value),
            _ => None,
        }
    }
}

/// Which way a frame goes, seen from [`Decoded::node`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Way {
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
    Io(Io<'a>),
    /// A whole explicit message.
    Explicit(Explicit<'a>),
    /// A part of an explicit message.
    Part(Fragment, Stage),
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
pub struct Io<'a> {
    /// The fragment that the frame is, where it is one.
    pub fragment: Option<(Fragment, Stage)>,
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
pub struct Explicit<'a> {
    /// Its header; that of its last fragment where there were several.
    pub header: Header,
    /// The message.
    pub message: Message<'a>,
    /// Whether it opens or closes an explicit connection on the unconnected port of Group 3.
    pub port: bool,
    /// The request that it answers.
    pub asked: Option<Asked>,
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
    pub(super) fn of(note: Note) -> Notes {
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
