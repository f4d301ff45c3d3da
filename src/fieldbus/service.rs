//! Services of explicit messages: what is asked for, as a number and in words.
//!
//! Source: IEC 61158-6-2, CIP common services; IEC 62026-3 for 4B and 4C; heartbeat and
//! shutdown (4D, 4E) from memory.

use std::fmt;

/// A service code, 00 to 7F. One that is not known stays the number that it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Service(u8);

impl Service {
    /// All attributes of an object at once.
    pub const GET_ALL: Service = Service(0x01);
    /// Writes all attributes of an object at once.
    pub const SET_ALL: Service = Service(0x02);
    /// Starts the device, or one object of it, anew.
    pub const RESET: Service = Service(0x05);
    /// Deletes an object.
    pub const DELETE: Service = Service(0x09);
    /// One attribute.
    pub const GET_SINGLE: Service = Service(0x0E);
    /// Writes one attribute.
    pub const SET_SINGLE: Service = Service(0x10);
    /// Answers a request that was refused.
    pub const ERROR: Service = Service(0x14);
    /// Allocates the predefined connections; on the unconnected port of Group 3 it opens an
    /// explicit connection.
    pub const ALLOCATE: Service = Service(0x4B);
    /// Releases predefined connections; on the unconnected port of Group 3 it closes an
    /// explicit connection.
    pub const RELEASE: Service = Service(0x4C);
    /// A device says by itself that it lives (from memory).
    pub const HEARTBEAT: Service = Service(0x4D);
    /// A device says by itself that it goes off line (from memory).
    pub const SHUTDOWN: Service = Service(0x4E);

    /// The service in the low seven bits of a header byte; bit 7 marks a response.
    pub const fn from_low_bits(byte: u8) -> Service {
        Service(byte & 0x7F)
    }

    /// The code.
    pub const fn get(self) -> u8 {
        self.0
    }

    /// What it is called; `None` where it is not a common service.
    pub const fn name(self) -> Option<&'static str> {
        Some(match self.0 {
            0x01 => "get all",
            0x02 => "set all",
            0x05 => "reset",
            0x06 => "start",
            0x07 => "stop",
            0x08 => "create",
            0x09 => "delete",
            0x0D => "apply",
            0x0E => "get",
            0x10 => "set",
            0x11 => "find next",
            0x14 => "error",
            0x15 => "restore",
            0x16 => "save",
            0x17 => "no operation",
            0x4B => "allocate",
            0x4C => "release",
            0x4D => "heartbeat",
            0x4E => "shutdown",
            _ => return None,
        })
    }
}

impl fmt::Display for Service {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name() {
            Some(name) => f.write_str(name),
            None => write!(f, "service {:02X}h", self.0),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_service_that_is_not_known_stays_a_number() {
        assert_eq!(Service::from_low_bits(0x8E), Service::GET_SINGLE);
        assert_eq!(Service::from_low_bits(0x32).to_string(), "service 32h");
    }

    /// IEC 61158-6-2, CIP common services; 4D and 4E from memory.
    #[test]
    fn the_common_services_have_names() {
        let known: Vec<u8> =
            (0..=0x7F).filter(|&code| Service::from_low_bits(code).name().is_some()).collect();
        let expected = [
            0x01, 0x02, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0D, 0x0E, 0x10, 0x11, 0x14, 0x15, 0x16,
            0x17, 0x4B, 0x4C, 0x4D, 0x4E,
        ];
        assert_eq!(known, expected);
    }
}
