//! Connections: the predefined ones and their states, allocation, connections opened on request,
//! and the byte that each fragment of a long message carries.
//!
//! Source: IEC 62026-3, connection object (class 05), predefined master/slave connection set,
//! open and close on the unconnected port, fragmentation protocol. From memory: the nibbles of
//! an open message, and a first fragment with count 3F that is the only one.

use super::{BodyFormat, MacId};
use schemars::{JsonSchema, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;
use std::fmt;

/// The predefined connections, by their instance in class 05.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum ConnectionKind {
    /// Instance 1.
    Explicit,
    /// Instance 2.
    Poll,
    /// Instance 3.
    Strobe,
    /// Instance 4: change of state or cyclic.
    ChangeOfState,
    /// Instance 5: a poll of several nodes at once.
    MulticastPoll,
}

impl fmt::Display for ConnectionKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            ConnectionKind::Explicit => "explicit",
            ConnectionKind::Poll => "poll",
            ConnectionKind::Strobe => "bit-strobe",
            ConnectionKind::ChangeOfState => "change of state or cyclic",
            ConnectionKind::MulticastPoll => "multicast poll",
        })
    }
}

impl ConnectionKind {
    /// All five, by instance.
    pub const ALL: [ConnectionKind; 5] = [
        ConnectionKind::Explicit,
        ConnectionKind::Poll,
        ConnectionKind::Strobe,
        ConnectionKind::ChangeOfState,
        ConnectionKind::MulticastPoll,
    ];

    /// Those that carry I/O.
    pub const IO: [ConnectionKind; 4] = [
        ConnectionKind::Poll,
        ConnectionKind::Strobe,
        ConnectionKind::ChangeOfState,
        ConnectionKind::MulticastPoll,
    ];

    /// From an instance of class 05; `None` for any but the predefined.
    pub fn from_instance(instance: u16) -> Option<ConnectionKind> {
        Self::ALL.get(usize::from(instance).checked_sub(1)?).copied()
    }

    /// The bits of an allocation that this connection answers to.
    pub const fn choice(self) -> Choice {
        match self {
            ConnectionKind::Explicit => Choice::EXPLICIT,
            ConnectionKind::Poll => Choice::POLL,
            ConnectionKind::Strobe => Choice::STROBE,
            ConnectionKind::ChangeOfState => Choice::CHANGE_OF_STATE.with(Choice::CYCLIC),
            ConnectionKind::MulticastPoll => Choice::MULTICAST,
        }
    }
}

/// The state of a connection (attribute 1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ConnectionState {
    /// Not there.
    #[default]
    Nonexistent,
    /// Allocated, not set up.
    Configuring,
    /// Waits for its identifier.
    Waiting,
    /// Works.
    Established,
    /// Nothing came for 4 x its expected packet rate.
    TimedOut,
    /// Will be deleted.
    DeferredDelete,
}

impl ConnectionState {
    /// From the value of attribute 1.
    pub const fn from_value(value: u8) -> Option<ConnectionState> {
        Some(match value {
            0 => ConnectionState::Nonexistent,
            1 => ConnectionState::Configuring,
            2 => ConnectionState::Waiting,
            3 => ConnectionState::Established,
            4 => ConnectionState::TimedOut,
            5 => ConnectionState::DeferredDelete,
            _ => return None,
        })
    }
}

impl fmt::Display for ConnectionState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            ConnectionState::Nonexistent => "nonexistent",
            ConnectionState::Configuring => "configuring",
            ConnectionState::Waiting => "waiting",
            ConnectionState::Established => "established",
            ConnectionState::TimedOut => "timed out",
            ConnectionState::DeferredDelete => "deferred delete",
        })
    }
}

/// What a connection does when it times out (attribute 12).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum WatchdogAction {
    /// Becomes timed out.
    #[serde(rename = "time out")]
    TimeOut,
    /// Deletes itself.
    #[serde(rename = "delete itself")]
    AutoDelete,
    /// Starts its watchdog again and goes on.
    #[serde(rename = "reset itself")]
    AutoReset,
    /// Deletes itself once the explicit connections are gone.
    #[serde(rename = "delete itself later")]
    DeferredDelete,
}

impl WatchdogAction {
    /// From the value of attribute 12.
    pub const fn from_value(value: u8) -> Option<WatchdogAction> {
        Some(match value {
            0 => WatchdogAction::TimeOut,
            1 => WatchdogAction::AutoDelete,
            2 => WatchdogAction::AutoReset,
            3 => WatchdogAction::DeferredDelete,
            _ => return None,
        })
    }
}

