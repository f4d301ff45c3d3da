//! Exact bits on the wire of a classical CAN frame, stuff bits included.
//!
//! Source of the layout: ISO 11898-1. From start of frame to the end of the CRC sequence a
//! complement bit follows every five equal bits and itself starts the next run. CRC delimiter,
//! ACK slot, ACK delimiter, end of frame and interframe space are never stuffed.

use crc::{CRC_15_CAN, Crc, Table};
use embedded_can::Id;

use super::{BitTime, Data, Frame, Payload};

/// The longest classical frame with its interframe space: 29-bit identifier, eight bytes,
/// every stuff bit that could be needed (Davis et al. 2007).
pub const MAX_WIRE_BITS: BitTime = BitTime(160);

/// CRC delimiter, ACK slot, ACK delimiter, 7 bits end of frame, 3 bits interframe space.
const TAIL_BITS: u64 = 1 + 1 + 1 + 7 + 3;

/// Sixteen bytes in one step.
static CRC: Crc<u16, Table<16>> = Crc::<u16, Table<16>>::new(&CRC_15_CAN);

/// The bits of a frame that are stuffed, right-aligned, ahead of the CRC sequence.
struct Stuffed {
    bits: u128,
    count: u32,
}

impl Stuffed {
    fn of(frame: &Frame) -> Stuffed {
        let (remote, code, data) = match frame.payload {
            Payload::Data(data) => (0, data.len() as u32, data),
            Payload::Remote(code) => (1, u32::from(code.get()), Data::default()),
        };
        let (head, count) = match frame.id {
            // start, 11 identifier, RTR, IDE and reserved bit both dominant, 4 length code
            Id::Standard(id) => (u64::from(id.as_raw()) << 7 | remote << 6 | u64::from(code), 19),
            // start, 11 identifier, SRR and IDE both recessive, 18 identifier, RTR, 2 reserved
            // bits, 4 length code
            Id::Extended(id) => {
                let (high, low) = (u64::from(id.as_raw() >> 18), u64::from(id.as_raw() & 0x3FFFF));
                (high << 27 | 0b11 << 25 | low << 7 | remote << 6 | u64::from(code), 39)
            }
        };
        Stuffed {
            bits: u128::from(head) << data.bits() | u128::from(data.number()),
            count: count + data.bits(),
        }
    }

    /// The register starts at zero and the start bit is dominant, so any leading zeros give the
    /// same CRC as the bits themselves.
    fn crc(&self) -> u16 {
        CRC.checksum(&self.bits.to_be_bytes())
    }
}

/// The CRC sequence of a frame (CRC-15/CAN: polynomial 4599, initial value 0).
pub fn crc15(frame: &Frame) -> u16 {
    Stuffed::of(frame).crc()
}

/// The stuff bits that this very frame causes.
pub fn stuff_bits(frame: &Frame) -> BitTime {
    let stuffed = Stuffed::of(frame);
    stuff_count(&stuffed)
}

/// The length of a frame on the wire: start of frame through the 3 bits of interframe space,
/// with the stuff bits that this very payload and its CRC cause.
pub fn wire_bits(frame: &Frame) -> BitTime {
    let stuffed = Stuffed::of(frame);
    BitTime(u64::from(stuffed.count) + 15 + TAIL_BITS) + stuff_count(&stuffed)
}

fn stuff_count(stuffed: &Stuffed) -> BitTime {
    count_stuff(stuffed.bits << 15 | u128::from(stuffed.crc()), stuffed.count + 15)
}

/// The stuff bits that so many bits need, right-aligned, after an idle bus.
fn count_stuff(bits: u128, count: u32) -> BitTime {
    // Alternating bits in front, the last one recessive: they need no stuff bit and the dominant
    // start of frame begins a run of its own, as after an idle bus.
    let bits = bits | ALTERNATING << count;
    let (mut step, mut sum) = (u64::from(ONE_RECESSIVE) << RUN, 0);
    let [_, bytes @ ..] = bits.to_be_bytes();
    for byte in bytes {
        step = STEPS[usize::from(byte)] >> (step % 64);
        sum += step & STUFF_BITS;
    }
    BitTime(sum >> STUFF)
}

const ALTERNATING: u128 = u128::MAX / 3;

/// The run of equal bits so far is one of eight: the last bit in bit 2, the run's length less
/// one in bits 1–0.
const RUNS: u64 = 8;
const ONE_RECESSIVE: u8 = 0b100;

/// For each byte what it does to every run, a byte for each, from the low one up: in bits 3–5 the
/// run that it leaves, which so is also how far its next step is to be shifted; above it how many
/// stuff bits it needs, two at most. A shift is several times as fast as a table of two sides,
/// where each step has to wait for memory.
static STEPS: [u64; 256] = steps();

const RUN: u32 = 3;
const STUFF: u32 = 6;
const STUFF_BITS: u64 = 0b11 << STUFF;

