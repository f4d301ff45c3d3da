//! The identifier groups: what an 11-bit identifier says by itself.
//!
//! Source: IEC 62026-3, identifier groups and the predefined master/slave connection set;
//! the use of Group 4 is from memory.

use std::fmt;

use embedded_can::StandardId;

use super::MacId;

/// An 11-bit identifier, taken apart. Every one of the 2048 is exactly one of these.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Identifier {
    /// 000 to 3FF: high priority, I/O from slaves.
    Group1 {
        /// Message id, 0 to F.
        message: u8,
        /// The node that sends it.
        source: MacId,
    },
    /// 400 to 5FF: between a master and its slaves.
    Group2 {
        /// Message id, 0 to 7.
        message: u8,
        /// The node that sends it or that it is for; the message id says which.
        node: MacId,
    },
    /// 600 to 7BF: low priority, explicit messages.
    Group3 {
        /// Message id, 0 to 6.
        message: u8,
        /// The node that sends it.
        source: MacId,
    },
    /// 7C0 to 7EF: off-line connections.
    Group4 {
        /// Message id, 00 to 2F.
        message: u8,
    },
    /// 7F0 to 7FF: never allowed.
    Invalid {
        /// The low four bits.
        low: u8,
    },
}

/// What a message is for, by its identifier alone. Two nodes that agreed on a connection of
/// their own may use the unassigned ones, and Group 2 ids, for something else.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Role {
    /// A slave's response to a multicast poll.
    MulticastPollResponse,
    /// A slave's change of state or cyclic data.
    ChangeOfState,
    /// A slave's response to a bit-strobe.
    StrobeResponse,
    /// A slave's poll response; also its acknowledge of the master's change of state or cyclic.
    PollResponse,
    /// Any other Group 1 message: I/O that two nodes agreed on.
    OtherIo,
    /// A master's bit-strobe command to all its strobed slaves.
    StrobeCommand,
    /// A master's poll command to a group of slaves.
    MulticastPollCommand,
    /// A master's acknowledge of a slave's change of state or cyclic data.
    ChangeOfStateAcknowledge,
    /// A slave's explicit or unconnected response; also its heartbeat and shutdown.
    ExplicitResponse,
    /// A master's explicit request to a slave.
    ExplicitRequest,
    /// A master's poll command to a slave; also its change of state or cyclic data.
    PollCommand,
    /// An unconnected request to a slave that serves Group 2 only.
    UnconnectedRequest,
    /// A duplicate MAC ID check, request or response.
    AddressCheck,
    /// An unconnected response by Group 3.
    UnconnectedResponseGroup3,
    /// An unconnected request by Group 3.
    UnconnectedRequestGroup3,
    /// Any other Group 3 message: explicit messages that two nodes agreed on.
    OtherExplicit,
    /// An explicit message on identifiers of Group 1 or 2 that two nodes agreed on. No
    /// identifier says so by itself.
    OpenedExplicit,
    /// A communication-faulted node's response (from memory).
    FaultedResponse,
    /// A request to communication-faulted nodes (from memory).
    FaultedRequest,
    /// An off-line ownership response (from memory).
    OwnershipResponse,
    /// An off-line ownership request (from memory).
    OwnershipRequest,
    /// Any other Group 4 message.
    OtherOffline,
    /// Not allowed on the trunk.
    Invalid,
}

impl Role {
    /// Whether it carries I/O data.
    pub const fn is_io(self) -> bool {
        matches!(
            self,
            Role::MulticastPollResponse
                | Role::ChangeOfState
                | Role::StrobeResponse
                | Role::PollResponse
                | Role::OtherIo
                | Role::StrobeCommand
                | Role::MulticastPollCommand
                | Role::ChangeOfStateAcknowledge
                | Role::PollCommand
        )
    }
}

impl Identifier {
    /// Takes an identifier apart.
    pub const fn from_raw(raw: u16) -> Identifier {
        let node = MacId::from_low_bits(raw);
        match raw & 0x7FF {
            0x000..=0x3FF => Identifier::Group1 { message: (raw >> 6 & 0xF) as u8, source: node },
            0x400..=0x5FF => Identifier::Group2 {
                message: (raw & 7) as u8,
                node: MacId::from_low_bits(raw >> 3),
            },
            0x600..=0x7BF => Identifier::Group3 { message: (raw >> 6 & 7) as u8, source: node },
            0x7C0..=0x7EF => Identifier::Group4 { message: (raw & 0x3F) as u8 },
            _ => Identifier::Invalid { low: (raw & 0xF) as u8 },
        }
    }