impl fmt::Display for WatchdogAction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            WatchdogAction::TimeOut => "time out",
            WatchdogAction::AutoDelete => "delete itself",
            WatchdogAction::AutoReset => "reset itself",
            WatchdogAction::DeferredDelete => "delete itself later",
        })
    }
}

/// A set of predefined connections: the allocation choice byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Choice(u8);

impl Choice {
    /// None.
    pub const NONE: Choice = Choice(0);
    /// Explicit messages.
    pub const EXPLICIT: Choice = Choice(0x01);
    /// Poll.
    pub const POLL: Choice = Choice(0x02);
    /// Bit-strobe.
    pub const STROBE: Choice = Choice(0x04);
    /// Multicast poll.
    pub const MULTICAST: Choice = Choice(0x08);
    /// Change of state.
    pub const CHANGE_OF_STATE: Choice = Choice(0x10);
    /// Cyclic.
    pub const CYCLIC: Choice = Choice(0x20);
    /// Without acknowledges of change of state or cyclic data.
    pub const NO_ACKNOWLEDGE: Choice = Choice(0x40);

    const NAMES: [(Choice, &str); 7] = [
        (Choice::EXPLICIT, "explicit"),
        (Choice::POLL, "poll"),
        (Choice::STROBE, "bit-strobe"),
        (Choice::MULTICAST, "multicast poll"),
        (Choice::CHANGE_OF_STATE, "change of state"),
        (Choice::CYCLIC, "cyclic"),
        (Choice::NO_ACKNOWLEDGE, "acknowledge suppressed"),
    ];

    /// From the byte, whose highest bit is reserved.
    pub const fn from_byte(byte: u8) -> Choice {
        Choice(byte & 0x7F)
    }

    /// Whether any of `other` is in this set.
    pub const fn has(self, other: Choice) -> bool {
        self.0 & other.0 != 0
    }

    /// Both sets together.
    pub const fn with(self, other: Choice) -> Choice {
        Choice(self.0 | other.0)
    }

    /// This set without another.
    pub const fn without(self, other: Choice) -> Choice {
        Choice(self.0 & !other.0)
    }

    /// Whether there is I/O in the set.
    pub fn is_io(self) -> bool {
        self.without(Choice::EXPLICIT.with(Choice::NO_ACKNOWLEDGE)) != Choice::NONE
    }

    /// The names of what is in the set.
    pub fn names(self) -> impl Iterator<Item = &'static str> {
        Self::NAMES.into_iter().filter(move |(bit, _)| self.has(*bit)).map(|(_, name)| name)
    }
}

impl fmt::Display for Choice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut names = self.names();
        f.write_str(names.next().unwrap_or("nothing"))?;
        names.try_for_each(|name| write!(f, ", {name}"))?;
        if self.0 & 0x80 != 0 { f.write_str(", reserved bit 7") } else { Ok(()) }
    }
}

/// In a file it is the list of its names.
impl Serialize for Choice {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(self.names())
    }
}

impl<'de> Deserialize<'de> for Choice {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Choice, D::Error> {
        let names: Vec<String> = Vec::deserialize(deserializer)?;
        names.iter().try_fold(Choice::NONE, |choice, name| {
            let known = Self::NAMES.iter().find(|(_, known)| known == name);
            known.map(|(bit, _)| choice.with(*bit)).ok_or_else(|| {
                serde::de::Error::custom(format_args!("no predefined connection is named {name:?}"))
            })
        })
    }
}

impl JsonSchema for Choice {
    fn schema_name() -> Cow<'static, str> {
        "Choice".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        json_schema!({
            "description": "A set of predefined connections.",
            "type": "array",
            "items": { "enum": Self::NAMES.map(|(_, name)| name) }
        })
    }
}

/// A request to allocate predefined connections.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct AllocateRequest {
    /// Which connections.
    pub choice: Choice,
    /// The master that is to own them.
    pub owner: MacId,
}

impl AllocateRequest {
    /// Reads the service's own data; `None` if it is too short.
    pub fn parse(data: &[u8]) -> Option<AllocateRequest> {
        let &[choice, owner, ..] = data else { return None };
        Some(AllocateRequest {
            choice: Choice::from_byte(choice),
            owner: MacId::from_low_bits(owner.into()),
        })
    }
}

/// The two bytes of the allocation attribute (class 03, attribute 5): what is allocated and
/// by whom; FF where nobody owns the node (from memory).
pub fn allocation_attribute(data: &[u8]) -> Option<(Choice, Option<MacId>)> {
    let &[choice, owner, ..] = data else { return None };
    Some((Choice::from_byte(choice), MacId::new(owner)))
}

