//! The numbers in explicit messages and their words: classes with their attributes, services,
//! statuses.
//!
//! Source: IEC 62026-3 and IEC 61158-6-2, CIP common services and general status codes.

use std::fmt;

/// An object class. One that is not known stays the number that it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Class(pub u16);

impl Class {
    /// Who the device is.
    pub const IDENTITY: Class = Class(0x01);
    /// The device's place on the trunk.
    pub const DEVICENET: Class = Class(0x03);
    /// What the I/O is made of.
    pub const ASSEMBLY: Class = Class(0x04);
    /// A connection.
    pub const CONNECTION: Class = Class(0x05);
    /// Run, stop and faults of a drive.
    pub const CONTROL_SUPERVISOR: Class = Class(0x29);
    /// The speed of a drive.
    pub const AC_DC_DRIVE: Class = Class(0x2A);

    /// What it is called; `None` where the class is not known.
    pub const fn name(self) -> Option<&'static str> {
        Some(match self.0 {
            0x01 => "identity",
            0x02 => "message router",
            0x03 => "DeviceNet",
            0x04 => "assembly",
            0x05 => "connection",
            0x0F => "parameter",
            0x28 => "motor data",
            0x29 => "control supervisor",
            0x2A => "AC/DC drive",
            _ => return None,
        })
    }

    /// What an attribute of an instance of this class is called; `None` where it is not known.
    pub const fn attribute(self, attribute: u16) -> Option<&'static str> {
        Some(match (self.0, attribute) {
            (0x01, 1) => "vendor id",
            (0x01, 2) => "device type",
            (0x01, 3) => "product code",
            (0x01, 4) => "revision",
            (0x01, 5) => "status",
            (0x01, 6) => "serial number",
            (0x01, 7) => "product name",
            (0x01, 8) => "state",
            (0x01, 10) => "heartbeat interval",
            (0x03, 1) => "MAC ID",
            (0x03, 2) => "baud rate",
            (0x03, 3) => "bus-off interrupt",
            (0x03, 4) => "bus-off counter",
            (0x03, 5) => "allocation",
            (0x04, 3) => "data",
            (0x05, 1) => "state",
            (0x05, 2) => "type",
            (0x05, 3) => "trigger",
            (0x05, 4) => "produced id",
            (0x05, 5) => "consumed id",
            (0x05, 6) => "initial characteristics",
            (0x05, 7) => "produced size",
            (0x05, 8) => "consumed size",
            (0x05, 9) => "expected packet rate",
            (0x05, 12) => "watchdog action",
            (0x05, 13) => "produced path length",
            (0x05, 14) => "produced path",
            (0x05, 15) => "consumed path length",
            (0x05, 16) => "consumed path",
            (0x05, 17) => "inhibit time",
            (0x29, 3) => "run forward",
            (0x29, 4) => "run reverse",
            (0x29, 5) => "control from network asked",
            (0x29, 6) => "drive state",
            (0x29, 7) => "running forward",
            (0x29, 8) => "running reverse",
            (0x29, 9) => "ready",
            (0x29, 10) => "faulted",
            (0x29, 12) => "fault reset",
            (0x29, 13) => "fault code",
            (0x29, 15) => "control is from network",
            (0x29, 16) => "network fault mode",
            (0x2A, 3) => "at reference",
            (0x2A, 4) => "reference from network asked",
            (0x2A, 6) => "drive mode",
            (0x2A, 7) => "actual speed",
            (0x2A, 8) => "speed reference",
            (0x2A, 22) => "speed scale",
            (0x2A, 29) => "reference is from network",
            _ => return None,
        })
    }
}

impl fmt::Display for Class {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name() {
            Some(name) => f.write_str(name),
            None => write!(f, "class {:02X}h", self.0),
        }
    }
}

/// A service code, 00 to 7F. One that is not known stays the number that it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Service(u8);

impl Service {
    /// All attributes of an object at once.
    pub const GET_ALL: Service = Service(0x01);
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

    /// What it is called when it is asked of an object of this class; `None` where that is not known.
    /// From 4B on a service is the class's own: manometer manual "DMA series", p. 104, has 4B and 4C of
    /// the DeviceNet object, and other meanings of 4D and 4E.
    pub const fn name_for(self, class: Class) -> Option<&'static str> {
        match (class.0, self.0) {
            (0x03, 0x4B | 0x4C) | (_, ..0x4B) => self.name(),
            // From memory.
            (0x0F, 0x4B) => Some("get enumeration string"),
            _ => None,
        }
    }

    /// What it is called on the unconnected port, or by itself; `None` where it is not known.
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

/// A service asked of an object, in words.
#[derive(Debug, Clone, Copy)]
pub(crate) struct ServiceOf(pub(crate) Service, pub(crate) Class);

impl fmt::Display for ServiceOf {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0.name_for(self.1) {
            Some(name) => f.write_str(name),
            None => write!(f, "service {:02X}h", self.0.0),
        }
    }
}

/// A general status code. One that is not known stays the number that it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct GeneralStatus(pub u8);

impl GeneralStatus {
    /// What it says; `None` where the code is not known. Codes 02 to 1F: scanner specifications
    /// 1771-IN014B, p. 34.
    pub const fn name(self) -> Option<&'static str> {
        Some(match self.0 {
            0x00 => "ok",
            0x02 => "resource unavailable",
            0x03 => "invalid parameter value",
            0x08 => "service not supported",
            0x09 => "invalid attribute value",
            0x0B => "already in that state",
            0x0C => "object state conflict",
            // From memory; older tables have it as reserved.
            0x0D => "object already exists",
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
            // Adapter user manual 1769-UM001B, B-26.
            0x2A => "Group 2 only server general failure",
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

    /// IEC 61158-6-2, CIP general status codes.
    #[test]
    fn statuses_in_words() {
        let words = |code| GeneralStatus(code).to_string();
        assert_eq!(words(0x08), "service not supported (08h)");
        assert_eq!(words(0x0C), "object state conflict (0Ch)");
        assert_eq!(words(0x16), "object does not exist (16h)");
        assert_eq!(words(0xD0), "error of this object class (D0h)");
        // Adapter user manual 1769-UM001B, B-26.
        assert_eq!(words(0x2A), "Group 2 only server general failure (2Ah)");
        assert_eq!(words(0x2F), "status 2Fh");
    }
}
