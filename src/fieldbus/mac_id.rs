//! The address of a node.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The address of a node on the trunk, 0 to 63 (IEC 62026-3: MAC ID).
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(try_from = "i64", into = "u8")]
#[schemars(extend("maximum" = 63))]
pub struct MacId(u8);

/// A number that is no address.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{0} is not an address from 0 to 63")]
pub struct MacIdError(pub i64);

impl TryFrom<i64> for MacId {
    type Error = MacIdError;

    fn try_from(address: i64) -> Result<MacId, MacIdError> {
        let address_of = |number| u8::try_from(number).ok().and_then(MacId::new);
        address_of(address).ok_or(MacIdError(address))
    }
}

impl From<MacId> for u8 {
    fn from(mac_id: MacId) -> u8 {
        mac_id.0
    }
}

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

/// A set of addresses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct MacIdSet(u64);

impl MacIdSet {
    /// Puts an address in.
    #[inline]
    pub fn insert(&mut self, mac_id: MacId) {
        self.0 |= 1 << mac_id.get();
    }

    /// Takes an address out.
    pub fn remove(&mut self, mac_id: MacId) {
        self.0 &= !(1 << mac_id.get());
    }

    /// Whether an address is in it.
    pub fn contains(self, mac_id: MacId) -> bool {
        self.0 & 1 << mac_id.get() != 0
    }

    /// Whether none is.
    #[inline]
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// How many are in it.
    pub fn len(self) -> u32 {
        self.0.count_ones()
    }

    /// Those in it, in order; it takes no longer for the others.
    #[inline]
    pub fn iter(self) -> impl Iterator<Item = MacId> {
        let mut rest = self.0;
        std::iter::from_fn(move || {
            let next = MacId::from_low_bits(rest.trailing_zeros() as u16);
            let some = rest != 0;
            rest &= rest.wrapping_sub(1);
            some.then_some(next)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_set_holds_what_was_put_in() {
        let mut set = MacIdSet::default();
        assert!(set.is_empty() && set.iter().next().is_none());
        let address = |n| MacId::new(n).unwrap();
        for n in [63, 0, 9, 31, 9] {
            set.insert(address(n));
        }
        assert_eq!(set.iter().map(MacId::get).collect::<Vec<_>>(), [0, 9, 31, 63]);
        set.remove(address(31));
        assert_eq!((set.len(), set.contains(address(9))), (3, true));
        assert!(!set.contains(address(31)));
        MacId::all().for_each(|mac_id| set.insert(mac_id));
        assert!(set.iter().eq(MacId::all()));
    }

    #[test]
    fn addresses_end_at_63() {
        assert_eq!(MacId::new(63), Some(MacId::MAX));
        assert_eq!(MacId::new(64), None);
        assert_eq!(MacId::all().count(), MacId::COUNT);
    }
}
