//! Trunk time in whole bit times, and the way from seconds to it.

use std::ops::{Add, AddAssign};

use crate::wire::{BitTime, Bitrate, Nanos};

/// A point in trunk time or a span of it, in bit times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub(super) struct Time(pub(super) u64);

impl Time {
    pub(super) const NEVER: Time = Time(u64::MAX);

    pub(super) fn since(self, earlier: Time) -> Time {
        Time(self.0.saturating_sub(earlier.0))
    }

    pub(super) fn nanos(self, rate: Bitrate) -> Nanos {
        rate.duration(BitTime(self.0))
    }
}

impl Add for Time {
    type Output = Time;
    fn add(self, span: Time) -> Time {
        Time(self.0.saturating_add(span.0))
    }
}

impl AddAssign for Time {
    fn add_assign(&mut self, span: Time) {
        *self = *self + span;
    }
}

/// Turns seconds, milliseconds and microseconds into bit times at one bit rate.
#[derive(Debug, Clone, Copy)]
pub(super) struct Clockwork(pub(super) Bitrate);

impl Clockwork {
    pub(super) fn secs(self, s: f64) -> Time {
        self.micros(s * 1e6)
    }

    pub(super) fn millis(self, ms: f64) -> Time {
        self.micros(ms * 1e3)
    }

    /// To the nearest bit. A negative span is none.
    pub(super) fn micros(self, us: f64) -> Time {
        Time((us * f64::from(self.0.get()) / 1e6 + 0.5).max(0.0) as u64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seconds_become_bits() {
        let clock = Clockwork(Bitrate::new(125_000).unwrap());
        assert_eq!(clock.secs(1.0), Time(125_000));
        assert_eq!(clock.millis(20.0), Time(2_500));
        assert_eq!(clock.micros(8.0), Time(1));
        assert_eq!(clock.micros(-8.0), Time(0));
        assert_eq!(Time(2_500).nanos(clock.0), Nanos(20_000_000));
    }
}
