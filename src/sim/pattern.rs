//! The very bits of a frame, one by one, each with the field that it belongs to: needed to say
//! what a disturbed bit does and where a controller notices it.
//!
//! Written bit by bit from ISO 11898-1, apart from [`crate::wire::wire_bits`], which it checks.

use crate::wire::{Frame, Id, Payload, crc15};

/// The field that a bit belongs to, as linux/can/error.h numbers the place of a violation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub(super) enum Place {
    StartOfFrame = 0x03,
    Id28To21 = 0x02,
    Id20To18 = 0x06,
    SubstituteRtr = 0x04,
    Ide = 0x05,
    Id17To13 = 0x07,
    Id12To5 = 0x0F,
    Id4To0 = 0x0E,
    Rtr = 0x0C,
    Reserved1 = 0x0D,
    Reserved0 = 0x09,
    LengthCode = 0x0B,
    Data = 0x0A,
    CrcSequence = 0x08,
    CrcDelimiter = 0x18,
    AckSlot = 0x19,
    AckDelimiter = 0x1B,
    EndOfFrame = 0x1A,
}

impl Place {
    /// Whether a sender that reads dominant for recessive here has lost arbitration.
    pub(super) fn is_arbitration(self) -> bool {
        use Place::*;
        matches!(
            self,
            Id28To21 | Id20To18 | SubstituteRtr | Ide | Id17To13 | Id12To5 | Id4To0 | Rtr
        )
    }
}

/// One bit on the wire; `true` is recessive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Bit {
    pub(super) recessive: bool,
    pub(super) place: Place,
}

/// The bits from start of frame to the end of end of frame, acknowledged by somebody.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Pattern {
    pub(super) bits: Vec<Bit>,
    /// How many of them, from the first, are subject to stuffing.
    pub(super) stuffed: usize,
}

impl Pattern {
    pub(super) fn of(frame: &Frame) -> Pattern {
        let mut bits = stuff(plain(frame));
        let stuffed = bits.len();
        let tail = [
            (true, Place::CrcDelimiter, 1),
            (false, Place::AckSlot, 1),
            (true, Place::AckDelimiter, 1),
            (true, Place::EndOfFrame, 7),
        ];
        for (recessive, place, count) in tail {
            bits.extend(std::iter::repeat_n(Bit { recessive, place }, count));
        }
        Pattern { bits, stuffed }
    }

    /// Where the ACK slot is.
    pub(super) fn ack_slot(&self) -> usize {
        self.stuffed + 1
    }

    /// The place of a bit; past the end it is the end of frame.
    pub(super) fn place(&self, index: usize) -> Place {
        self.bits.get(index).map_or(Place::EndOfFrame, |bit| bit.place)
    }

    /// How many equal bits end just before `index`.
    pub(super) fn run_before(&self, index: usize) -> (bool, usize) {
        let level = index.checked_sub(1).is_none_or(|last| self.bits[last].recessive);
        let run = self.bits[..index].iter().rev().take_while(|b| b.recessive == level).count();
        (level, run)
    }
}

/// Puts in a complement after every five equal bits, stuff bits included.
pub(super) fn stuff(plain: Vec<Bit>) -> Vec<Bit> {
    let mut bits: Vec<Bit> = Vec::with_capacity(160);
    for bit in plain {
        bits.push(bit);
        let run = bits.iter().rev().take_while(|b| b.recessive == bit.recessive).count();
        if run == 5 {
            bits.push(Bit { recessive: !bit.recessive, place: bit.place });
        }
    }
    bits
}

/// Start of frame to CRC sequence, before stuffing.
fn plain(frame: &Frame) -> Vec<Bit> {
    let mut bits = Vec::with_capacity(128);
    let mut push = |value: u64, count: u32, place: Place| {
        for shift in (0..count).rev() {
            bits.push(Bit { recessive: value >> shift & 1 == 1, place });
        }
    };
    let remote = u64::from(frame.is_remote());
    push(0, 1, Place::StartOfFrame);
    match frame.id() {
        Id::Standard(id) => {
            let id = u64::from(id.as_raw());
            push(id >> 3, 8, Place::Id28To21);
            push(id, 3, Place::Id20To18);
            push(remote, 1, Place::Rtr);
            push(0, 1, Place::Ide);
            push(0, 1, Place::Reserved0);
        }
        Id::Extended(id) => {
            let id = u64::from(id.as_raw());
            push(id >> 21, 8, Place::Id28To21);
            push(id >> 18, 3, Place::Id20To18);
            push(1, 1, Place::SubstituteRtr);
            push(1, 1, Place::Ide);
            push(id >> 13, 5, Place::Id17To13);
            push(id >> 5, 8, Place::Id12To5);
            push(id, 5, Place::Id4To0);
            push(remote, 1, Place::Rtr);
            push(0, 1, Place::Reserved1);
            push(0, 1, Place::Reserved0);
        }
    }
    let code = match frame.payload() {
        Payload::Data(data) => data.len() as u64,
        Payload::Remote(code) => u64::from(code.get()),
    };
    push(code, 4, Place::LengthCode);
    for &byte in frame.bytes() {
        push(u64::from(byte), 8, Place::Data);
    }
    push(u64::from(crc15(frame)), 15, Place::CrcSequence);
    bits
}

