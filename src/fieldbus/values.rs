//! Values of attributes, in the words and units that they have.
//!
//! Source: IEC 62026-3 and IEC 61158-6-2, as for the attributes themselves; the numbers of
//! the bit rates (0 to 2) are from memory.

use std::fmt::{self, Display};

use super::{
    Choice, Class, ConnectionState, DeviceState, Target, WatchdogAction, allocation_attribute,
    connection_instance, device_type,
};

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
    pub(crate) fn of(target: Target, bytes: &'a [u8]) -> AttributeValue<'a> {
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
        let character = char::from(byte);
        f.write_char(if character.is_control() { '\u{FFFD}' } else { character })?;
    }
    f.write_char('"')
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(class: u16, attribute: u16, bytes: &[u8]) -> String {
        let target = Target { class: Class(class), instance: 1, attribute: Some(attribute) };
        AttributeValue::of(target, bytes).to_string()
    }

    /// IEC 62026-3 and IEC 61158-6-2; bit rate numbers and path coding from memory.
    #[test]
    fn values_in_words() {
        assert_eq!(value(1, 2, &[2, 0]), "2 (AC drive)");
        assert_eq!(value(1, 4, &[2, 3]), "2.3");
        assert_eq!(value(1, 6, &[0x67, 0x45, 0x23, 1]), "19088743");
        assert_eq!(value(1, 7, &[2, b'O', 7]), "\"O\u{FFFD}\"");
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
