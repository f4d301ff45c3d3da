//! One classical CAN frame, data or remote, as it was received, and its exact length on the wire.
//!
//! Source of the layout: ISO 11898-1. From start of frame to the end of the CRC sequence a
//! complement bit follows every five equal bits and itself starts the next run. CRC delimiter,
//! ACK slot, ACK delimiter, end of frame and interframe space are never stuffed.

use crc::{CRC_15_CAN, Crc};
use embedded_can::{ExtendedId, Id, StandardId};

use super::BitTime;

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
/// Frames are copied from stage to stage. A processor that loads as a whole what was just stored in
/// pieces stalls, for several times as long as a frame takes here. So a frame is two words, made in
/// registers.
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
    /// Counted once, when the frame is made: on the thread that reads, not on the busier one that
    /// analyses. Never more than [`super::MAX_WIRE_BITS`].
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
        // Masked, so neither can be out of range.
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

/// The longest classical frame with its interframe space: 29-bit identifier, eight bytes,
/// every stuff bit that could be needed (Davis et al. 2007).
pub const MAX_WIRE_BITS: BitTime = BitTime(160);

/// CRC delimiter, ACK slot, ACK delimiter, 7 bits end of frame, 3 bits interframe space.
const TAIL_BITS: u64 = 1 + 1 + 1 + 7 + 3;

/// The CRC sequence of a frame (CRC-15/CAN: polynomial 4599, initial value 0).
pub fn crc15(frame: &Frame) -> u16 {
    let (remote, code, bytes) = parts(&frame.payload());
    BitWalk::over(frame.id(), remote, code, &bytes).crc
}

/// The stuff bits that this very frame causes.
pub fn stuff_bits(frame: &Frame) -> BitTime {
    let (remote, code, bytes) = parts(&frame.payload());
    BitWalk::over(frame.id(), remote, code, &bytes).stuff_bits()
}

/// Counts the length of a frame on the wire. [`Frame::wire_bits`] has it already.
#[inline]
pub fn wire_bits(id: Id, payload: &Payload) -> BitTime {
    let (remote, code, bytes) = parts(payload);
    length(id, remote, code, bytes)
}

/// Its arguments fit into registers, so that a frame need not go through memory while it is made.
#[inline(never)]
fn length(id: Id, remote: bool, code: u8, bytes: [u8; Data::MAX]) -> BitTime {
    let walk = BitWalk::over(id, remote, code, &bytes);
    BitTime(walk.bits + CRC_BITS + TAIL_BITS) + walk.stuff_bits()
}

/// Whether it is a remote frame, its length code, and its data with zeros after them.
#[inline]
fn parts(payload: &Payload) -> (bool, u8, [u8; Data::MAX]) {
    match payload {
        Payload::Data(data) => (false, data.len() as u8, data.bytes),
        Payload::Remote(code) => (true, code.get(), [0; Data::MAX]),
    }
}

const CRC_BITS: u64 = 15;

/// A frame from its start to the end of its data, gone through byte by byte: in front as many
/// alternating bits as fill the first byte, the last one recessive. They need no stuff bit, and
/// the dominant start of frame begins a run of its own, as after an idle bus.
#[derive(Default)]
struct BitWalk {
    /// The frame's own bits.
    bits: u64,
    crc: u16,
    /// What the last byte did ([`STEPS`]); at first, as if a dominant bit had come.
    step: u64,
    /// Stuff bits so far, from bit [`STUFF`] up.
    stuff: u64,
}

impl BitWalk {
    #[inline(always)]
    fn over(id: Id, remote: bool, code: u8, bytes: &[u8; Data::MAX]) -> BitWalk {
        let len = if remote { 0 } else { code };
        let (remote, code) = (u32::from(remote), u32::from(code));
        let mut walk = BitWalk { bits: 8 * u64::from(len), ..BitWalk::default() };
        match id {
            // start, 11 identifier, RTR, IDE and reserved bit both dominant, 4 length code
            Id::Standard(id) => {
                let head = u32::from(id.as_raw()) << 7 | remote << 6 | code;
                let [_, head @ ..] = head.to_be_bytes();
                walk.bytes(head, 0b1010_1000, bytes, len);
                walk.bits += 19;
            }
            // start, 11 identifier, SRR and IDE both recessive, 18 identifier, RTR, 2 reserved
            // bits, 4 length code
            Id::Extended(id) => {
                let (high, low) = (u64::from(id.as_raw() >> 18), u64::from(id.as_raw() & 0x3FFFF));
                let head = high << 27 | 0b11 << 25 | low << 7 | u64::from(remote << 6 | code);
                let [_, _, _, head @ ..] = head.to_be_bytes();
                walk.bytes(head, 0b1000_0000, bytes, len);
                walk.bits += 39;
            }
        }
        walk
    }

