//! Why an explicit request was refused: the general status of an error response, in words.
//!
//! Source: IEC 61158-6-2, CIP general status codes.

use std::fmt;

/// A general status code. One that is not known stays the number that it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct GeneralStatus(pub u8);

impl GeneralStatus {
    /// What it says; `None` where the code is not known.
    pub const fn name(self) -> Option<&'static str> {
        Some(match self.0 {
            0x00 => "ok",
            0x02 => "resource unavailable",
            0x03 => "invalid parameter value",
            0x08 => "service not supported",
            0x09 => "invalid attribute value",
            0x0B => "already in that state",
            0x0C => "object state conflict",
            0x0E => "attribute not settable",
            0x0F => "privilege violation",
            0x10 => "device state conflict",
            0x11 => "reply too large",
            0x13 => "not enough data",
            0x14 => "attribute not supported",
            0x15 => "too much data",
            0x16 => "object does not exist",
            0x18 => "no stored attribute data",
            0x19 => "store failed",
            0x1F => "vendor specific error",
            0x20 => "invalid parameter",
            0xD0..=0xFF => "error of this object class",
            _ => return None,
        })
    }
}

impl fmt::Display for GeneralStatus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name() {
            Some(name) => write!(f, "{name} ({:02X}h)", self.0),
            None => write!(f, "status {:02X}h", self.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 61158-6-2, CIP general status codes.
    #[test]
    fn statuses_in_words() {
        let words = |code| GeneralStatus(code).to_string();
        assert_eq!(words(0x08), "service not supported (08h)");
        assert_eq!(words(0x0C), "object state conflict (0Ch)");
        assert_eq!(words(0x16), "object does not exist (16h)");
        assert_eq!(words(0xD0), "error of this object class (D0h)");
        assert_eq!(words(0x2A), "status 2Ah");
    }
}
