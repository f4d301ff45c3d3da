//! How large or long a piece of a capture gets, and how much of the pieces is kept: as people write it.

use std::str::FromStr;

use jiff::{SignedDuration, Span, SpanRelativeTo};

use crate::wire::Nanos;

/// When a piece of a capture is full.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Roll {
    /// At this length of the file, in bytes as written.
    Bytes(u64),
    /// When it spans this much trunk time.
    Time(Nanos),
}

/// Which pieces are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Keep {
    /// This many, with the one that is being written.
    Pieces(usize),
    /// This many bytes in all, with the one that is being written.
    Bytes(u64),
    /// Those that are not older than this.
    Age(SignedDuration),
}

/// The smallest piece, so that a directory does not fill with files.
const LEAST_BYTES: u64 = 100_000;
const LEAST_TIME: SignedDuration = SignedDuration::from_secs(1);

/// Why a text names no size, time or number for pieces.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum ExtentError {
    /// No size or time.
    #[error("give a size or a time, for example 100MB or 1h")]
    Roll,
    /// Below the smallest size.
    #[error("give 100kB or more")]
    TooFewBytes,
    /// Below the shortest time.
    #[error("give 1s or more")]
    TooShort,
    /// No number, size or age.
    #[error("give a number of files, a size or an age, for example 48, 10GB or 30d")]
    Keep,
}

impl FromStr for Roll {
    type Err = ExtentError;

    fn from_str(text: &str) -> Result<Roll, ExtentError> {
        if let Some(bytes) = size(text) {
            return if bytes < LEAST_BYTES {
                Err(ExtentError::TooFewBytes)
            } else {
                Ok(Roll::Bytes(bytes))
            };
        }
        let time = time(text).ok_or(ExtentError::Roll)?;
        if time < LEAST_TIME {
            return Err(ExtentError::TooShort);
        }
        i64::try_from(time.as_nanos())
            .map(|ns| Roll::Time(Nanos(ns)))
            .map_err(|_| ExtentError::Roll)
    }
}

impl FromStr for Keep {
    type Err = ExtentError;

    fn from_str(text: &str) -> Result<Keep, ExtentError> {
        if let Ok(count) = text.parse() {
            return if count == 0 { Err(ExtentError::Keep) } else { Ok(Keep::Pieces(count)) };
        }
        if let Some(bytes) = size(text) {
            return Ok(Keep::Bytes(bytes));
        }
        time(text).filter(|age| age.is_positive()).map(Keep::Age).ok_or(ExtentError::Keep)
    }
}

/// A size in bytes: 512kB, 100MB, 1.5GB, 64MiB.
pub fn size(text: &str) -> Option<u64> {
    let unit_at = text.find(|c: char| c.is_ascii_alphabetic())?;
    let (number, unit) = text.split_at(unit_at);
    let unit: f64 = match unit.to_ascii_lowercase().as_str() {
        "b" => 1.0,
        "kb" => 1e3,
        "mb" => 1e6,
        "gb" => 1e9,
        "tb" => 1e12,
        "kib" => 1024.0,
        "mib" => 1024.0 * 1024.0,
        "gib" => 1024.0 * 1024.0 * 1024.0,
        _ => return None,
    };
    let bytes = number.trim_end().parse::<f64>().ok()? * unit;
    (1.0..1e18).contains(&bytes).then_some(bytes as u64)
}

/// A time: 90s, 1h, 30d; a day has 24 hours.
fn time(text: &str) -> Option<SignedDuration> {
    let span: Span = text.parse().ok()?;
    span.to_duration(SpanRelativeTo::days_are_24_hours()).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sizes_and_times_as_people_write_them() {
        for (text, roll) in [
            ("100MB", Roll::Bytes(100_000_000)),
            ("1.5 GB", Roll::Bytes(1_500_000_000)),
            ("256KiB", Roll::Bytes(262_144)),
            ("1h", Roll::Time(Nanos(3_600_000_000_000))),
            ("2 days", Roll::Time(Nanos(172_800_000_000_000))),
        ] {
            assert_eq!(text.parse(), Ok(roll), "{text}");
        }
        for wrong in ["", "100", "0MB", "1kB", "-1h", "0s", "10ms", "1 furlong", "NaNGB", "1e99GB"]
        {
            assert!(wrong.parse::<Roll>().is_err(), "{wrong:?}");
        }
        for (text, keep) in [
            ("48", Keep::Pieces(48)),
            ("10GB", Keep::Bytes(10_000_000_000)),
            ("30d", Keep::Age(SignedDuration::from_hours(720))),
        ] {
            assert_eq!(text.parse(), Ok(keep), "{text}");
        }
        for wrong in ["", "0", "-3", "many", "0s", "1y", "0B"] {
            assert!(wrong.parse::<Keep>().is_err(), "{wrong:?}");
        }
    }
}
