//! What comes of a frame when a bit of it is disturbed: who notices, where, and how long the
//! error flags take.
//!
//! Source: ISO 11898-1, error detection and error frames. A flag is six bits; a node that
//! learns of an error by another one's flag answers with its own, so that together they take
//! up to twelve.

use super::pattern::{Pattern, Place};

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
    pub(super) place: Place,
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
    let mut flags_end = bit + 1 + FLAG;
    if others_active {
        flags_end = flags_end.max(heard + 1 + FLAG);
    }
    Some(Damage {
        heard,
        violation,
        place: place(pattern, heard, violation),
        flags_end,
        sender_yielded: yielded,
    })
}

/// One node noticed an error with this bit and sends its flag; the others learn by it.
pub(super) fn flagged(pattern: &Pattern, bit: usize, others_active: bool) -> Option<Damage> {
    let bus = |i: usize| i > bit + FLAG;
    let (heard, violation) = receive(pattern, bit + 1, bus)?;
    let mut flags_end = bit + 1 + FLAG;
    if others_active {
        flags_end = flags_end.max(heard + 1 + FLAG);
    }
    Some(Damage {
        heard,
        violation,
        place: place(pattern, heard, violation),
        flags_end,
        sender_yielded: false,
    })
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

fn place(pattern: &Pattern, heard: usize, violation: Violation) -> Place {
    match violation {
        Violation::Crc => Place::CrcSequence,
        _ => pattern.place(heard),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Frame, StandardId};

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
        let first = pattern.bits.iter().position(|b| b.place == Place::Data).unwrap();
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
        let first = pattern.bits.iter().position(|b| b.place == Place::Data).unwrap();
        let noticed = misread(&pattern, first + 4);
        assert_eq!(noticed, pattern.ack_slot() + 1);
        let damage = flagged(&pattern, noticed, true).unwrap();
        assert_eq!((damage.violation, damage.place), (Violation::Form, Place::EndOfFrame));
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
