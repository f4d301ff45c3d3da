//! Explicit messages: requests, responses and error responses, with their services and statuses.
//!
//! Source: IEC 62026-3, explicit messaging and its body formats; IEC 61158-6-2, CIP common
//! services and general status codes.

use super::MacId;
use std::fmt;

/// The first byte of an explicit message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ExplicitHeader {
    /// Whether this is a fragment of a longer message.
    pub fragmented: bool,
    /// The transaction bit: a response carries that of its request.
    pub transaction: bool,
    /// The node at the other end: the identifier names one end, this the other.
    pub other_end: MacId,
}

impl ExplicitHeader {
    /// Takes the byte apart.
    pub const fn from_byte(byte: u8) -> ExplicitHeader {
        ExplicitHeader {
            fragmented: byte & 0x80 != 0,
            transaction: byte & 0x40 != 0,
            other_end: MacId::from_low_bits(byte as u16),
        }
    }

    /// The byte that says this.
    pub const fn byte(self) -> u8 {
        (self.fragmented as u8) << 7 | (self.transaction as u8) << 6 | self.other_end.get()
    }
}

/// How a request names its object, as agreed when the connection was allocated or opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum BodyFormat {
    /// 0: class 8 bit, instance 8 bit.
    #[default]
    Class8Instance8,
    /// 1: class 8 bit, instance 16 bit.
    Class8Instance16,
    /// 2: class 16 bit, instance 16 bit.
    Class16Instance16,
    /// 3: class 16 bit, instance 8 bit.
    Class16Instance8,
    /// 4: a path.
    Path,
}

impl BodyFormat {
    /// From the low four bits of a byte; `None` for 5 to F, which are reserved.
    pub const fn from_low_bits(byte: u8) -> Option<BodyFormat> {
        Some(match byte & 0x0F {
            0 => BodyFormat::Class8Instance8,
            1 => BodyFormat::Class8Instance16,
            2 => BodyFormat::Class16Instance16,
            3 => BodyFormat::Class16Instance8,
            4 => BodyFormat::Path,
            _ => return None,
        })
    }
}

impl fmt::Display for BodyFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            BodyFormat::Class8Instance8 => "8/8",
            BodyFormat::Class8Instance16 => "8/16",
            BodyFormat::Class16Instance16 => "16/16",
            BodyFormat::Class16Instance8 => "16/8",
            BodyFormat::Path => "path",
        })
    }
}

/// What a request is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Target {
    /// The class.
    pub class: Class,
    /// The instance; 0 is the class itself.
    pub instance: u16,
    /// The attribute, where one is named.
    pub attribute: Option<u16>,
}

/// A whole explicit message after its header.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ExplicitBody<'a> {
    /// Asks an object for a service.
    Request {
        /// What is asked for.
        service: Service,
        /// Of what; nothing on the unconnected port of Group 3.
        target: Option<Target>,
        /// The service's own data.
        data: &'a [u8],
    },
    /// Grants a request.
    Response {
        /// What was asked for.
        service: Service,
        /// The answer.
        data: &'a [u8],
    },
    /// Refuses a request.
    Error {
        /// Why.
        status: GeneralStatus,
        /// More about it; `None` where the device gives none (FF, or left out).
        additional: Option<u8>,
    },
}

