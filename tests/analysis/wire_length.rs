//! The table-driven frame length against a plain routine that goes bit by bit, and against
//! the published bound.

use std::collections::BTreeMap;

use crate::common::plain_bits::stuffed_bit_by_bit;
use dropline::BitTime;
use dropline::internal::wire::{crc15, stuff_bits};
use dropline::record::{ExtendedId, Frame, Id, StandardId};
use proptest::prelude::*;

fn check(frame: &Frame) {
    let (crc, stuffed, plain) = stuffed_bit_by_bit(frame);
    assert_eq!(crc15(frame), crc, "{frame:?}");
    assert_eq!(stuff_bits(frame), BitTime((stuffed.len() - plain) as u64), "{frame:?}");
    // CRC delimiter, ACK slot, ACK delimiter, end of frame, interframe space
    let tail = 1 + 1 + 1 + 7 + 3;
    assert_eq!(frame.wire_bits(), BitTime((stuffed.len() + tail) as u64), "{frame:?}");
}

fn standard(id: u16, data: &[u8]) -> Frame {
    Frame::data(StandardId::new(id).unwrap(), data).unwrap()
}

/// Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis:
/// refuted, revisited and revised", Real-Time Systems 35 (2007): the longest frame of s bytes
/// with its interframe space.
fn longest(frame: &Frame) -> u64 {
    let base = match frame.id() {
        Id::Standard(_) => 55,
        Id::Extended(_) => 80,
    };
    base + 10 * frame.bytes().len() as u64
}

fn any_frame() -> impl Strategy<Value = Frame> {
    // Runs of equal bits need stuffing, so bytes that hold them come often.
    let byte = prop_oneof![any::<u8>(), prop::sample::select(vec![0x00, 0xFF, 0x1F, 0xE1, 0xF0])];
    let id = prop_oneof![
        (0u16..0x800).prop_map(|raw| Id::Standard(StandardId::new(raw).unwrap())),
        (0u32..0x2000_0000).prop_map(|raw| Id::Extended(ExtendedId::new(raw).unwrap())),
    ];
    let payload = prop_oneof![
        4 => prop::collection::vec(byte, 0..=8).prop_map(Ok),
        1 => (0u8..=8).prop_map(Err),
    ];
    (id, payload).prop_map(|(id, payload)| match payload {
        Ok(data) => Frame::data(id, &data).unwrap(),
        Err(code) => Frame::remote(id, code).unwrap(),
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(6_000))]
    #[test]
    fn table_and_bits_agree(frame in any_frame()) {
        check(&frame);
        prop_assert!(frame.wire_bits().0 <= longest(&frame));
    }
}

/// Two published sequences of stuffed bits, start of frame to CRC: ISO 16845-1 test 8.1.6 for
/// the input 758; both calculated from the rule of ISO 11898-1.
#[test]
fn stuffed_sequences() {
    for (id, expected) in [
        (0x758, "011101011000001000001010011010101101"),
        (0x3C3, "001111000011000001001011110111000001"),
    ] {
        let (_, stuffed, _) = stuffed_bit_by_bit(&standard(id, &[]));
        let text: String = stuffed.iter().map(|&bit| if bit { '1' } else { '0' }).collect();
        assert_eq!(text, expected, "{id:03X}");
        check(&standard(id, &[]));
    }
}

/// Of all 524,288 data frames of one byte the longest is 3 bits under the bound: identifier
/// and data could reach it, their CRC does not. That the count itself reaches the bound is
/// shown beside it, on bits that are no frame.
#[test]
fn the_longest_frame_of_one_byte() {
    let mut most = BitTime(0);
    for id in 0..0x800 {
        for byte in 0..=255 {
            most = most.max(standard(id, &[byte]).wire_bits());
        }
    }
    assert_eq!(most, BitTime(62));
}

/// The most stuff bits that any CRC could give, with the control bits as they must be for
/// this many data bytes: for all but one byte they forbid the bound by a bit or two.
fn most_stuff_bits(bytes: usize) -> u64 {
    let mut bits: Vec<Option<bool>> = vec![Some(false)];
    bits.extend([None; 11]);
    bits.extend([Some(false); 3]);
    bits.extend((0..4).rev().map(|i| Some(bytes >> i & 1 == 1)));
    bits.extend(vec![None; 8 * bytes + 15]);
    // the most stuff bits, by the last bit and the length of its run
    let mut most = BTreeMap::from([((true, 1), 0)]);
    for bit in bits {
        let mut next = BTreeMap::new();
        for (&(last, run), &count) in &most {
            for value in [false, true].into_iter().filter(|value| bit.is_none_or(|b| b == *value)) {
                let (state, count) = match (value == last, run) {
                    (true, 4) => ((!value, 1), count + 1),
                    (true, _) => ((value, run + 1), count),
                    (false, _) => ((value, 1), count),
                };
                let best = next.entry(state).or_insert(count);
                *best = count.max(*best);
            }
        }
        most = next;
    }
    most.into_values().max().unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]
    #[test]
    fn never_more_than_the_control_bits_allow(id in 0u16..0x800, data in prop::collection::vec(prop::sample::select(vec![0x00u8, 0x0F, 0x1E, 0x3C, 0x78, 0x87, 0xC3, 0xE1, 0xF0, 0xFF]), 0..=8)) {
        let frame = standard(id, &data);
        prop_assert!(stuff_bits(&frame).0 <= most_stuff_bits(data.len()));
    }
}

#[test]
fn the_control_bits_forbid_the_bound_but_for_one_byte() {
    let bound = |bytes: u64| (34 + 8 * bytes - 1) / 4;
    let gap: Vec<u64> = (0..=8).map(|s| bound(s) - most_stuff_bits(s as usize)).collect();
    assert_eq!(gap, [1, 0, 2, 1, 1, 2, 2, 1, 1]);
}