const fn steps() -> [u64; 256] {
    let mut table = [0; 256];
    let mut byte = 0;
    while byte < 256 {
        let mut run = 0;
        while run < RUNS {
            let (next, stuff) = step(run as u8, byte as u8);
            table[byte] |= (next << RUN | stuff << STUFF) << (8 * run);
            run += 1;
        }
        byte += 1;
    }
    table
}

const fn step(run: u8, byte: u8) -> (u64, u64) {
    let (mut last, mut length, mut stuff) = (run >> 2, (run & 3) + 1, 0);
    let mut bit = 8;
    while bit > 0 {
        bit -= 1;
        let value = byte >> bit & 1;
        if value == last {
            length += 1;
        } else {
            last = value;
            length = 1;
        }
        if length == 5 {
            stuff += 1;
            last = 1 - value;
            length = 1;
        }
    }
    ((last << 2 | (length - 1)) as u64, stuff)
}

#[cfg(test)]
mod tests {
    use super::*;
    use embedded_can::StandardId;

    fn frame(id: u16, data: &[u8]) -> Frame {
        Frame::data(StandardId::new(id).unwrap(), data).unwrap()
    }

    /// Inputs marked i: ISO 16845-1, test 8.1.6. CRC, stuff bits and lengths: calculated from
    /// the rule in ISO 11898-1 by two independent routines.
    #[test]
    fn lengths_of_known_frames() {
        let remote = Frame::remote(StandardId::new(0x7EF).unwrap(), 2).unwrap();
        let e1 = [0x01, 0xE1, 0xE1, 0xE1, 0xE1, 0xE1, 0xE1, 0xE1];
        let vectors = [
            (frame(0x078, &e1), 0x28A3, 19, 130),   // i
            (frame(0x41F, &[0]), 0x0C46, 5, 60),    // i
            (frame(0x47F, &[0x1F]), 0x66D7, 3, 58), // i
            (frame(0x758, &[]), 0x26AD, 2, 49),     // i
            (frame(0x777, &[0x1F]), 0x3C31, 2, 57), // i
            (remote, 0x63BE, 4, 51),                // i
            (frame(0x000, &[]), 0x0000, 6, 53),
            (frame(0x000, &[0; 8]), 0x145B, 16, 127),
            (frame(0x3C3, &[]), 0x5EE0, 2, 49),
            (frame(0x42C, &[1, 0x0E, 1, 1, 1]), 0x1191, 5, 92),
        ];
        for (frame, crc, stuff, length) in vectors {
            assert_eq!(crc15(&frame), crc, "{frame:?}");
            assert_eq!(stuff_bits(&frame), BitTime(stuff), "{frame:?}");
            assert_eq!(wire_bits(&frame), BitTime(length), "{frame:?}");
        }
    }

    /// CRC catalogue: CRC-15/CAN, check value over "123456789".
    #[test]
    fn the_crc_is_that_of_the_catalogue() {
        assert_eq!(CRC.checksum(b"123456789"), 0x059E);
    }

    /// Davis, Burns, Bril, Lukkien, Real-Time Systems 35 (2007): n stuffed bits need at most
    /// (n - 1) / 4 stuff bits, which makes the longest frame of s bytes 55 + 10 s (11-bit) and
    /// 80 + 10 s (29-bit). Five equal bits, then four and four, reach it.
    #[test]
    fn the_published_bound_is_reached() {
        for (base, longest) in [(34, 55), (54, 80)] {
            for bytes in 0..=8 {
                let count = base + 8 * bytes;
                let bits =
                    (1..count).fold(0u128, |bits, i| bits << 1 | u128::from((i - 1) / 4 % 2));
                let stuff = count_stuff(bits, count);
                assert_eq!(stuff, BitTime(u64::from((count - 1) / 4)));
                assert_eq!(u64::from(count) + stuff.0 + TAIL_BITS, longest + 10 * u64::from(bytes));
            }
        }
        assert_eq!(MAX_WIRE_BITS, BitTime(80 + 10 * 8));
    }

    /// Means over fair random bits, calculated from the rule by an exact recursion: 1.0244,
    /// 1.2911, 2.0911 and 3.1578 for the bits of 0, 1, 4 and 8 data bytes. The start of frame
    /// is dominant; the mean does not depend on which value the first bit has.
    #[test]
    fn mean_stuff_bits() {
        let mut state = 0x9E37_79B9_7F4A_7C15_u64;
        let mut random = || {
            // xorshift64*: any fair generator does, this one is short and has a seed
            state ^= state >> 12;
            state ^= state << 25;
            state ^= state >> 27;
            u128::from(state.wrapping_mul(0x2545_F491_4F6C_DD1D))
        };
        for (bytes, expected) in [(0, 1.0244), (1, 1.2911), (4, 2.0911), (8, 3.1578)] {
            let count = 34 + 8 * bytes;
            let runs = 100_000;
            let total: u64 = (0..runs)
                .map(|_| {
                    count_stuff((random() << 64 | random()) & ((1 << (count - 1)) - 1), count).0
                })
                .sum();
            let mean = total as f64 / f64::from(runs);
            assert!((mean - expected).abs() < 0.02, "{bytes} bytes: {mean} for {expected}");
        }
    }
}
