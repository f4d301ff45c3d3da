//! A frame as SocketCAN and link type 227 lay it out: identifier and flags, length, payload.
//!
//! Source: the tcpdump.org registry of link types, LINKTYPE_CAN_SOCKETCAN.

use embedded_can::{ExtendedId, Id, StandardId};

use super::{Data, ErrorFrame, Frame, Payload, RemoteLength, What};

const EXTENDED: u32 = 0x8000_0000;
const REMOTE: u32 = 0x4000_0000;
const ERROR: u32 = 0x2000_0000;
const FLAGS: u32 = EXTENDED | REMOTE | ERROR;

/// The bytes before the payload.
const HEADER: usize = 8;

/// In the length's byte: a CAN XL frame.
const XL: u8 = 0x80;

/// The size of a CAN FD packet where old software did not flag it as one.
const OLD_FD_SIZE: usize = 72;

/// Why a packet is no classical CAN frame that can be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum PacketError {
    /// Shorter than the part before the payload.
    #[error("too short for a CAN frame")]
    TooShort,
    /// A frame of CAN XL.
    #[error("a CAN XL frame; only classical CAN is read")]
    Xl,
    /// A frame of CAN FD.
    #[error("a CAN FD frame; only classical CAN is read")]
    Fd,
    /// An error frame of another length than 8.
    #[error("an error frame without its 8 bytes")]
    ErrorLength,
    /// An error frame with a flag of a data frame.
    #[error("an error frame that also claims to be remote or extended")]
    ErrorFlags,
    /// An error frame with a class that cannot be.
    #[error("an error frame of no known form")]
    ErrorClass,
    /// An identifier too large for its kind.
    #[error("an 11-bit identifier above 7FF")]
    Identifier,
    /// The payload is cut short.
    #[error("the capture holds only the start of the frame")]
    CutShort,
}

/// The packet of one frame or error frame, at most 16 bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Packet {
    bytes: [u8; HEADER + Data::MAX],
    len: usize,
}

impl Packet {
    /// `None` for records that are no frames.
    pub fn new(what: &What) -> Option<Packet> {
        let (id, length, payload): (u32, usize, &[u8]) = match what {
            What::Frame(frame) => {
                let id = match frame.id() {
                    Id::Standard(id) => u32::from(id.as_raw()),
                    Id::Extended(id) => id.as_raw() | EXTENDED,
                };
                match frame.payload() {
                    Payload::Data(data) => (id, data.len(), frame.bytes()),
                    Payload::Remote(code) => (id | REMOTE, usize::from(code.get()), &[]),
                }
            }
            What::Error(error) => (error.class() | ERROR, 8, &error.data()),
            _ => return None,
        };
        let mut packet = Packet { bytes: [0; HEADER + Data::MAX], len: HEADER + payload.len() };
        packet.bytes[..4].copy_from_slice(&id.to_be_bytes());
        packet.bytes[4] = length as u8;
        packet.bytes[HEADER..packet.len].copy_from_slice(payload);
        Some(packet)
    }

    /// The bytes.
    pub fn as_slice(&self) -> &[u8] {
        &self.bytes[..self.len]
    }

    /// Reads a data frame from the first `len` of these bytes, as [`Packet::parse`] would. `None`: it
    /// is something else, or the packet is longer than these bytes.
    #[inline]
    pub fn quick(bytes: &[u8; HEADER + Data::MAX], len: usize) -> Option<Frame> {
        let [i0, i1, i2, i3, length, flags, _, _, data @ ..] = *bytes;
        let (id, length) = (u32::from_be_bytes([i0, i1, i2, i3]), usize::from(length));
        if flags != 0 || len < HEADER + length || len > bytes.len() {
            return None;
        }
        let id = match id & FLAGS {
            0 => Id::Standard(StandardId::new(u16::try_from(id).ok()?)?),
            EXTENDED => Id::Extended(ExtendedId::new(id & !FLAGS)?),
            _ => return None,
        };
        let kept = u64::MAX.checked_shr(64 - 8 * length as u32).unwrap_or(0);
        let data = Data::padded((u64::from_le_bytes(data) & kept).to_le_bytes(), length)?;
        Some(Frame::new(id, Payload::Data(data)))
    }

