//! The bits of a frame, one at a time, straight from the layout of ISO 11898-1.

use dropline::record::{Frame, Id, Payload};

/// The bits from start of frame to the end of the data, as ISO 11898-1 lays them out.
fn head_and_data(frame: &Frame) -> Vec<bool> {
    let mut bits = vec![false];
    let push = |bits: &mut Vec<bool>, value: u32, width: u32| {
        bits.extend((0..width).rev().map(|i| value >> i & 1 == 1));
    };
    let (remote, code) = match frame.payload() {
        Payload::Data(data) => (false, data.len() as u32),
        Payload::Remote(code) => (true, u32::from(code.get())),
    };
    match frame.id() {
        Id::Standard(id) => {
            push(&mut bits, id.as_raw().into(), 11);
            bits.extend([remote, false, false]);
        }
        Id::Extended(id) => {
            push(&mut bits, id.as_raw() >> 18, 11);
            bits.extend([true, true]);
            push(&mut bits, id.as_raw() & 0x3FFFF, 18);
            bits.extend([remote, false, false]);
        }
    }
    push(&mut bits, code, 4);
    for &byte in frame.bytes() {
        push(&mut bits, byte.into(), 8);
    }
    bits
}

/// The CRC register of ISO 11898-1, shifted a bit at a time.
fn crc_bit_by_bit(bits: &[bool]) -> u16 {
    bits.iter().fold(0, |register, &bit| {
        let next = bit ^ (register >> 14 & 1 == 1);
        let shifted = register << 1 & 0x7FFF;
        if next { shifted ^ 0x4599 } else { shifted }
    })
}

/// The stuffed bits from start of frame to the end of the CRC sequence.
pub fn stuffed_bit_by_bit(frame: &Frame) -> (u16, Vec<bool>, usize) {
    let mut bits = head_and_data(frame);
    let crc = crc_bit_by_bit(&bits);
    bits.extend((0..15).rev().map(|i| crc >> i & 1 == 1));
    let plain = bits.len();
    let mut out: Vec<bool> = Vec::new();
    let mut run = 0;
    for bit in bits {
        run = if out.last() == Some(&bit) { run + 1 } else { 1 };
        out.push(bit);
        if run == 5 {
            out.push(!bit);
            run = 1;
        }
    }
    (crc, out, plain)
}

/// Start of frame through interframe space.
pub fn wire_bits_bit_by_bit(frame: &Frame) -> u64 {
    stuffed_bit_by_bit(frame).1.len() as u64 + 13
}
