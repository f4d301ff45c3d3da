//! The messages that simulated devices send, and what each is for: the truth is counted from
//! that, not from reading the frames again.

use crate::fieldbus::{AddressCheck, Identifier, MacId};
use crate::wire::{Frame, StandardId};

use super::scenario::ConnectionKind;

/// What a frame is for, as its sender knows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Purpose {
    /// A duplicate address check, request or response.
    Check(AddressCheck),
    /// I/O from the master; `node` is `None` for a strobe to all.
    Command { kind: ConnectionKind, node: Option<MacId>, exchange: u64, part: Part },
    /// I/O from a node that answers that exchange, or none.
    Response { kind: ConnectionKind, node: MacId, answers: Option<u64>, part: Part },
    /// The master's acknowledge of a change of state or cyclic message.
    ChangeAcknowledge { node: MacId },
    /// An explicit message of the master to a node.
    Request { node: MacId },
    /// An explicit message of a node.
    Reply { node: MacId },
    /// A heartbeat of a node.
    Heartbeat { node: MacId },
    /// A frame that belongs to nobody.
    Stray,
}

/// Which part of a message a frame carries, and how long the whole message is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Part {
    pub(super) first: bool,
    pub(super) last: bool,
    pub(super) bytes: usize,
}

/// Bytes of an I/O message that fit a frame whole.
const WHOLE: usize = 8;
/// Bytes that a fragment carries after its fragment byte.
const FRAGMENT: usize = 7;

/// An I/O message as the data of one frame or several (IEC 62026-3: fragment byte with type in
/// bits 7–6, first 0, middle 1, last 2, and count in bits 5–0).
pub(super) fn io_frames(bytes: &[u8]) -> Vec<(Vec<u8>, Part)> {
    let total = bytes.len();
    if total <= WHOLE {
        return vec![(bytes.to_vec(), Part { first: true, last: true, bytes: total })];
    }
    let count = total.div_ceil(FRAGMENT);
    bytes
        .chunks(FRAGMENT)
        .enumerate()
        .map(|(i, chunk)| {
            let (first, last) = (i == 0, i + 1 == count);
            let kind = if first {
                0x00
            } else if last {
                0x80
            } else {
                0x40
            };
            let mut data = vec![kind | (i as u8 & 0x3F)];
            data.extend_from_slice(chunk);
            (data, Part { first, last, bytes: total })
        })
        .collect()
}

/// Puts I/O messages together again.
#[derive(Debug, Default)]
pub(super) struct IoAssembler(Vec<u8>);

impl IoAssembler {
    /// Takes a frame's data; gives the message when it is whole. `fragmented`: whether the
    /// connection's size says so.
    pub(super) fn take(&mut self, data: &[u8], fragmented: bool) -> Option<Vec<u8>> {
        if !fragmented {
            return Some(data.to_vec());
        }
        let (head, rest) = data.split_first()?;
        if head >> 6 == 0 {
            self.0.clear();
        }
        self.0.extend_from_slice(rest);
        (head >> 6 == 2).then(|| std::mem::take(&mut self.0))
    }
}

/// Whether I/O of this size is fragmented.
pub(super) fn is_fragmented(bytes: usize) -> bool {
    bytes > WHOLE
}

/// A Group 1 frame from a node.
pub(super) fn group1(message: u8, source: MacId, data: &[u8]) -> Frame {
    standard(Identifier::Group1 { message, source }.id(), data)
}

/// A Group 2 frame to or from a node.
pub(super) fn group2(message: u8, node: MacId, data: &[u8]) -> Frame {
    standard(Identifier::Group2 { message, node }.id(), data)
}

/// An address check.
pub(super) fn check_frame(check: &AddressCheck) -> Frame {
    group2(7, check.mac_id, &check.bytes())
}

/// A frame with an 11-bit identifier; more than eight bytes are cut.
pub(super) fn standard(id: StandardId, data: &[u8]) -> Frame {
    let data = &data[..data.len().min(8)];
    match Frame::data(id, data) {
        Some(frame) => frame,
        None => unreachable!("eight bytes fit"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The fragmented poll of ten bytes, as in published device manuals.
    #[test]
    fn ten_bytes_are_two_fragments() {
        let bytes = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10];
        let frames = io_frames(&bytes);
        assert_eq!(frames[0].0, [0x00, 1, 2, 3, 4, 5, 6, 7]);
        assert_eq!(frames[1].0, [0x81, 8, 9, 10]);
        let mut assembler = IoAssembler::default();
        assert_eq!(assembler.take(&frames[0].0, true), None);
        assert_eq!(assembler.take(&frames[1].0, true).as_deref(), Some(&bytes[..]));
    }

    #[test]
    fn long_messages_go_round() {
        for len in [0, 8, 9, 14, 15, 448] {
            let bytes: Vec<u8> = (0..len).map(|i| i as u8).collect();
            let mut assembler = IoAssembler::default();
            let frames = io_frames(&bytes);
            let (last, others) = frames.split_last().unwrap();
            for (data, _) in others {
                assert_eq!(assembler.take(data, is_fragmented(len)), None);
            }
            assert_eq!(assembler.take(&last.0, is_fragmented(len)), Some(bytes));
        }
    }
}