/// A request to open an explicit connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OpenRequest {
    /// The body format that the client would like; `None` where it is a reserved one.
    pub format: Option<BodyFormat>,
    /// The identifier group that it would like.
    pub group: u8,
    /// The message id that it will send with.
    pub message: u8,
}

impl OpenRequest {
    /// Reads the service's own data; `None` if it is too short.
    pub fn parse(data: &[u8]) -> Option<OpenRequest> {
        let &[format, ids, ..] = data else { return None };
        Some(OpenRequest {
            format: BodyFormat::from_low_bits(format),
            group: ids >> 4,
            message: ids & 15,
        })
    }
}

/// What a node grants to a request to open a connection.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OpenResponse {
    /// The body format agreed; `None` where it is a reserved one.
    pub format: Option<BodyFormat>,
    /// The message id that the client must send with.
    pub to_message: u8,
    /// The message id that the node will send with.
    pub from_message: u8,
    /// The instance of the connection in the node.
    pub instance: u16,
}

impl OpenResponse {
    /// Reads the service's own data; `None` if it is too short.
    pub fn parse(data: &[u8]) -> Option<OpenResponse> {
        let &[format, ids, low, high, ..] = data else { return None };
        Some(OpenResponse {
            format: BodyFormat::from_low_bits(format),
            to_message: ids >> 4,
            from_message: ids & 15,
            instance: u16::from_le_bytes([low, high]),
        })
    }
}

/// What a fragment is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FragmentKind {
    /// Opens a message.
    First,
    /// Goes on.
    Middle,
    /// Ends it.
    Last,
    /// The receiver's answer to one fragment of an explicit message.
    Acknowledge,
}

/// The byte that each fragment carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Fragment {
    /// Which part it is.
    pub kind: FragmentKind,
    /// Counts the fragments of a message from 0, and wraps after 63.
    pub count: u8,
}

impl Fragment {
    /// How many counts there are before they begin again.
    pub const COUNTS: u8 = 64;
    /// Count of a first fragment that is also the last (from memory).
    pub const ONLY: u8 = 0x3F;

    /// Takes the byte apart.
    pub const fn from_byte(byte: u8) -> Fragment {
        let kind = match byte >> 6 {
            0 => FragmentKind::First,
            1 => FragmentKind::Middle,
            2 => FragmentKind::Last,
            _ => FragmentKind::Acknowledge,
        };
        Fragment { kind, count: byte & 0x3F }
    }
}

impl fmt::Display for Fragment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = match self.kind {
            FragmentKind::First => "first fragment",
            FragmentKind::Middle => "middle fragment",
            FragmentKind::Last => "last fragment",
            FragmentKind::Acknowledge => "acknowledge of fragment",
        };
        write!(f, "{kind}, count {}", self.count)
    }
}

#[cfg(test)]
mod allocation_tests {
    use super::*;

    /// Layout of the allocation: converter manual I-7242D, p. 89; the choice bits: IEC 62026-3; the
    /// nibbles of the open messages from memory.
    #[test]
    fn published_allocation_and_open() {
        let allocate = AllocateRequest::parse(&[0x03, 0x0A]).unwrap();
        assert_eq!(allocate.choice, Choice::EXPLICIT.with(Choice::POLL));
        assert_eq!(allocate.choice.to_string(), "explicit, poll");
        assert_eq!(allocate.owner.get(), 10);
        let open = OpenRequest::parse(&[0x00, 0x17]).unwrap();
        assert_eq!((open.format, open.group, open.message), (Some(BodyFormat::default()), 1, 7));
        let opened = OpenResponse::parse(&[0x00, 0x37, 0x01, 0x47]).unwrap();
        assert_eq!(opened.instance, 0x4701);
        assert_eq!((opened.to_message, opened.from_message), (3, 7));
    }

    /// IEC 62026-3: bits 0 to 6 of the choice byte.
    #[test]
    fn every_choice_has_its_bit() {
        assert_eq!(Choice::from_byte(0x7F).names().count(), 7);
        assert_eq!(Choice::from_byte(0x50).to_string(), "change of state, acknowledge suppressed");
        assert_eq!(Choice::NONE.to_string(), "nothing");
        assert!(AllocateRequest::parse(&[3]).is_none());
        assert_eq!(allocation_attribute(&[3, 0xFF]), Some((Choice::from_byte(3), None)));
    }
}
