//! Objects that explicit messages name, in words: classes, attributes with their values, kinds of
//! device.
//!
//! Source: IEC 62026-3 and IEC 61158-6-2 for classes 01 to 05. From memory: the classes of
//! drives (28 to 2A), attributes beyond the first few, the device types and the numbers of the
//! bit rates (0 to 2).

use super::{
    Choice, Class, ConnectionState, DeviceState, Target, WatchdogAction, allocation_attribute,
};
use std::fmt::{self, Display};

use crate::words::printable_char;

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

/// An object without its attribute: "connection 2 (poll)", "assembly 21".
pub(crate) struct ObjectPath(pub(crate) Target);

impl fmt::Display for ObjectPath {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let target = self.0;
        write!(f, "{} {}", target.class, target.instance)?;
        match connection_instance(target.instance) {
            Some(name) if target.class == Class::CONNECTION => write!(f, " ({name})"),
            _ => Ok(()),
        }
    }
}

/// The value of an attribute. What has no better words is shown as bytes.
pub(crate) struct AttributeValue<'a> {
    target: Target,
    bytes: &'a [u8],
}

impl<'a> AttributeValue<'a> {
    pub(crate) fn new(target: Target, bytes: &'a [u8]) -> AttributeValue<'a> {
        AttributeValue { target, bytes }
    }

    fn known(&self, f: &mut fmt::Formatter<'_>) -> Option<fmt::Result> {
        let bytes = self.bytes;
        let byte = bytes.first().copied()?;
        let word = bytes.first_chunk().map(|bytes| u16::from_le_bytes(*bytes));
        if self.target.instance == 0 {
            return None;
        }
        let attribute = self.target.attribute?;
        Some(match (self.target.class.0, attribute) {
            (0x01, 1 | 3) => write!(f, "{}", word?),
            (0x01, 2) => match device_type(word?) {
                Some(name) => write!(f, "{} ({name})", word?),
                None => write!(f, "{}", word?),
            },
            (0x01, 4) => write!(f, "{byte}.{}", bytes.get(1)?),
            (0x01, 6) => write!(f, "{}", u32::from_le_bytes(*bytes.first_chunk()?)),
            (0x01, 7) => {
                let text: &[u8] = bytes.get(1..)?.get(..usize::from(byte))?;
                text_words(f, text)
            }
            (0x01, 8) => DeviceState(byte).fmt(f),
            (0x01, 10) => write!(f, "{byte} s"),
            (0x03, 1) => write!(f, "{byte}"),
            (0x03, 2) => match [125, 250, 500].get(usize::from(byte)) {
                Some(rate) => write!(f, "{rate} kbit/s"),
                None => write!(f, "{byte}"),
            },
            (0x03, 5) => match allocation_attribute(bytes)? {
                (Choice::NONE, _) => f.write_str("nothing"),
                (choice, Some(owner)) => write!(f, "{choice} for master {owner}"),
                (choice, None) => choice.fmt(f),
            },
            (0x05, 1) => match ConnectionState::from_value(byte) {
                Some(state) => state.fmt(f),
                None => write!(f, "{byte}"),
            },
            (0x05, 4 | 5) => write!(f, "{:03X}h", word?),
            (0x05, 7 | 8) => write!(f, "{} bytes", word?),
            (0x05, 9 | 17) => write!(f, "{} ms", word?),
            (0x05, 12) => match WatchdogAction::from_value(byte) {
                Some(action) => action.fmt(f),
                None => write!(f, "{byte}"),
            },
            (0x05, 14 | 16) => ObjectPath(Target::from_path(bytes, false)?).fmt(f),
            _ => return None,
        })
    }
}

impl fmt::Display for AttributeValue<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.bytes.is_empty() {
            return f.write_str("nothing");
        }
        self.known(f).unwrap_or_else(|| write!(f, "{:X}", const_hex::display(self.bytes)))
    }
}

/// Text of a device, with what is not printable replaced.
fn text_words(f: &mut fmt::Formatter<'_>, text: &[u8]) -> fmt::Result {
    use fmt::Write;
    f.write_char('"')?;
    for &byte in text {
        f.write_char(printable_char(char::from(byte)))?;
    }
    f.write_char('"')
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

#[cfg(test)]
mod values_tests {
    use super::*;

    fn value(class: u16, attribute: u16, bytes: &[u8]) -> String {
        let target = Target { class: Class(class), instance: 1, attribute: Some(attribute) };
        AttributeValue::new(target, bytes).to_string()
    }

    /// IEC 62026-3 and IEC 61158-6-2; bit rate numbers and path coding from memory.
    #[test]
    fn values_in_words() {
        assert_eq!(value(1, 2, &[2, 0]), "2 (AC drive)");
        assert_eq!(value(1, 4, &[2, 3]), "2.3");
        assert_eq!(value(1, 6, &[0x67, 0x45, 0x23, 1]), "19088743");
        assert_eq!(value(1, 7, &[2, b'O', 7]), "\"O?\"");
        assert_eq!(value(3, 2, &[2]), "500 kbit/s");
        assert_eq!(value(3, 5, &[3, 10]), "explicit, poll for master 10");
        assert_eq!(value(3, 5, &[0, 0xFF]), "nothing");
        assert_eq!(value(5, 1, &[3]), "established");
        assert_eq!(value(5, 9, &[75, 0]), "75 ms");
        assert_eq!(value(5, 14, &[0x20, 4, 0x24, 71, 0x30, 3]), "assembly 71");
    }

    #[test]
    fn values_cut_short_are_bytes() {
        assert_eq!(value(1, 6, &[0x67, 0x45]), "6745");
        assert_eq!(value(1, 7, &[9, b'x']), "0978");
        assert_eq!(value(5, 9, &[]), "nothing");
    }
}
