//! The address of a node.

use std::fmt;

use serde::Serialize;

/// The address of a node on the trunk, 0 to 63 (IEC 62026-3: MAC ID).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(transparent)]
pub struct MacId(u8);

impl MacId {
    /// How many addresses a trunk has.
    pub const COUNT: usize = 64;
    /// The highest address.
    pub const MAX: MacId = MacId(63);

    /// `None` for an address over 63.
    pub const fn new(address: u8) -> Option<MacId> {
        if address <= Self::MAX.0 { Some(MacId(address)) } else { None }
    }

    /// The address in the low six bits of a number, as identifiers and headers carry it.
    pub const fn from_low_bits(bits: u16) -> MacId {
        MacId((bits & 0x3F) as u8)
    }

    /// The address.
    pub const fn get(self) -> u8 {
        self.0
    }

    /// The address as an index into a table of [`MacId::COUNT`].
    pub const fn index(self) -> usize {
        self.0 as usize
    }

    /// Every address, in order.
    pub fn all() -> impl DoubleEndedIterator<Item = MacId> + ExactSizeIterator {
        (0..=Self::MAX.0).map(MacId)
    }
}

impl fmt::Display for MacId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn addresses_end_at_63() {
        assert_eq!(MacId::new(63), Some(MacId::MAX));
        assert_eq!(MacId::new(64), None);
        assert_eq!(MacId::all().count(), MacId::COUNT);
    }
}
