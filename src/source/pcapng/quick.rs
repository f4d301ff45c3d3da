//! Most blocks of most files: a data frame without options, with its time in nanoseconds.
//!
//! Reading that form alone is several times as fast as reading any block. It reads a block as
//! the parser does or leaves it to that.

use pcap_file::Endianness;
use pcap_file::pcapng::PcapNgParser;
use pcap_file::pcapng::blocks::block_common::ENHANCED_PACKET_BLOCK;
use pcap_file::pcapng::blocks::interface_description::InterfaceTsResolution;

use super::blocks::number;
use crate::wire::{Frame, Packet};

/// A data frame in a packet without options.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Plain {
    /// Which interface it came from.
    pub interface: u32,
    /// Nanoseconds since 1970.
    pub time: u64,
    /// The frame, on an interface on CAN.
    pub frame: Frame,
    /// How many bytes its block takes.
    pub length: usize,
}

/// What must be known of a section to read its packets.
#[derive(Debug, Default)]
pub struct Quick {
    order: Option<Endianness>,
    /// For each interface, whether its times are in nanoseconds since 1970.
    nanoseconds: Vec<bool>,
}

/// Of an enhanced packet block: type, length, interface, time high and low, captured and
/// original length.
const BEFORE_DATA: usize = 28;

/// The length once more.
const AFTER_DATA: usize = 4;

/// Room for any data frame of classical CAN with its header.
const DATA: usize = 16;

impl Quick {
    /// As the section stands now.
    pub fn of(parser: &PcapNgParser) -> Quick {
        let nanoseconds = parser.interfaces().iter().map(|interface| {
            interface.ts_resolution() == InterfaceTsResolution::NANO && interface.ts_offset() == 0
        });
        Quick { order: Some(parser.section().endianness), nanoseconds: nanoseconds.collect() }
    }