/// What is compared in arbitration, bit by bit from the highest: the lower number wins.
pub(super) fn arbitration_key(frame: &Frame) -> u32 {
    let remote = u32::from(frame.is_remote());
    match frame.id() {
        Id::Standard(id) => u32::from(id.as_raw()) << 21 | remote << 20,
        Id::Extended(id) => {
            let id = id.as_raw();
            (id >> 18) << 21 | 0b11 << 19 | (id & 0x3FFFF) << 1 | remote
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::random::Chance;
    use super::*;
    use crate::wire::{ExtendedId, StandardId};

    fn standard(id: u16, data: &[u8]) -> Frame {
        Frame::data(StandardId::new(id).unwrap(), data).unwrap()
    }

    /// Inputs of ISO 16845-1, test 8.1.6 (758) and a frame with a stuff bit after its last CRC
    /// bit (3C3); the bit strings were calculated from ISO 11898-1 by two independent routines.
    #[test]
    fn known_bit_strings() {
        let vectors = [
            (0x758, "011101011000001000001010011010101101"),
            (0x3C3, "001111000011000001001011110111000001"),
        ];
        for (id, expected) in vectors {
            let pattern = Pattern::of(&standard(id, &[]));
            let text: String = pattern.bits[..pattern.stuffed]
                .iter()
                .map(|b| if b.recessive { '1' } else { '0' })
                .collect();
            assert_eq!(text, expected);
        }
    }

    /// The pattern with its 3 bits of interframe space is as long as the table-driven length.
    #[test]
    fn agrees_with_the_exact_length() {
        let mut chance = Chance::new(11, 0);
        for _ in 0..2000 {
            let mut bytes = [0; 8];
            chance.fill(&mut bytes);
            let data = &bytes[..chance.below(9) as usize];
            let id = chance.below(1 << 29) as u32;
            let frames = [
                standard((id & 0x7FF) as u16, data),
                Frame::data(ExtendedId::new(id).unwrap(), data).unwrap(),
                Frame::remote(StandardId::new((id & 0x7FF) as u16).unwrap(), 3).unwrap(),
            ];
            for frame in frames {
                assert_eq!(Pattern::of(&frame).bits.len() as u64 + 3, frame.wire_bits().0);
            }
        }
    }

    /// Mean stuff bits over fair random bits, 34 + 8s of them: calculated from the rule in
    /// ISO 11898-1 by two independent routines.
    #[test]
    fn mean_stuff_bits() {
        let mut chance = Chance::new(42, 0);
        for (bytes, expected) in [(0, 1.0244), (1, 1.2911), (4, 2.0911), (8, 3.1578)] {
            let (length, frames) = (34 + 8 * bytes, 20_000);
            let mut count = 0;
            for _ in 0..frames {
                let mut bit =
                    || Bit { recessive: chance.below(2) == 1, place: Place::StartOfFrame };
                count += stuff((0..length).map(|_| bit()).collect()).len() - length;
            }
            let mean = count as f64 / f64::from(frames);
            // Four standard errors and more.
            assert!((mean - expected).abs() < 0.05, "{bytes} bytes: {mean}");
        }
    }

    /// ISO 11898-1: a data frame wins over the remote frame of the same identifier, and an
    /// 11-bit identifier over a 29-bit one that begins with it.
    #[test]
    fn arbitration_goes_by_the_bits() {
        let short = standard(0x123, &[]);
        let remote = Frame::remote(StandardId::new(0x123).unwrap(), 0).unwrap();
        let long = Frame::data(ExtendedId::new(0x123 << 18).unwrap(), &[]).unwrap();
        let next = standard(0x124, &[]);
        let keys = [short, remote, long, next].map(|frame| arbitration_key(&frame));
        assert!(keys.is_sorted_by(|a, b| a < b), "{keys:X?}");
    }
}
