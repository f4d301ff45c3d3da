//! Objects that explicit messages name, in words: classes, attributes with their values, kinds of
//! device; and the identity object: who a device is and the state that it is in, by heartbeat too.
//!
//! Source: IEC 62026-3 and IEC 61158-6-2 for classes 01 to 05. From memory: the classes of
//! drives (28 to 2A), attributes beyond the first few, the device types and the numbers of the
//! bit rates (0 to 2).
//!
//! The identity object (class 01) by the same sources: attributes 1 to 7, and all of them at once
//! in that order. Bits of the status word: drive adapter manual FDNA-01, p. 136. From memory: the
//! states, and the heartbeat's service and layout.

use std::fmt::{self, Display};

use super::{
    Choice, Class, ConnectionState, DeviceId, Target, WatchdogAction, allocation_attribute,
};
use crate::words::printable_char;

/// What a predefined connection instance carries (class 05; IEC 62026-3).
pub const fn connection_instance(instance: u16) -> Option<&'static str> {
    Some(match instance {
        1 => "explicit",
        2 => "poll",
        3 => "bit-strobe",
        4 => "change of state or cyclic",
        5 => "multicast poll",
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
            (0x01, 5) => DeviceStatus(word?).fmt(f),
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
            (0x29, 16) => match byte {
                0 => f.write_str("0 (fault and stop)"),
                1 => f.write_str("1 (ignore)"),
                other => write!(f, "{other}"),
            },
            (0x2A, 22) => match byte as i8 {
                0 => f.write_str("0 (1 rpm)"),
                scale => write!(f, "{scale} (rpm / 2^{scale})"),
            },
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
        // Bits: FDNA-01, p. 136.
        assert_eq!(value(1, 5, &[0x05, 0x04]), "owned, configured, major recoverable fault");
        assert_eq!(value(1, 5, &[0x60, 0]), "not owned, maker's bits 6h");
        // Drive manual 1329I, C-18; drive adapter manual RETA-01, p. 72.
        assert_eq!(value(0x29, 16, &[1]), "1 (ignore)");
        assert_eq!(value(0x2A, 22, &[2]), "2 (rpm / 2^2)");
        assert_eq!(value(0x2A, 22, &[0xFF]), "-1 (rpm / 2^-1)");
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

/// The most characters of a product name that are kept.
pub const MAX_NAME: usize = 64;

/// What is known of a device. Whatever was not read is `None`.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct IdentityObject {
    /// The maker's number (1).
    pub vendor_id: Option<u16>,
    /// What kind of device it is (2).
    pub device_type: Option<u16>,
    /// The maker's number for the product (3).
    pub product_code: Option<u16>,
    /// Major and minor revision (4).
    pub revision: Option<(u8, u8)>,
    /// DeviceStatus word (5).
    pub status: Option<DeviceStatus>,
    /// Serial number (6).
    pub serial: Option<u32>,
    /// Product name (7).
    pub name: Option<Box<str>>,
    /// State of the device (8, or its heartbeat).
    pub state: Option<DeviceState>,
    /// Heartbeat interval in seconds (10).
    pub heartbeat_s: Option<u8>,
}

/// The status word of the identity object. Bits: drive adapter manual FDNA-01, p. 136.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DeviceStatus(pub u16);

impl DeviceStatus {
    /// A fault that can be cleared, minor or major.
    pub const fn recoverable_fault(self) -> bool {
        self.0 & 0x0500 != 0
    }

    /// A fault that cannot be cleared, minor or major.
    pub const fn unrecoverable_fault(self) -> bool {
        self.0 & 0x0A00 != 0
    }

    const BITS: [(u16, &str); 6] = [
        (0x0001, "owned"),
        (0x0004, "configured"),
        (0x0100, "minor recoverable fault"),
        (0x0200, "minor unrecoverable fault"),
        (0x0400, "major recoverable fault"),
        (0x0800, "major unrecoverable fault"),
    ];
}

impl fmt::Display for DeviceStatus {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let set = Self::BITS.into_iter().filter(|(bit, _)| self.0 & bit != 0);
        let words: Vec<&str> = set.map(|(_, word)| word).collect();
        match words[..] {
            [] => f.write_str("not owned")?,
            _ => f.write_str(&words.join(", "))?,
        }
        // What the maker says in bits 4 to 7 stays a number.
        match self.0 >> 4 & 0xF {
            0 => Ok(()),
            own => write!(f, ", maker's bits {own:X}h"),
        }
    }
}

impl IdentityObject {
    /// Takes one attribute's value.
    pub fn attribute(&mut self, attribute: u16, value: &[u8]) {
        let word = value.first_chunk().map(|bytes| u16::from_le_bytes(*bytes));
        match (attribute, value) {
            (1, _) => self.vendor_id = word.or(self.vendor_id),
            (2, _) => self.device_type = word.or(self.device_type),
            (3, _) => self.product_code = word.or(self.product_code),
            (4, &[major, minor, ..]) => self.revision = Some((major, minor)),
            (5, _) => self.status = word.map(DeviceStatus).or(self.status),
            (6, _) => {
                let serial = value.first_chunk().map(|bytes| u32::from_le_bytes(*bytes));
                self.serial = serial.or(self.serial);
            }
            (7, &[length, ref text @ ..]) => {
                if let Some(text) = text.get(..usize::from(length)) {
                    self.set_name(text);
                }
            }
            (8, &[state, ..]) => self.state = Some(DeviceState(state)),
            (10, &[seconds, ..]) => self.heartbeat_s = Some(seconds),
            _ => {}
        }
    }

