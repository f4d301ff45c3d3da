//! Values of a scenario, each with its range.

use std::borrow::Cow;

use serde::Deserialize;

use crate::fieldbus::{Assembly, InputAssembly, OutputAssembly};
use crate::wire::StandardId;

/// A value out of its range.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{value} is not {expected}")]
pub struct ValueError {
    value: String,
    expected: Cow<'static, str>,
}

impl ValueError {
    fn new(value: impl ToString, expected: impl Into<Cow<'static, str>>) -> ValueError {
        ValueError { value: value.to_string(), expected: expected.into() }
    }
}

macro_rules! number {
    ($(#[$doc:meta])* $name:ident, $range:expr, $what:expr) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Default, Deserialize)]
        #[serde(try_from = "f64")]
        pub struct $name(pub f64);

        impl $name {
            /// What it may be.
            pub const RANGE: std::ops::RangeInclusive<f64> = $range;
        }

        impl TryFrom<f64> for $name {
            type Error = ValueError;
            fn try_from(value: f64) -> Result<Self, ValueError> {
                if Self::RANGE.contains(&value) {
                    Ok($name(value))
                } else {
                    Err(ValueError::new(value, $what))
                }
            }
        }
    };
}

number!(
    /// Seconds, up to 31 days.
    Seconds,
    (0.0..=2_678_400.0),
    "a time from 0 to 2678400 s"
);
number!(
    /// Milliseconds, up to an hour.
    Millis,
    (0.0..=3_600_000.0),
    "a time from 0 to 3600000 ms"
);
number!(
    /// From one time to the next, in milliseconds: never at once, up to an hour.
    PeriodMillis,
    (0.1..=3_600_000.0),
    "a period from 0.1 to 3600000 ms"
);
number!(
    /// From one time to the next, in seconds: never at once, up to 31 days.
    PeriodSeconds,
    (0.001..=2_678_400.0),
    "a period from 0.001 to 2678400 s"
);
number!(
    /// Microseconds, up to a minute.
    Micros,
    (0.0..=60_000_000.0),
    "a time from 0 to 60000000 us"
);
number!(
    /// Metres, further than any trunk goes.
    Metres,
    (0.0..=10_000.0),
    "a length from 0 to 10000 m"
);
number!(
    /// Times a second, no more than there are bits.
    Rate,
    (0.0..=1_000_000.0),
    "a rate from 0 to 1000000 per second"
);
number!(
    /// A share from 0 to 1.
    Share,
    (0.0..=1.0),
    "a share from 0 to 1"
);

/// An 11-bit identifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(try_from = "i64")]
pub struct FrameId(pub StandardId);

impl TryFrom<i64> for FrameId {
    type Error = ValueError;
    fn try_from(value: i64) -> Result<Self, ValueError> {
        let id = u16::try_from(value).ok().and_then(StandardId::new);
        id.map(FrameId).ok_or_else(|| ValueError::new(value, "an identifier from 0 to 2047"))
    }
}

/// The data of one frame, up to 8 bytes.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
#[serde(try_from = "Vec<u8>")]
pub struct FrameData(pub Vec<u8>);

impl TryFrom<Vec<u8>> for FrameData {
    type Error = ValueError;
    fn try_from(value: Vec<u8>) -> Result<Self, ValueError> {
        match value.len() {
            0..=8 => Ok(FrameData(value)),
            bytes => Err(ValueError::new(format!("{bytes} bytes"), "the data of a frame (0 to 8)")),
        }
    }
}

/// The number of data bytes of one frame, 0 to 8.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(try_from = "i64")]
pub struct FrameLength(pub usize);

impl TryFrom<i64> for FrameLength {
    type Error = ValueError;
    fn try_from(value: i64) -> Result<Self, ValueError> {
        let length = usize::try_from(value).ok().filter(|&bytes| bytes <= 8);
        length.map(FrameLength).ok_or_else(|| ValueError::new(value, "a length from 0 to 8 bytes"))
    }
}

/// Reads the number of an assembly that the drive profile defines.
macro_rules! assembly {
    ($(#[$doc:meta])* $name:ident, $assembly:ident) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
        #[serde(try_from = "i64")]
        pub struct $name(pub $assembly);

        impl TryFrom<i64> for $name {
            type Error = ValueError;
            fn try_from(value: i64) -> Result<Self, ValueError> {
                let assembly = u16::try_from(value).ok().and_then($assembly::from_number);
                assembly.map($name).ok_or_else(|| {
                    let known: Vec<_> = $assembly::all().map(|a| a.number().to_string()).collect();
                    let known = known.join(" or ");
                    ValueError::new(value, format!("an assembly of the drive profile ({known})"))
                })
            }
        }
    };
}

assembly!(
    /// The assembly that a drive takes its commands for.
    CommandAssembly,
    OutputAssembly
);
assembly!(
    /// The assembly that a drive answers with.
    StatusAssembly,
    InputAssembly
);

/// The length of an I/O message: 0 to 448 bytes, 64 fragments of 7.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(try_from = "i64")]
pub struct Length(pub usize);

impl Length {
    const MAX: usize = 64 * 7;
}

impl TryFrom<i64> for Length {
    type Error = ValueError;
    fn try_from(value: i64) -> Result<Self, ValueError> {
        let length = usize::try_from(value).ok().filter(|&bytes| bytes <= Self::MAX);
        length.map(Length).ok_or_else(|| ValueError::new(value, "a length from 0 to 448 bytes"))
    }
}