    /// Reads a packet; bytes behind the payload are padding.
    ///
    /// # Errors
    /// What it is, if not a classical CAN frame.
    pub fn parse(bytes: &[u8]) -> Result<What, PacketError> {
        let Some((header, rest)) = bytes.split_at_checked(HEADER) else {
            return Err(PacketError::TooShort);
        };
        let id = u32::from_be_bytes([header[0], header[1], header[2], header[3]]);
        let length = header[4];
        if length & XL != 0 {
            return Err(PacketError::Xl);
        }
        // Any flag: older software set them without the one that says FD.
        if header[5] != 0 || usize::from(length) > Data::MAX || bytes.len() == OLD_FD_SIZE {
            return Err(PacketError::Fd);
        }
        let number = id & !FLAGS;
        let remote = id & REMOTE != 0;
        if id & ERROR != 0 {
            let data = rest.first_chunk::<8>().filter(|_| length == 8);
            let data = data.ok_or(PacketError::ErrorLength)?;
            if id & FLAGS != ERROR {
                return Err(PacketError::ErrorFlags);
            }
            let error = ErrorFrame::new(number, *data).ok_or(PacketError::ErrorClass)?;
            return Ok(What::Error(error));
        }
        let id = if id & EXTENDED != 0 {
            ExtendedId::new(number).map(Id::Extended)
        } else {
            u16::try_from(number).ok().and_then(StandardId::new).map(Id::Standard)
        };
        let id = id.ok_or(PacketError::Identifier)?;
        let payload = if remote {
            RemoteLength::new(length).map(Payload::Remote)
        } else {
            rest.get(..usize::from(length)).and_then(Data::new).map(Payload::Data)
        };
        let payload = payload.ok_or(PacketError::CutShort)?;
        Ok(What::Frame(Frame::new(id, payload)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hex(text: &str) -> Vec<u8> {
        let mut bytes = vec![0; text.len() / 2];
        const_hex::decode_to_slice(text, &mut bytes).unwrap();
        bytes
    }

    /// The layout as the tcpdump.org registry of link types gives it for LINKTYPE_CAN_SOCKETCAN.
    #[test]
    fn the_layout_both_ways() {
        let id = |raw| StandardId::new(raw).unwrap();
        let far = ExtendedId::new(0x18FF_10AA).unwrap();
        let error = ErrorFrame::new(0x88, [0, 0, 4, 0, 0, 0, 0, 0]).unwrap();
        let frame = |frame: Option<Frame>| What::Frame(frame.unwrap());
        let cases = [
            (
                "00000123080000000102030405060708",
                frame(Frame::data(id(0x123), &[1, 2, 3, 4, 5, 6, 7, 8])),
            ),
            ("98FF10AA00000000", frame(Frame::data(far, &[]))),
            ("4000045D04000000", frame(Frame::remote(id(0x45D), 4))),
            ("D8FF10AA08000000", frame(Frame::remote(far, 8))),
            ("20000088080000000000040000000000", What::Error(error)),
        ];
        for (bytes, what) in cases {
            assert_eq!(Packet::new(&what).unwrap().as_slice(), hex(bytes), "{bytes}");
            assert_eq!(Packet::parse(&hex(bytes)), Ok(what.clone()), "{bytes}");
            // The kernel always hands out 16 bytes.
            let mut padded = hex(bytes);
            padded.resize(16, 0);
            assert_eq!(Packet::parse(&padded), Ok(what), "{bytes}");
        }
        assert!(Packet::new(&What::LinkUp).is_none());
    }

    #[test]
    fn what_is_no_classical_frame_is_named() {
        let cases = [
            ("00000123", "too short for a CAN frame"),
            ("0000012308000000010203", "the capture holds only the start of the frame"),
            ("000001230C000000000000000000000000000000", "a CAN FD frame"),
            ("00000123080400000102030405060708", "a CAN FD frame"),
            ("0000012380000000", "a CAN XL frame"),
            ("0000080000000000", "an 11-bit identifier above 7FF"),
            ("20000088040000000000", "an error frame without its 8 bytes"),
            ("A0000088080000000000040000000000", "an error frame that also claims"),
        ];
        for (bytes, expected) in cases {
            let error = Packet::parse(&hex(bytes)).unwrap_err().to_string();
            assert!(error.starts_with(expected), "{bytes}: {error}");
        }
        let old_fd = [&hex("0000012308000000")[..], &[0; 64]].concat();
        assert!(Packet::parse(&old_fd).unwrap_err() == PacketError::Fd);
    }
}
