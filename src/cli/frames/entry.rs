//! One record with what it means: what a line is written from.

use clap::ValueEnum;
use serde::Serialize;

use crate::fieldbus::{Identifier, MacId, Role};
use crate::health::Expectation;
use crate::plan::Plan;
use crate::trunk::{Decoded, Meaning, Note, Trunk};
use crate::wire::{Frame, Id, Nanos, Record, What};

/// What kind of line it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Kind {
    /// Poll commands and responses
    Poll,
    /// Multicast poll commands and responses
    MulticastPoll,
    /// Bit-strobe commands and responses
    Strobe,
    /// Change of state or cyclic data, and its acknowledges
    ChangeOfState,
    /// I/O on connections that two nodes agreed on
    OtherIo,
    /// Explicit messages, and what goes over the unconnected ports
    Explicit,
    /// Duplicate address checks
    AddressCheck,
    /// Heartbeats and shutdowns
    Heartbeat,
    /// The off-line connection set
    OffLine,
    /// Identifiers that are never allowed
    Invalid,
    /// 29-bit identifiers
    Extended,
    /// Remote frames
    Remote,
    /// Error frames
    Error,
    /// Lost frames, and the interface going down or up
    Loss,
    /// Marks of the person who watched, and the end
    Mark,
}

/// One record with what it means.
pub(super) struct Entry<'a> {
    pub(super) t: Nanos,
    pub(super) kind: Kind,
    pub(super) what: &'a What,
    /// What a frame means.
    pub(super) decoded: Option<Decoded<'a>>,
    /// The clock stepped back before it.
    pub(super) stepped_back: bool,
}

impl Entry<'_> {
    pub(super) fn frame(&self) -> Option<&Frame> {
        match self.what {
            What::Frame(frame) => Some(frame),
            _ => None,
        }
    }

    pub(super) fn identifier(&self) -> Option<Identifier> {
        match self.frame()?.id() {
            Id::Standard(id) => Some(Identifier::from(id)),
            Id::Extended(_) => None,
        }
    }

    /// Whether a node is at one of its ends.
    pub(super) fn concerns(&self, mac_id: MacId) -> bool {
        self.decoded
            .as_ref()
            .is_some_and(|decoded| [decoded.node, decoded.other].contains(&Some(mac_id)))
    }

    /// Whether something about it is worth noticing.
    pub(super) fn noted(&self) -> bool {
        // How something is known is said on every such line; it is nothing amiss.
        let amiss = |note| !matches!(note, Note::Guessed | Note::FragmentsInferred);
        let noted = self.decoded.as_ref().is_some_and(|decoded| decoded.notes.iter().any(amiss));
        noted || self.stepped_back || matches!(self.kind, Kind::Error | Kind::Loss)
    }
}

/// Reads the records in their order.
#[derive(Default)]
pub(super) struct Reading {
    trunk: Trunk,
    last: Option<Nanos>,
}

impl Reading {
    /// What the plan says of the I/O.
    pub(super) fn plan(&mut self, plan: Plan) {
        Expectation::new(plan).apply_to(&mut self.trunk);
    }

    pub(super) fn take<'a>(&'a mut self, record: &'a Record) -> Entry<'a> {
        let t = record.t;
        let stepped_back = self.last.is_some_and(|last| t < last);
        self.last = Some(t);
        let decoded = self.trunk.take_decoded(record, &mut |_, _| {});
        let kind = match &record.what {
            What::Frame(_) => decoded.as_ref().map_or(Kind::Invalid, kind_of),
            What::Error(_) => Kind::Error,
            What::Lost(_) | What::LinkDown(_) | What::LinkUp => Kind::Loss,
            What::Mark(_) | What::End(_) => Kind::Mark,
        };
        Entry { t, kind, what: &record.what, decoded, stepped_back }
    }
}

fn kind_of(decoded: &Decoded) -> Kind {
    match (&decoded.meaning, decoded.role) {
        (Meaning::Remote, _) => Kind::Remote,
        (Meaning::Heartbeat(_) | Meaning::Shutdown(_), _) => Kind::Heartbeat,
        (_, None) => Kind::Extended,
        (_, Some(role)) => match role {
            Role::PollCommand | Role::PollResponse => Kind::Poll,
            Role::MulticastPollCommand | Role::MulticastPollResponse => Kind::MulticastPoll,
            Role::StrobeCommand | Role::StrobeResponse => Kind::Strobe,
            Role::ChangeOfState | Role::ChangeOfStateAcknowledge => Kind::ChangeOfState,
            Role::OtherIo => Kind::OtherIo,
            Role::ExplicitRequest
            | Role::ExplicitResponse
            | Role::UnconnectedRequest
            | Role::UnconnectedRequestGroup3
            | Role::UnconnectedResponseGroup3
            | Role::OtherExplicit
            | Role::OpenedExplicit => Kind::Explicit,
            Role::AddressCheck => Kind::AddressCheck,
            Role::FaultedRequest
            | Role::FaultedResponse
            | Role::OwnershipRequest
            | Role::OwnershipResponse
            | Role::OtherOffline => Kind::OffLine,
            Role::Invalid => Kind::Invalid,
        },
    }
}
