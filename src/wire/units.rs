//! Units that the numbers carry: nanoseconds of trunk time, bit times, bit rates.

use std::fmt;
use std::num::NonZeroU32;

use serde::{Deserialize, Serialize};

/// A point in trunk time, or a span of it: integer nanoseconds. As a point it counts from
/// the capture's `started`, and is negative where the clock stepped back before that.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Default,
    Serialize,
    Deserialize,
    schemars::JsonSchema,
)]
#[serde(transparent)]
pub struct Nanos(pub i64);

impl Nanos {
    /// The start of a capture, and the empty span.
    pub const ZERO: Nanos = Nanos(0);
    /// One second.
    pub const SECOND: Nanos = Nanos(1_000_000_000);

    /// A span of whole milliseconds.
    pub const fn from_millis(ms: i64) -> Nanos {
        Nanos(ms * 1_000_000)
    }

    /// A span of whole microseconds.
    pub const fn from_micros(us: i64) -> Nanos {
        Nanos(us * 1_000)
    }

    /// The span from `earlier` to this point; `None` if the clock stepped back between them,
    /// so that a negative span cannot pass for a measurement.
    pub fn since(self, earlier: Nanos) -> Option<Nanos> {
        let span = self.0.checked_sub(earlier.0)?;
        (span >= 0).then_some(Nanos(span))
    }

    /// This point moved by a span; stays at the limit instead of wrapping.
    pub fn plus(self, span: Nanos) -> Nanos {
        Nanos(self.0.saturating_add(span.0))
    }

    /// In seconds.
    pub fn as_secs(self) -> f64 {
        self.0 as f64 / 1e9
    }

    /// In microseconds.
    pub fn as_micros(self) -> f64 {
        self.0 as f64 / 1e3
    }
}

/// Bits on the wire, or the time that they take, in bit times.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct BitTime(pub u64);

impl std::ops::Add for BitTime {
    type Output = BitTime;
    fn add(self, other: BitTime) -> BitTime {
        BitTime(self.0 + other.0)
    }
}

impl std::ops::AddAssign for BitTime {
    fn add_assign(&mut self, other: BitTime) {
        self.0 += other.0;
    }
}

impl std::iter::Sum for BitTime {
    fn sum<I: Iterator<Item = BitTime>>(iter: I) -> BitTime {
        BitTime(iter.map(|b| b.0).sum())
    }
}

/// A bit rate in bits per second, from 1 to 1,000,000 (classical CAN, ISO 11898-1).
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    schemars::JsonSchema,
)]
#[serde(try_from = "u32", into = "u32")]
#[schemars(extend("minimum" = 1, "maximum" = 1_000_000))]
pub struct Bitrate(NonZeroU32);

impl Bitrate {
    /// The most that classical CAN allows.
    pub const MAX: u32 = 1_000_000;

    /// `None` outside 1 to [`Bitrate::MAX`].
    pub fn new(bits_per_second: u32) -> Option<Bitrate> {
        match NonZeroU32::new(bits_per_second) {
            Some(rate) if bits_per_second <= Self::MAX => Some(Bitrate(rate)),
            _ => None,
        }
    }

    /// Bits per second.
    pub fn get(self) -> u32 {
        self.0.get()
    }

    /// How long so many bits take, rounded to the nearest nanosecond.
    pub fn duration(self, bits: BitTime) -> Nanos {
        let rate = u128::from(self.get());
        let ns = (u128::from(bits.0) * 1_000_000_000 + rate / 2) / rate;
        Nanos(i64::try_from(ns).unwrap_or(i64::MAX))
    }
}

/// A number that is no bit rate of classical CAN.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{0} is not a bit rate from 1 to {max}", max = Bitrate::MAX)]
pub struct BitrateError(pub u32);

impl TryFrom<u32> for Bitrate {
    type Error = BitrateError;
    fn try_from(value: u32) -> Result<Self, BitrateError> {
        Bitrate::new(value).ok_or(BitrateError(value))
    }
}

impl From<Bitrate> for u32 {
    fn from(rate: Bitrate) -> u32 {
        rate.get()
    }
}

impl fmt::Display for Bitrate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let rate = self.get();
        if rate.is_multiple_of(1000) {
            write!(f, "{} kbit/s", rate / 1000)
        } else {
            write!(f, "{rate} bit/s")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_that_stepped_back_gives_no_span() {
        assert_eq!(Nanos(5).since(Nanos(3)), Some(Nanos(2)));
        assert_eq!(Nanos(3).since(Nanos(5)), None);
        assert_eq!(Nanos(i64::MAX).since(Nanos(i64::MIN)), None);
    }

    #[test]
    fn bit_rates_are_bounded() {
        assert!(Bitrate::new(0).is_none());
        assert!(Bitrate::new(1_000_001).is_none());
        let rate = Bitrate::new(125_000).unwrap();
        assert_eq!(rate.duration(BitTime(135)), Nanos(1_080_000));
        assert_eq!(rate.to_string(), "125 kbit/s");
    }
}
