//! One message of a raw CAN socket (`struct can_frame`, linux/can.h) to what it tells.

use embedded_can::{ExtendedId, Id, StandardId};
use nix::libc::{CAN_EFF_FLAG, CAN_EFF_MASK, CAN_ERR_FLAG, CAN_MTU, CAN_RTR_FLAG, CAN_SFF_MASK};

use crate::wire::{Data, ErrorFrame, Frame, Payload, RemoteLength, What};

/// The size of a classical frame's message: identifier, length, three more bytes, data.
pub(super) const SIZE: usize = CAN_MTU;

/// `None` for a message that is no classical frame; the kernel hands out no such message on a
/// socket that did not ask for longer frames.
pub(super) fn decode(message: &[u8]) -> Option<What> {
    let (id, rest) = message.split_first_chunk::<4>()?;
    let (&[length, ..], data) = rest.split_first_chunk::<4>()?;
    let data: [u8; 8] = data.try_into().ok()?;
    let id = u32::from_ne_bytes(*id);
    if id & CAN_ERR_FLAG != 0 {
        // The flag's own bit is the only one above the class bits that may be set.
        return ErrorFrame::new(id & ErrorFrame::CLASS_MASK, data).map(What::Error);
    }
    let payload = if id & CAN_RTR_FLAG != 0 {
        Payload::Remote(RemoteLength::new(length)?)
    } else {
        Payload::Data(Data::new(data.get(..usize::from(length))?)?)
    };
    let id = if id & CAN_EFF_FLAG != 0 {
        Id::Extended(ExtendedId::new(id & CAN_EFF_MASK)?)
    } else {
        Id::Standard(StandardId::new(u16::try_from(id & CAN_SFF_MASK).ok()?)?)
    };
    Some(What::Frame(Frame::new(id, payload)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn message(id: u32, length: u8, data: [u8; 8]) -> Vec<u8> {
        let mut bytes = id.to_ne_bytes().to_vec();
        bytes.extend([length, 0, 0, 0]);
        bytes.extend(data);
        bytes
    }

    const BYTES: [u8; 8] = [1, 2, 3, 4, 5, 6, 7, 8];

    #[test]
    fn every_kind_of_frame() {
        let standard = StandardId::new(0x45D).unwrap();
        let extended = ExtendedId::new(0x18FF_10AA).unwrap();
        let frame = |frame: Option<Frame>| Some(What::Frame(frame.unwrap()));
        assert_eq!(decode(&message(0x45D, 4, BYTES)), frame(Frame::data(standard, &BYTES[..4])));
        assert_eq!(
            decode(&message(0x98FF_10AA, 0, BYTES)),
            frame(Frame::data(extended, &[])),
            "what lies past the length is not data"
        );
        assert_eq!(decode(&message(0x4000_045D, 4, [0; 8])), frame(Frame::remote(standard, 4)));
        assert_eq!(decode(&message(0xD8FF_10AA, 8, [0; 8])), frame(Frame::remote(extended, 8)));
        assert_eq!(
            decode(&message(0x2000_0088, 8, BYTES)),
            Some(What::Error(ErrorFrame::new(0x88, BYTES).unwrap()))
        );
    }

    #[test]
    fn what_is_no_classical_frame_is_none() {
        assert_eq!(decode(&[]), None);
        assert_eq!(decode(&[0; 15]), None);
        assert_eq!(decode(&[0; 72]), None);
        assert_eq!(decode(&message(0x45D, 9, BYTES)), None);
        assert_eq!(decode(&message(0x4000_045D, 9, BYTES)), None);
        assert_eq!(decode(&message(0x45D, 8, BYTES)[..SIZE - 1]), None);
    }
}
