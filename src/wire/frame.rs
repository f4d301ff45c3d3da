//! One classical CAN frame, data or remote, as it was received.

use embedded_can::{ExtendedId, Id, StandardId};

use super::{BitTime, wire_bits};

/// The zero to eight data bytes of a frame.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Data {
    len: u8,
    /// Zeros after those that the frame carries.
    bytes: [u8; 8],
}

impl Data {
    /// The most bytes that a classical frame carries.
    pub const MAX: usize = 8;

    /// `None` for more than [`Data::MAX`] bytes.
    pub fn new(bytes: &[u8]) -> Option<Data> {
        let mut data = Data::default();
        data.bytes.get_mut(..bytes.len())?.copy_from_slice(bytes);
        data.len = bytes.len() as u8;
        Some(data)
    }

    /// The first `len` of these; `None` for more than [`Data::MAX`], or if the others are not 0.
    pub(super) fn padded(bytes: [u8; Data::MAX], len: usize) -> Option<Data> {
        let rest = u64::from_le_bytes(bytes).checked_shr(8 * len as u32).unwrap_or(0);
        (len <= Self::MAX && rest == 0).then_some(Data { len: len as u8, bytes })
    }

    /// The bytes that the frame carries and zeros after them.
    #[inline]
    pub(super) fn zero_filled(&self) -> [u8; Data::MAX] {
        self.bytes
    }

    /// The bytes that the frame carries.
    pub fn as_slice(&self) -> &[u8] {
        &self.bytes[..usize::from(self.len.min(8))]
    }
}

impl std::ops::Deref for Data {
    type Target = [u8];
    fn deref(&self) -> &[u8] {
        self.as_slice()
    }
}

impl std::fmt::Debug for Data {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:02X?}", self.as_slice())
    }
}

/// The length code of a remote frame, 0 to 8: how much data it asks for. It carries none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct RemoteLength(u8);

impl RemoteLength {
    /// `None` for more than 8.
    pub fn new(code: u8) -> Option<RemoteLength> {
        (code <= 8).then_some(RemoteLength(code))
    }

    /// The code.
    pub fn get(self) -> u8 {
        self.0
    }
}

/// What a frame carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Payload {
    /// A data frame.
    Data(Data),
    /// A remote frame.
    Remote(RemoteLength),
}

/// One good frame.
///
/// It is copied from stage to stage. A processor that reads as a whole what it has just written in
/// pieces waits until all of them are in memory, several times as long as a frame takes here. So
/// a frame is two words, made in registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[repr(C, align(8))]
pub struct Frame {
    /// Those of [`Data`].
    bytes: [u8; Data::MAX],
    /// The identifier, with [`Frame::EXTENDED`] above one of 29 bits.
    id: u32,
    /// How much data it carries or, if it is a remote frame, asks for.
    code: u8,
    remote: bool,
    /// Counted once, by whoever makes the frame: on the thread that reads, not where all else has
    /// to be done. Never more than [`super::MAX_WIRE_BITS`].
    wire_bits: u8,
}

impl Frame {
    const EXTENDED: u32 = 1 << 31;

    /// From its identifier and what it carries.
    #[inline]
    pub fn new(id: Id, payload: Payload) -> Frame {
        let wire_bits = wire_bits(id, &payload).0 as u8;
        let id = match id {
            Id::Standard(id) => u32::from(id.as_raw()),
            Id::Extended(id) => id.as_raw() | Frame::EXTENDED,
        };
        match payload {
            Payload::Data(Data { len, bytes }) => {
                Frame { bytes, id, code: len, remote: false, wire_bits }
            }
            Payload::Remote(RemoteLength(code)) => {
                Frame { bytes: [0; Data::MAX], id, code, remote: true, wire_bits }
            }
        }
    }

    /// A data frame; `None` for more than eight bytes.
    pub fn data(id: impl Into<Id>, bytes: &[u8]) -> Option<Frame> {
        Some(Frame::new(id.into(), Payload::Data(Data::new(bytes)?)))
    }

    /// A remote frame; `None` for a length code over 8.
    pub fn remote(id: impl Into<Id>, code: u8) -> Option<Frame> {
        Some(Frame::new(id.into(), Payload::Remote(RemoteLength::new(code)?)))
    }

    /// The 11- or 29-bit identifier.
    #[inline]
    pub fn id(&self) -> Id {
        // Neither can be out of range, with what is cut off.
        if self.id & Frame::EXTENDED != 0 {
            let id = ExtendedId::new(self.id & ExtendedId::MAX.as_raw());
            Id::Extended(id.unwrap_or(ExtendedId::MAX))
        } else {
            let id = StandardId::new(self.id as u16 & StandardId::MAX.as_raw());
            Id::Standard(id.unwrap_or(StandardId::MAX))
        }
    }

    /// Its data, or that it is a remote frame.
    pub fn payload(&self) -> Payload {
        if self.remote {
            Payload::Remote(RemoteLength(self.code))
        } else {
            Payload::Data(Data { len: self.code, bytes: self.bytes })
        }
    }

    /// Its length on the wire: start of frame through the 3 bits of interframe space, with the
    /// stuff bits that this very payload and its CRC cause.
    pub fn wire_bits(&self) -> BitTime {
        BitTime(u64::from(self.wire_bits))
    }

    /// The data bytes, none for a remote frame.
    #[inline]
    pub fn bytes(&self) -> &[u8] {
        if self.remote { &[] } else { &self.bytes[..usize::from(self.code.min(8))] }
    }

    /// Whether this is a remote frame.
    pub fn is_remote(&self) -> bool {
        self.remote
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_frame_with_nine_bytes_does_not_construct() {
        let id = StandardId::new(0x45D).unwrap();
        assert!(Frame::data(id, &[0; 9]).is_none());
        assert!(Frame::remote(id, 9).is_none());
        assert_eq!(Frame::data(id, &[1, 2]).unwrap().bytes(), [1, 2]);
        assert!(Frame::remote(id, 8).unwrap().bytes().is_empty());
    }
}