    /// Takes all attributes at once. What is cut short leaves the rest as it was.
    pub fn all(&mut self, value: &[u8]) {
        let mut rest = value;
        for (attribute, length) in [(1, 2), (2, 2), (3, 2), (4, 2), (5, 2), (6, 4)] {
            let Some((value, after)) = rest.split_at_checked(length) else { return };
            self.attribute(attribute, value);
            rest = after;
        }
        self.attribute(7, rest);
    }

    fn set_name(&mut self, text: &[u8]) {
        let printable = |&byte: &u8| printable_char(char::from(byte));
        let same = self
            .name
            .as_deref()
            .is_some_and(|name| name.chars().eq(text.iter().take(MAX_NAME).map(printable)));
        if !same {
            self.name = Some(text.iter().take(MAX_NAME).map(printable).collect());
        }
    }

    /// The address check told who the device is. If that is another than known, all that was
    /// read belonged to the other one.
    pub fn device(&mut self, device: DeviceId) {
        let other = self.vendor_id.is_some_and(|vendor| vendor != device.vendor_id)
            || self.serial.is_some_and(|serial| serial != device.serial);
        if other {
            *self = IdentityObject::default();
        }
        self.vendor_id = Some(device.vendor_id);
        self.serial = Some(device.serial);
    }
}

/// The state of a device (identity object; from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct DeviceState(pub u8);

impl DeviceState {
    /// Waits for its configuration.
    pub const STANDBY: DeviceState = DeviceState(2);
    /// Works.
    pub const OPERATIONAL: DeviceState = DeviceState(3);
    /// A fault that can be cleared.
    pub const RECOVERABLE: DeviceState = DeviceState(4);
    /// A fault that cannot.
    pub const UNRECOVERABLE: DeviceState = DeviceState(5);
}

impl fmt::Display for DeviceState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.0 {
            0 => "nonexistent",
            1 => "self test",
            2 => "standby",
            3 => "operational",
            4 => "recoverable fault",
            5 => "unrecoverable fault",
            other => return write!(f, "state {other}"),
        })
    }
}

/// A heartbeat, after its service byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Heartbeat {
    /// The instance of the identity object that speaks.
    pub instance: u16,
    /// The state that it is in.
    pub state: DeviceState,
}

impl Heartbeat {
    /// Reads what follows the service byte; `None` if it is too short.
    pub fn parse(data: &[u8]) -> Option<Heartbeat> {
        let &[low, high, state, ..] = data else { return None };
        let instance = u16::from_le_bytes([low, high]);
        Some(Heartbeat { instance, state: DeviceState(state & 0x0F) })
    }
}

#[cfg(test)]
mod heartbeat_tests {
    use super::*;

    /// From memory.
    #[test]
    fn a_heartbeat_tells_the_state() {
        let heartbeat = Heartbeat::parse(&[1, 0, 3, 0, 0, 0]).unwrap();
        assert_eq!(heartbeat, Heartbeat { instance: 1, state: DeviceState::OPERATIONAL });
        assert_eq!(heartbeat.state.to_string(), "operational");
        assert_eq!(Heartbeat::parse(&[1, 0]), None);
    }
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

    /// IEC 61158-6-2, identity object, get all; invented device.
    #[test]
    fn all_at_once_and_one_by_one_agree() {
        let mut all = IdentityObject::default();
        let name = b"Infeed conveyor drive";
        let mut bytes = vec![0x84, 3, 2, 0, 17, 0, 2, 3, 0x05, 0, 0x67, 0x45, 0x23, 1];
        bytes.push(name.len() as u8);
        bytes.extend_from_slice(name);
        all.all(&bytes);
        let mut single = IdentityObject::default();
        single.attribute(1, &[0x84, 3]);
        single.attribute(2, &[2, 0]);
        single.attribute(3, &[17, 0]);
        single.attribute(4, &[2, 3]);
        single.attribute(5, &[5, 0]);
        single.attribute(6, &[0x67, 0x45, 0x23, 1]);
        single.attribute(7, &bytes[14..]);
        assert_eq!(all, single);
        assert_eq!(all.vendor_id, Some(900));
        assert_eq!(all.revision, Some((2, 3)));
        assert_eq!(all.serial, Some(19_088_743));
        assert_eq!(all.name.as_deref(), Some("Infeed conveyor drive"));
        assert_eq!(all.status, Some(DeviceStatus(5)));
    }

    #[test]
    fn another_device_at_the_address_starts_anew() {
        let mut identity = IdentityObject::default();
        identity.attribute(3, &[17, 0]);
        identity.device(DeviceId { vendor_id: 900, serial: 1 });
        assert_eq!(identity.product_code, Some(17));
        identity.device(DeviceId { vendor_id: 900, serial: 2 });
        assert_eq!((identity.product_code, identity.serial), (None, Some(2)));
    }

    #[test]
    fn values_cut_short_leave_what_was_known() {
        let mut identity = IdentityObject::default();
        identity.attribute(1, &[0x84, 3]);
        identity.attribute(1, &[1]);
        identity.attribute(7, &[9, b'x']);
        identity.all(&[0x85, 3, 2]);
        assert_eq!((identity.vendor_id, identity.device_type), (Some(901), None));
        assert_eq!(identity.name, None);
        identity.attribute(7, &[2, 0, b'x', b'y']);
        assert_eq!(identity.name.as_deref(), Some("?x"));
    }
}
