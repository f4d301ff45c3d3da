//! Objects that explicit messages name: classes, attributes and kinds of device, in words.
//!
//! Source: IEC 62026-3 and IEC 61158-6-2 for classes 01 to 05; the classes of drives (28 to
//! 2A), attributes beyond the first few and the device types are from memory.

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
            (0x2A, 3) => "at reference",
            (0x2A, 4) => "reference from network asked",
            (0x2A, 6) => "drive mode",
            (0x2A, 7) => "actual speed",
            (0x2A, 8) => "speed reference",
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

/// What a predefined connection instance carries (class 05; IEC 62026-3).
pub const fn connection_instance(instance: u16) -> Option<&'static str> {
    Some(match instance {
        1 => "explicit",
        2 => "poll",
        3 => "bit-strobe",
        4 => "change of state or cyclic",
        _ => return None,
    })
}

/// What kind of device a device type is; `None` where it is not known (from memory).
pub const fn device_type(number: u16) -> Option<&'static str> {
    Some(match number {
        0x00 => "generic device",
        0x02 => "AC drive",
        0x03 => "motor overload",
        0x04 => "limit switch",
        0x05 => "inductive proximity switch",
        0x06 => "photoelectric sensor",
        0x07 => "general purpose I/O",
        0x09 => "resolver",
        0x0C => "communications adapter",
        0x0E => "programmable controller",
        0x10 => "position controller",
        0x13 => "DC drive",
        0x15 => "contactor",
        0x16 => "motor starter",
        0x17 => "soft starter",
        0x18 => "operator interface",
        0x1B => "pneumatic valves",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 62026-3: classes 01 to 05 and their attributes.
    #[test]
    fn objects_in_words() {
        assert_eq!(Class::CONNECTION.attribute(9), Some("expected packet rate"));
        assert_eq!(Class::IDENTITY.attribute(7), Some("product name"));
        assert_eq!(Class(0x64).to_string(), "class 64h");
        assert_eq!(Class(0x64).attribute(0x93), None);
        assert_eq!(connection_instance(2), Some("poll"));
        assert_eq!(device_type(2), Some("AC drive"));
    }
}