/// An explicit message that ends before it has said what it must.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("cut short: no {0}")]
pub struct CutShort(pub &'static str);

impl<'a> ExplicitBody<'a> {
    /// Reads a message from its service byte on. `format` says how a request names its object,
    /// `None` that it names none.
    ///
    /// # Errors
    /// If a part that the message must have is not there.
    pub fn parse(body: &'a [u8], format: Option<BodyFormat>) -> Result<ExplicitBody<'a>, CutShort> {
        let (&first, rest) = body.split_first().ok_or(CutShort("service"))?;
        let service = Service::from_low_bits(first);
        if service == Service::ERROR {
            let (&status, rest) = rest.split_first().ok_or(CutShort("status"))?;
            let additional = rest.first().copied().filter(|&code| code != 0xFF);
            return Ok(ExplicitBody::Error { status: GeneralStatus(status), additional });
        }
        if first & 0x80 != 0 {
            return Ok(ExplicitBody::Response { service, data: rest });
        }
        let Some(format) = format else {
            return Ok(ExplicitBody::Request { service, target: None, data: rest });
        };
        let (mut target, mut data) = Target::parse(rest, format)?;
        if matches!(service, Service::GET_SINGLE | Service::SET_SINGLE)
            && target.attribute.is_none()
        {
            let (&attribute, rest) = data.split_first().ok_or(CutShort("attribute"))?;
            target.attribute = Some(u16::from(attribute));
            data = rest;
        }
        Ok(ExplicitBody::Request { service, target: Some(target), data })
    }

    /// Whether this answers a request.
    pub fn is_response(&self) -> bool {
        !matches!(self, ExplicitBody::Request { .. })
    }
}

impl Target {
    fn parse(bytes: &[u8], format: BodyFormat) -> Result<(Target, &[u8]), CutShort> {
        let (class, instance, rest) = match format {
            BodyFormat::Class8Instance8 => {
                let (class, rest) = byte(bytes, "class")?;
                let (instance, rest) = byte(rest, "instance")?;
                (class, instance, rest)
            }
            BodyFormat::Class8Instance16 => {
                let (class, rest) = byte(bytes, "class")?;
                let (instance, rest) = word(rest, "instance")?;
                (class, instance, rest)
            }
            BodyFormat::Class16Instance16 => {
                let (class, rest) = word(bytes, "class")?;
                let (instance, rest) = word(rest, "instance")?;
                (class, instance, rest)
            }
            BodyFormat::Class16Instance8 => {
                let (class, rest) = word(bytes, "class")?;
                let (instance, rest) = byte(rest, "instance")?;
                (class, instance, rest)
            }
            BodyFormat::Path => {
                let (words, rest) = byte(bytes, "path size")?;
                let (path, rest) =
                    rest.split_at_checked(2 * usize::from(words)).ok_or(CutShort("path"))?;
                return Ok((Target::from_path(path, true).ok_or(CutShort("class"))?, rest));
            }
        };
        Ok((Target { class: Class(class), instance, attribute: None }, rest))
    }

    /// Reads a path of logical segments (class, instance, attribute; 8 or 16 bit). `padded`
    /// says whether a 16-bit value is aligned with a pad byte. `None` where the path names no
    /// class; segments of other kinds end the reading. From memory.
    pub fn from_path(mut path: &[u8], padded: bool) -> Option<Target> {
        let (mut class, mut instance, mut attribute) = (None, 0, None);
        while let Some((&segment, rest)) = path.split_first() {
            let (value, rest) = match segment & 0b11 {
                0 => byte(rest, "").ok()?,
                1 => word(if padded { rest.get(1..)? } else { rest }, "").ok()?,
                _ => break,
            };
            match segment & !0b11 {
                0x20 => class = Some(Class(value)),
                0x24 => instance = value,
                0x30 => attribute = Some(value),
                _ => break,
            }
            path = rest;
        }
        Some(Target { class: class?, instance, attribute })
    }
}

fn byte<'a>(bytes: &'a [u8], what: &'static str) -> Result<(u16, &'a [u8]), CutShort> {
    let (&value, rest) = bytes.split_first().ok_or(CutShort(what))?;
    Ok((u16::from(value), rest))
}

fn word<'a>(bytes: &'a [u8], what: &'static str) -> Result<(u16, &'a [u8]), CutShort> {
    let (&value, rest) = bytes.split_first_chunk().ok_or(CutShort(what))?;
    Ok((u16::from_le_bytes(value), rest))
}

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
    use proptest::prelude::*;

    fn target(class: u16, instance: u16, attribute: Option<u16>) -> Option<Target> {
        Some(Target { class: Class(class), instance, attribute })
    }

    fn parse(body: &[u8], format: BodyFormat) -> ExplicitBody<'_> {
        ExplicitBody::parse(body, Some(format)).unwrap()
    }

    /// Bytes as in published device manuals: identity read, granted and refused, and the
    /// expected packet rate set.
    #[test]
    fn messages_of_published_exchanges() {
        use BodyFormat::Class8Instance8 as Format;
        assert_eq!(ExplicitHeader::from_byte(0x01).other_end.get(), 1);
        assert_eq!(
            parse(&[0x0E, 1, 1, 1], Format),
            ExplicitBody::Request {
                service: Service::GET_SINGLE,
                target: target(1, 1, Some(1)),
                data: &[]
            }
        );
        assert_eq!(
            parse(&[0x8E, 0x36, 0], Format),
            ExplicitBody::Response { service: Service::GET_SINGLE, data: &[0x36, 0] }
        );
        assert_eq!(
            parse(&[0x94, 0x08, 0xFF], Format),
            ExplicitBody::Error { status: GeneralStatus(8), additional: None }
        );
        assert_eq!(
            parse(&[0x10, 5, 4, 9, 0x0A, 0x0E], Format),
            ExplicitBody::Request {
                service: Service::SET_SINGLE,
                target: target(5, 4, Some(9)),
                data: &[0x0A, 0x0E]
            }
        );
    }

    /// Calculated from the body formats of IEC 62026-3; format 4 from memory.
    #[test]
    fn every_body_format_names_the_same_attribute() {
        let bodies: [(u8, &[u8]); 5] = [
            (0, &[0x0E, 0x64, 0x07, 3]),
            (1, &[0x0E, 0x64, 0x07, 0, 3]),
            (2, &[0x0E, 0x64, 0, 0x07, 0, 3]),
            (3, &[0x0E, 0x64, 0, 0x07, 3]),
            (4, &[0x0E, 3, 0x20, 0x64, 0x24, 0x07, 0x30, 3]),
        ];
        for (format, body) in bodies {
            let format = BodyFormat::from_low_bits(format).unwrap();
            let expected = ExplicitBody::Request {
                service: Service::GET_SINGLE,
                target: target(0x64, 7, Some(3)),
                data: &[],
            };
            assert_eq!(parse(body, format), expected, "{format}");
        }
        assert_eq!(BodyFormat::from_low_bits(5), None);
    }

    #[test]
    fn what_is_cut_short_says_where() {
        let error = |body: &[u8], format| {
            ExplicitBody::parse(body, BodyFormat::from_low_bits(format)).unwrap_err().0
        };
        assert_eq!(error(&[], 0), "service");
        assert_eq!(error(&[0x0E], 0), "class");
        assert_eq!(error(&[0x0E, 1, 1], 0), "attribute");
        assert_eq!(error(&[0x0E, 1, 1], 1), "instance");
        assert_eq!(error(&[0x0E, 3, 0x20, 1], 4), "path");
        assert_eq!(error(&[0x94], 0), "status");
    }

    /// From memory: an assembly named by a packed path, as a connection's path attributes are.
    #[test]
    fn a_path_names_an_assembly() {
        let named = Target::from_path(&[0x20, 4, 0x24, 0x15, 0x30, 3], false);
        assert_eq!(named, target(4, 0x15, Some(3)));
        let wide = Target::from_path(&[0x21, 0, 0x64, 1, 0x25, 0, 0x02, 1], true);
        assert_eq!(wide, target(0x164, 0x102, None));
        assert_eq!(Target::from_path(&[], false), None);
    }

    proptest! {
        #[test]
        fn headers_go_round(byte: u8) {
            prop_assert_eq!(ExplicitHeader::from_byte(byte).byte(), byte);
        }

        #[test]
        fn any_body_is_read_or_refused(body: Vec<u8>, format in 0u8..6) {
            if let Ok(ExplicitBody::Request { data, .. } | ExplicitBody::Response { data, .. }) =
                ExplicitBody::parse(&body, BodyFormat::from_low_bits(format))
            {
                prop_assert!(body.ends_with(data));
            }
        }
    }
}

#[cfg(test)]
mod service_tests {
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

#[cfg(test)]
mod status_tests {
    use super::*;

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
