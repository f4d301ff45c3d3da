//! The very bits of a frame, one by one, each with the field that it belongs to: needed to say
//! what a disturbed bit does and where a controller notices it.
//!
//! Written bit by bit from ISO 11898-1, apart from [`crate::wire::wire_bits`], which it checks.
//!
//! What comes of a frame when a bit of it is disturbed: who notices, where, and how long the
//! error flags take.
//!
//! Source: ISO 11898-1, error detection and error frames. A flag is six bits; a node that
//! learns of an error by another one's flag answers with its own, so that together they take
//! up to twelve.

use crate::wire::{Frame, Id, Payload, crc15};

/// The field that a bit belongs to, as linux/can/error.h numbers the place of a violation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub(super) enum FrameField {
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

impl FrameField {
    /// Whether a sender that reads dominant for recessive here has lost arbitration.
    pub(super) fn is_arbitration(self) -> bool {
        use FrameField::*;
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
    pub(super) place: FrameField,
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
            (true, FrameField::CrcDelimiter, 1),
            (false, FrameField::AckSlot, 1),
            (true, FrameField::AckDelimiter, 1),
            (true, FrameField::EndOfFrame, 7),
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
    pub(super) fn place(&self, index: usize) -> FrameField {
        self.bits.get(index).map_or(FrameField::EndOfFrame, |bit| bit.place)
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
    let mut push = |value: u64, count: u32, place: FrameField| {
        for shift in (0..count).rev() {
            bits.push(Bit { recessive: value >> shift & 1 == 1, place });
        }
    };
    let remote = u64::from(frame.is_remote());
    push(0, 1, FrameField::StartOfFrame);
    match frame.id() {
        Id::Standard(id) => {
            let id = u64::from(id.as_raw());
            push(id >> 3, 8, FrameField::Id28To21);
            push(id, 3, FrameField::Id20To18);
            push(remote, 1, FrameField::Rtr);
            push(0, 1, FrameField::Ide);
            push(0, 1, FrameField::Reserved0);
        }
        Id::Extended(id) => {
            let id = u64::from(id.as_raw());
            push(id >> 21, 8, FrameField::Id28To21);
            push(id >> 18, 3, FrameField::Id20To18);
            push(1, 1, FrameField::SubstituteRtr);
            push(1, 1, FrameField::Ide);
            push(id >> 13, 5, FrameField::Id17To13);
            push(id >> 5, 8, FrameField::Id12To5);
            push(id, 5, FrameField::Id4To0);
            push(remote, 1, FrameField::Rtr);
            push(0, 1, FrameField::Reserved1);
            push(0, 1, FrameField::Reserved0);
        }
    }
    let code = match frame.payload() {
        Payload::Data(data) => data.len() as u64,
        Payload::Remote(code) => u64::from(code.get()),
    };
    push(code, 4, FrameField::LengthCode);
    for &byte in frame.bytes() {
        push(u64::from(byte), 8, FrameField::Data);
    }
    push(u64::from(crc15(frame)), 15, FrameField::CrcSequence);
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

/// The kind of violation that a listener sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Violation {
    /// Six equal bits.
    Stuff,
    /// A bit of fixed value had the other one.
    Form,
    /// The CRC sequence does not match.
    Crc,
}

/// A destroyed frame, as the trunk hears it. Bits are counted from the start of frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Damage {
    /// The bit with which the listening adapter notices.
    pub(super) heard: usize,
    pub(super) violation: Violation,
    pub(super) place: FrameField,
    /// The first bit after the last flag.
    pub(super) flags_end: usize,
    /// The sender lost arbitration against the disturbance, so it counts as a receiver.
    pub(super) sender_yielded: bool,
}

/// Bits of an error flag.
const FLAG: usize = 6;

/// Everybody reads this bit inverted. `None`: nobody but the sender can tell.
pub(super) fn struck(
    pattern: &Pattern,
    bit: usize,
    sender_active: bool,
    others_active: bool,
) -> Option<Damage> {
    let level = !pattern.bits[bit].recessive;
    let yielded = !level && pattern.place(bit).is_arbitration();
    let flags = sender_active && !yielded;
    let bus = |i: usize| match i {
        _ if i == bit => level,
        _ => !(flags && i <= bit + FLAG),
    };
    let in_stuffed = bit < pattern.stuffed;
    let (heard, violation) = match receive(pattern, bit, bus) {
        Some(found) => found,
        // Silence after the bit: the sequence of the CRC cannot match.
        None if in_stuffed => (pattern.ack_slot() + 1, Violation::Crc),
        None => return None,
    };
    Some(damage(pattern, bit, others_active, (heard, violation), yielded))
}

/// One node noticed an error with this bit and sends its flag; the others learn by it.
pub(super) fn flagged(pattern: &Pattern, bit: usize, others_active: bool) -> Option<Damage> {
    let bus = |i: usize| i > bit + FLAG;
    let (heard, violation) = receive(pattern, bit + 1, bus)?;
    Some(damage(pattern, bit, others_active, (heard, violation), false))
}

/// The first flag begins after `bit`, those of the others after the bit at which they hear of it.
fn damage(
    pattern: &Pattern,
    bit: usize,
    others_active: bool,
    (heard, violation): (usize, Violation),
    sender_yielded: bool,
) -> Damage {
    let first_flag = bit + 1 + FLAG;
    let flags_end = if others_active { first_flag.max(heard + 1 + FLAG) } else { first_flag };
    Damage { heard, violation, place: place(pattern, heard, violation), flags_end, sender_yielded }
}

/// One receiver alone reads this bit inverted: the bit with which it notices.
pub(super) fn misread(pattern: &Pattern, bit: usize) -> usize {
    let bus = |i: usize| {
        let level = pattern.bits.get(i).is_none_or(|b| b.recessive);
        if i == bit { !level } else { level }
    };
    match receive(pattern, bit, bus) {
        Some((noticed, _)) => noticed,
        // By the CRC, which is told after the ACK delimiter.
        None => pattern.ack_slot() + 1,
    }
}

/// Follows a receiver from a bit on, everything before being as sent.
fn receive(
    pattern: &Pattern,
    from: usize,
    bus: impl Fn(usize) -> bool,
) -> Option<(usize, Violation)> {
    let (mut level, mut run) = pattern.run_before(from.min(pattern.stuffed));
    for i in from..pattern.bits.len() {
        let recessive = bus(i);
        if i < pattern.stuffed {
            run = if recessive == level { run + 1 } else { 1 };
            level = recessive;
            if run == 6 {
                return Some((i, Violation::Stuff));
            }
        } else if i != pattern.ack_slot() && !recessive {
            return Some((i, Violation::Form));
        }
    }
    None
}

fn place(pattern: &Pattern, heard: usize, violation: Violation) -> FrameField {
    match violation {
        Violation::Crc => FrameField::CrcSequence,
        _ => pattern.place(heard),
    }
}

#[cfg(test)]
mod tests {
    use super::super::random::Chance;
    use super::*;
    use crate::wire::{ExtendedId, Frame, StandardId};

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
                    || Bit { recessive: chance.below(2) == 1, place: FrameField::StartOfFrame };
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