    /// The frame in the block at the front of these bytes. `None`: it is not of this form, or too
    /// near the end of what has been read; that says nothing against it.
    #[inline]
    pub fn packet(&self, bytes: &[u8]) -> Option<Plain> {
        let order = self.order?;
        let (words, data) = bytes.split_first_chunk::<BEFORE_DATA>()?;
        let (words, []) = words.as_chunks::<4>() else { return None };
        let word = |at: usize| number(order, words[at]);
        let (length, interface) = (word(1) as usize, word(2));
        let (captured, original) = (word(5) as usize, word(6) as usize);
        if word(0) != ENHANCED_PACKET_BLOCK
            || !*self.nanoseconds.get(interface as usize)?
            || original < captured
            || captured > DATA
            || length != BEFORE_DATA + captured.next_multiple_of(4) + AFTER_DATA
            || bytes.get(length - AFTER_DATA..length)? != words[1]
        {
            return None;
        }
        let frame = Packet::quick(data.first_chunk::<DATA>()?, captured)?;
        let time = u64::from(word(3)) << 32 | u64::from(word(4));
        Some(Plain { interface, time, frame, length })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use pcap_file::pcapng::Block;
    use proptest::prelude::*;

    use crate::wire::What;

    fn block(big: bool, kind: u32, body: &[u8]) -> Vec<u8> {
        let u32 = |n: u32| if big { n.to_be_bytes() } else { n.to_le_bytes() };
        let length = u32(body.len() as u32 + 12);
        [&u32(kind)[..], &length, body, &length].concat()
    }

    /// A section with an interface in nanoseconds, one in microseconds, one whose time is shifted.
    fn parser(big: bool) -> PcapNgParser {
        let u16 = |n: u16| if big { n.to_be_bytes() } else { n.to_le_bytes() };
        let u32 = |n: u32| if big { n.to_be_bytes() } else { n.to_le_bytes() };
        let mut section = u32(0x1A2B_3C4D).to_vec();
        section.extend([u16(1), u16(0)].concat());
        section.extend([0xFF; 8]);
        let section = block(big, 0x0A0D_0D0A, &section);
        let (_, mut parser) = PcapNgParser::new(&section).unwrap();
        let resolution = [&u16(9)[..], &u16(1), &[9, 0, 0, 0]].concat();
        let offset = [&u16(14)[..], &u16(8), &[1; 8]].concat();
        for options in [resolution.clone(), Vec::new(), [resolution, offset].concat()] {
            let body = [&u16(227)[..], &u16(0), &u32(0), &options].concat();
            parser.next_block(&block(big, 1, &body)).unwrap();
        }
        parser
    }

    /// Whether it is read; then as the parser reads it. Other bytes follow it.
    fn same(big: bool, bytes: &[u8]) -> bool {
        let mut parser = parser(big);
        let more = [bytes, &[0xA5; DATA]].concat();
        let Some(plain) = Quick::of(&parser).packet(&more) else { return false };
        let Ok((rest, Block::EnhancedPacket(packet))) = parser.next_block(&more) else {
            panic!("the parser reads no packet in {bytes:02X?}")
        };
        assert_eq!(packet.options, []);
        assert_eq!(plain.interface, packet.interface_id);
        assert_eq!(u128::from(plain.time), packet.timestamp.as_nanos());
        assert_eq!(Packet::parse(&packet.data), Ok(What::Frame(plain.frame)));
        assert_eq!(plain.length, more.len() - rest.len());
        true
    }

    /// A packet of a frame with so many data bytes, and more behind them.
    fn frame(len: u8, padding: usize) -> Vec<u8> {
        let mut packet = vec![0x80, 1, 2, 3, len, 0, 7, 7];
        packet.extend((1..=len).chain(std::iter::repeat_n(9, padding)));
        packet
    }

    fn packet(big: bool, interface: u32, time: u64, data: &[u8], options: &[u8]) -> Vec<u8> {
        let u32 = |n: u32| if big { n.to_be_bytes() } else { n.to_le_bytes() };
        let words = [interface, (time >> 32) as u32, time as u32, data.len() as u32, 99];
        let mut body = words.map(u32).concat();
        body.extend(data);
        body.resize(body.len().next_multiple_of(4), 0);
        body.extend(options);
        block(big, 6, &body)
    }

    #[test]
    fn only_plain_packets_in_nanoseconds_are_read() {
        for big in [false, true] {
            assert!(same(big, &packet(big, 0, u64::MAX, &frame(8, 0), &[])));
            for len in 0..=8 {
                assert!(same(big, &packet(big, 0, 5, &frame(len, 0), &[])), "{len}");
                assert!(same(big, &packet(big, 0, 5, &frame(len, 8 - usize::from(len)), &[])));
            }
            let whole = frame(8, 0);
            assert!(!same(big, &packet(big, 1, 5, &whole, &[])), "microseconds");
            assert!(!same(big, &packet(big, 2, 5, &whole, &[])), "shifted");
            assert!(!same(big, &packet(big, 3, 5, &whole, &[])), "no such interface");
            assert!(!same(big, &packet(big, 0, 5, &whole, &[0; 4])), "options");
            assert!(!same(big, &packet(big, 0, 5, &frame(8, 1), &[])), "too long");
            assert!(!same(big, &packet(big, 0, 5, &whole[..15], &[])), "cut short");
            assert!(!same(!big, &packet(big, 0, 5, &whole, &[])), "the other order");
            for (at, byte, what) in [(0, 0x40, "remote"), (0, 0x20, "error"), (5, 4, "FD")] {
                let mut other = whole.clone();
                other[at] = byte;
                assert!(!same(big, &packet(big, 0, 5, &other, &[])), "{what}");
            }
        }
    }

    proptest! {
        /// Bytes replaced: what is still read is read as the parser reads it.
        #[test]
        fn broken_blocks_are_read_alike_or_not_at_all(
            big: bool,
            interface in 0u32..4,
            time: u64,
            data in prop_oneof![
                prop::collection::vec(any::<u8>(), 0..20),
                (0u8..=8, 0usize..9).prop_map(|(len, padding)| frame(len, padding)),
            ],
            changes in prop::collection::vec((8usize..60, prop_oneof![0u8..32, any::<u8>()]), 0..4),
        ) {
            let mut bytes = packet(big, interface, time, &data, &[]);
            // The framing was looked at before.
            let body = bytes.len() - AFTER_DATA;
            for (at, byte) in changes {
                if at < body {
                    bytes[at] = byte;
                }
            }
            same(big, &bytes);
        }
    }
}