    /// Puts the identifier together again; message ids are cut to their width.
    pub fn id(self) -> StandardId {
        let raw = match self {
            Identifier::Group1 { message, source } => {
                u16::from(message & 0xF) << 6 | u16::from(source.get())
            }
            Identifier::Group2 { message, node } => {
                0x400 | u16::from(node.get()) << 3 | u16::from(message & 7)
            }
            Identifier::Group3 { message, source } => {
                0x600 | u16::from(message.min(6)) << 6 | u16::from(source.get())
            }
            Identifier::Group4 { message } => 0x7C0 | u16::from(message.min(0x2F)),
            Identifier::Invalid { low } => 0x7F0 | u16::from(low & 0xF),
        };
        StandardId::new(raw).unwrap_or(StandardId::MAX)
    }

    /// What the message is for.
    pub const fn role(self) -> Role {
        match self {
            Identifier::Group1 { message, .. } => match message {
                0xC => Role::MulticastPollResponse,
                0xD => Role::ChangeOfState,
                0xE => Role::StrobeResponse,
                0xF => Role::PollResponse,
                _ => Role::OtherIo,
            },
            Identifier::Group2 { message, .. } => match message {
                0 => Role::StrobeCommand,
                1 => Role::MulticastPollCommand,
                2 => Role::ChangeOfStateAcknowledge,
                3 => Role::ExplicitResponse,
                4 => Role::ExplicitRequest,
                5 => Role::PollCommand,
                6 => Role::UnconnectedRequest,
                _ => Role::AddressCheck,
            },
            Identifier::Group3 { message, .. } => match message {
                5 => Role::UnconnectedResponseGroup3,
                6 => Role::UnconnectedRequestGroup3,
                _ => Role::OtherExplicit,
            },
            Identifier::Group4 { message } => match message {
                0x2C => Role::FaultedResponse,
                0x2D => Role::FaultedRequest,
                0x2E => Role::OwnershipResponse,
                0x2F => Role::OwnershipRequest,
                _ => Role::OtherOffline,
            },
            Identifier::Invalid { .. } => Role::Invalid,
        }
    }

    /// The node that sent the message, where the identifier tells. An address check names the
    /// address that is checked: its sender has it or wants it.
    pub const fn source(self) -> Option<MacId> {
        match (self, self.role()) {
            (Identifier::Group1 { source, .. } | Identifier::Group3 { source, .. }, _) => {
                Some(source)
            }
            (
                Identifier::Group2 { node, .. },
                Role::StrobeCommand | Role::ExplicitResponse | Role::AddressCheck,
            ) => Some(node),
            _ => None,
        }
    }

    /// The node that the message is for, where the identifier tells.
    pub const fn destination(self) -> Option<MacId> {
        match (self, self.role()) {
            (
                Identifier::Group2 { node, .. },
                Role::ChangeOfStateAcknowledge
                | Role::ExplicitRequest
                | Role::PollCommand
                | Role::UnconnectedRequest,
            ) => Some(node),
            _ => None,
        }
    }
}

impl From<StandardId> for Identifier {
    fn from(id: StandardId) -> Identifier {
        Identifier::from_raw(id.as_raw())
    }
}

/// All that an identifier says, found out once for each of the 2048: for every frame that comes.
#[derive(Debug, Clone, Copy)]
pub struct IdentifierInfo {
    /// The identifier, taken apart.
    pub identifier: Identifier,
    /// What the message is for.
    pub role: Role,
    /// The node that sent it, where the identifier tells.
    pub source: Option<MacId>,
    /// The node that it is for, where the identifier tells.
    pub destination: Option<MacId>,
}

impl IdentifierInfo {
    /// Of this identifier.
    pub fn from_id(id: StandardId) -> &'static IdentifierInfo {
        &INFO[usize::from(id.as_raw() & StandardId::MAX.as_raw())]
    }
}

static INFO: [IdentifierInfo; 0x800] = table();