    fn pattern(id: u16, data: &[u8]) -> Pattern {
        Pattern::of(&Frame::data(StandardId::new(id).unwrap(), data).unwrap())
    }

    /// ISO 11898-1: the flags of an error that all see at once overlap to six bits; of one that
    /// others learn by the flag they take up to twelve.
    #[test]
    fn flags_take_six_to_twelve_bits() {
        let pattern = pattern(0x2A5, &[0xAA, 0x12, 0xFF, 0x00]);
        for bit in 1..pattern.bits.len() - 1 {
            let damage = struck(&pattern, bit, true, true).unwrap();
            let flags = damage.flags_end - (bit + 1);
            assert!(damage.heard >= bit && damage.heard <= bit + 13, "{bit}: {damage:?}");
            if !damage.sender_yielded {
                assert!((6..=12).contains(&flags), "{bit}: {damage:?}");
            }
            if bit + 1 < pattern.bits.len() {
                let damage = flagged(&pattern, bit, true).unwrap();
                let flags = damage.flags_end - (bit + 1);
                assert!((7..=12).contains(&flags), "{bit}: {damage:?}");
            }
        }
    }

    /// The sender's flag follows a dominant run of 1: five more dominant bits violate.
    #[test]
    fn a_data_bit_struck_is_heard_as_a_stuff_error() {
        let pattern = pattern(0x2A5, &[0xFF]);
        let first = pattern.bits.iter().position(|b| b.place == FrameField::Data).unwrap();
        let damage = struck(&pattern, first + 2, true, true).unwrap();
        assert_eq!(damage.violation, Violation::Stuff);
        assert_eq!(damage.heard, first + 2 + 5);
        assert_eq!(damage.flags_end, damage.heard + 7);
    }

    #[test]
    fn delimiters_and_end_of_frame_are_form_errors() {
        let pattern = pattern(0x2A5, &[0x31]);
        for bit in [pattern.stuffed, pattern.ack_slot() + 1, pattern.ack_slot() + 4] {
            let damage = struck(&pattern, bit, true, true).unwrap();
            assert_eq!((damage.heard, damage.violation), (bit, Violation::Form));
            assert_eq!(damage.flags_end, bit + 7);
        }
    }

    /// ISO 11898-1: a receiver tells a CRC error after the ACK delimiter, so its flag strikes
    /// the end of frame for all others.
    #[test]
    fn a_crc_error_of_one_node_is_a_form_error_for_the_others() {
        let pattern = pattern(0x2A5, &[0x55, 0x55]);
        let first = pattern.bits.iter().position(|b| b.place == FrameField::Data).unwrap();
        let noticed = misread(&pattern, first + 4);
        assert_eq!(noticed, pattern.ack_slot() + 1);
        let damage = flagged(&pattern, noticed, true).unwrap();
        assert_eq!((damage.violation, damage.place), (Violation::Form, FrameField::EndOfFrame));
    }

    /// A sender that reads dominant for recessive in its identifier gives way; then nobody
    /// sends, and six recessive bits violate.
    #[test]
    fn noise_in_the_identifier_wins_arbitration() {
        let pattern = pattern(0x2A5, &[0x31]);
        let bit = (1..12).find(|&i| pattern.bits[i].recessive).unwrap();
        let damage = struck(&pattern, bit, true, true).unwrap();
        assert!(damage.sender_yielded);
        assert_eq!((damage.heard, damage.violation), (bit + 6, Violation::Stuff));
    }
}
