//! Explicit messages: requests, responses and error responses; the body formats of requests.
//!
//! Source: IEC 62026-3, explicit messaging and its body formats.

use super::MacId;
use super::explicit_codes::{Class, GeneralStatus, Service};
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

    /// Expected packet rate set: converter manual I-7242D, p. 83. An error with its additional code,
    /// FF where there is none: scanner installation instructions 1771-IN014B, p. 34, and instruction
    /// manual FR-A8ND, p. 100. Identity read: IEC 62026-3, no page was found.
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