const fn table() -> [IdentifierInfo; 0x800] {
    let identifier = Identifier::Invalid { low: 0 };
    let nothing =
        IdentifierInfo { identifier, role: Role::Invalid, source: None, destination: None };
    let mut table = [nothing; 0x800];
    let mut raw = 0;
    while raw < 0x800 {
        let identifier = Identifier::from_raw(raw);
        table[raw as usize] = IdentifierInfo {
            identifier,
            role: identifier.role(),
            source: identifier.source(),
            destination: identifier.destination(),
        };
        raw += 1;
    }
    table
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Role::MulticastPollResponse => "multicast poll response",
            Role::ChangeOfState => "change of state or cyclic",
            Role::StrobeResponse => "bit-strobe response",
            Role::PollResponse => "poll response",
            Role::OtherIo => "I/O, Group 1",
            Role::StrobeCommand => "bit-strobe command",
            Role::MulticastPollCommand => "multicast poll command",
            Role::ChangeOfStateAcknowledge => "change of state or cyclic acknowledge",
            Role::ExplicitResponse => "explicit response",
            Role::ExplicitRequest => "explicit request",
            Role::PollCommand => "poll command",
            Role::UnconnectedRequest | Role::UnconnectedRequestGroup3 => "unconnected request",
            Role::AddressCheck => "address check",
            Role::UnconnectedResponseGroup3 => "unconnected response",
            Role::OtherExplicit => "explicit, Group 3",
            Role::OpenedExplicit => "explicit, opened by request",
            Role::FaultedResponse => "communication-faulted response",
            Role::FaultedRequest => "communication-faulted request",
            Role::OwnershipResponse => "off-line ownership response",
            Role::OwnershipRequest => "off-line ownership request",
            Role::OtherOffline => "off-line, Group 4",
            Role::Invalid => "invalid identifier",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mac(address: u8) -> MacId {
        MacId::new(address).unwrap()
    }

    /// Calculated from the layout in IEC 62026-3.
    #[test]
    fn known_identifiers() {
        let group1 = |message, node| Identifier::Group1 { message, source: mac(node) };
        let group2 = |message, node| Identifier::Group2 { message, node: mac(node) };
        let group3 = |message, node| Identifier::Group3 { message, source: mac(node) };
        let vectors = [
            (0x3A3, group1(0xE, 0x23), Role::StrobeResponse),
            (0x3EA, group1(0xF, 0x2A), Role::PollResponse),
            (0x550, group2(0, 0x2A), Role::StrobeCommand),
            (0x4A9, group2(1, 0x15), Role::MulticastPollCommand),
            (0x4FA, group2(2, 0x1F), Role::ChangeOfStateAcknowledge),
            (0x403, group2(3, 0x00), Role::ExplicitResponse),
            (0x40C, group2(4, 0x01), Role::ExplicitRequest),
            (0x50D, group2(5, 0x21), Role::PollCommand),
            (0x58E, group2(6, 0x31), Role::UnconnectedRequest),
            (0x5AF, group2(7, 0x35), Role::AddressCheck),
            (0x7B8, group3(6, 0x38), Role::UnconnectedRequestGroup3),
            (0x7D5, Identifier::Group4 { message: 0x15 }, Role::OtherOffline),
        ];
        for (raw, identifier, role) in vectors {
            assert_eq!(Identifier::from_raw(raw), identifier, "{raw:03X}");
            assert_eq!(identifier.role(), role, "{raw:03X}");
        }
    }

    #[test]
    fn every_identifier_goes_round_and_has_its_group() {
        for raw in 0..=0x7FF {
            let identifier = Identifier::from_raw(raw);
            assert_eq!(identifier.id().as_raw(), raw, "{identifier:?}");
            assert_eq!(IdentifierInfo::from_id(identifier.id()).identifier, identifier);
            // Ranges: IEC 62026-3.
            let expected = match raw {
                0..=0x3FF => matches!(identifier, Identifier::Group1 { .. }),
                0x400..=0x5FF => matches!(identifier, Identifier::Group2 { .. }),
                0x600..=0x7BF => matches!(identifier, Identifier::Group3 { message: 0..=6, .. }),
                0x7C0..=0x7EF => matches!(identifier, Identifier::Group4 { message: 0..=0x2F }),
                _ => matches!(identifier, Identifier::Invalid { .. }),
            };
            assert!(expected, "{raw:03X}: {identifier:?}");
            assert_eq!(identifier.role() == Role::Invalid, raw >= 0x7F0, "{raw:03X}");
            let ends = (identifier.source().is_some(), identifier.destination().is_some());
            assert_ne!(ends, (true, true), "{raw:03X}");
        }
    }

    #[test]
    fn who_sends_and_who_is_meant() {
        assert_eq!(Identifier::from_raw(0x50D).destination(), Some(mac(0x21)));
        assert_eq!(Identifier::from_raw(0x550).source(), Some(mac(0x2A)));
        assert_eq!(Identifier::from_raw(0x4A9).source(), None);
        assert_eq!(Identifier::from_raw(0x5AF).source(), Some(mac(0x35)));
        assert_eq!(Identifier::from_raw(0x7D5).source(), None);
    }
}
