//! The byte that each fragment of a long message carries.
//!
//! Source: IEC 62026-3, fragmentation protocol. A first fragment with count 3F that is the only
//! one is from memory.

use std::fmt;

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