    /// A length known beforehand takes half the instructions.
    #[inline(always)]
    fn bytes<const HEAD: usize>(
        &mut self,
        head: [u8; HEAD],
        front: u8,
        bytes: &[u8; Data::MAX],
        len: u8,
    ) {
        match len {
            0 => self.exactly::<HEAD, 0>(head, front, bytes),
            1 => self.exactly::<HEAD, 1>(head, front, bytes),
            2 => self.exactly::<HEAD, 2>(head, front, bytes),
            3 => self.exactly::<HEAD, 3>(head, front, bytes),
            4 => self.exactly::<HEAD, 4>(head, front, bytes),
            5 => self.exactly::<HEAD, 5>(head, front, bytes),
            6 => self.exactly::<HEAD, 6>(head, front, bytes),
            7 => self.exactly::<HEAD, 7>(head, front, bytes),
            _ => self.exactly::<HEAD, 8>(head, front, bytes),
        }
    }

    #[inline(always)]
    fn exactly<const HEAD: usize, const DATA: usize>(
        &mut self,
        head: [u8; HEAD],
        front: u8,
        data: &[u8; Data::MAX],
    ) {
        for (at, byte) in head.into_iter().enumerate() {
            self.step(if at == 0 { byte | front } else { byte });
            self.crc ^= AFTER[DATA + HEAD - 1 - at][usize::from(byte)];
        }
        for (at, &byte) in data[..DATA].iter().enumerate() {
            self.step(byte);
            self.crc ^= AFTER[DATA - 1 - at][usize::from(byte)];
        }
    }

    #[inline(always)]
    fn step(&mut self, byte: u8) {
        self.step = STEPS[usize::from(byte)] >> (self.step % 64);
        self.stuff += self.step & STUFF_BITS;
    }

    /// With those of the CRC sequence: the bit that fills up its last byte is another one than
    /// the last, so it needs none.
    fn stuff_bits(mut self) -> BitTime {
        for byte in (self.crc << 1 | !self.crc & 1).to_be_bytes() {
            self.step(byte);
        }
        BitTime(self.stuff >> STUFF)
    }
}

const CRC: Crc<u16> = Crc::<u16>::new(&CRC_15_CAN);

/// The most bytes ahead of a CRC sequence, filled up: 39 bits and the data.
const MOST_BYTES: usize = 5 + Data::MAX;

/// What each byte adds to the CRC with so many bytes after it. From a register of zero the CRC of
/// bytes is the sum, bit by bit without carry, of what each of them would give among zeros.
static AFTER: [[u16; 256]; MOST_BYTES] = after();

const fn after() -> [[u16; 256]; MOST_BYTES] {
    let mut tables = [[0; 256]; MOST_BYTES];
    let mut after = 0;
    while after < MOST_BYTES {
        let mut byte = 1;
        while byte < 256 {
            // All but the highest bit has its value already.
            let high = 1 << (byte as u32).ilog2();
            tables[after][byte] = if byte == high {
                let mut among_zeros = [0; MOST_BYTES];
                among_zeros[MOST_BYTES - 1 - after] = byte as u8;
                CRC.checksum(&among_zeros)
            } else {
                tables[after][high] ^ tables[after][byte - high]
            };
            byte += 1;
        }
        after += 1;
    }
    tables
}

/// The run of equal bits so far is one of eight: the last bit in bit 2, the run's length less
/// one in bits 1–0.
const RUNS: u64 = 8;

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
    use super::BitTime;
    use embedded_can::StandardId;

    use super::*;

    #[test]
    fn a_frame_with_nine_bytes_does_not_construct() {
        let id = StandardId::new(0x45D).unwrap();
        assert!(Frame::data(id, &[0; 9]).is_none());
        assert!(Frame::remote(id, 9).is_none());
        assert_eq!(Frame::data(id, &[1, 2]).unwrap().bytes(), [1, 2]);
        assert!(Frame::remote(id, 8).unwrap().bytes().is_empty());
    }

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
            assert_eq!(frame.wire_bits(), BitTime(length), "{frame:?}");
        }
    }

    /// CRC catalogue: CRC-15/CAN, check value over "123456789".
    #[test]
    fn the_crc_is_that_of_the_catalogue() {
        assert_eq!(CRC.checksum(b"123456789"), 0x059E);
    }

    /// The stuff bits that so many bits need, right-aligned, after an idle bus.
    fn count_stuff(bits: u128, count: u32) -> BitTime {
        let mut walk = BitWalk::default();
        // What fills it up in front alternates, as in a frame.
        for byte in (bits | (u128::MAX / 3) << count).to_be_bytes() {
            walk.step(byte);
        }
        BitTime(walk.stuff >> STUFF)
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
