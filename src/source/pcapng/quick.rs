//! Most blocks of most files: a packet without options, with times in nanoseconds.
//!
//! Reading that form alone is several times as fast as reading any block. It reads a block as
//! the parser does or leaves it to that.

use pcap_file::Endianness;
use pcap_file::pcapng::PcapNgParser;
use pcap_file::pcapng::blocks::block_common::ENHANCED_PACKET_BLOCK;
use pcap_file::pcapng::blocks::interface_description::InterfaceTsResolution;

use super::blocks::number;

/// A packet without options.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Plain<'a> {
    /// Which interface it came from.
    pub interface: u32,
    /// Nanoseconds since 1970.
    pub time: u64,
    /// What was captured.
    pub data: &'a [u8],
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

/// Room for a frame of any kind on CAN with its header; what is longer is left to the parser, and
/// to its limits.
const LONGEST: usize = BEFORE_DATA + 72 + AFTER_DATA;

impl Quick {
    /// As the section stands now.
    pub fn of(parser: &PcapNgParser) -> Quick {
        let nanoseconds = parser.interfaces().iter().map(|interface| {
            interface.ts_resolution() == InterfaceTsResolution::NANO && interface.ts_offset() == 0
        });
        Quick { order: Some(parser.section().endianness), nanoseconds: nanoseconds.collect() }
    }

    /// The packet in a block whose framing is whole. `None`: it is not of this form, which says
    /// nothing against it.
    pub fn packet<'a>(&self, block: &'a [u8]) -> Option<Plain<'a>> {
        let order = self.order?;
        let (words, []) = block.first_chunk::<BEFORE_DATA>()?.as_chunks::<4>() else { return None };
        let word = |at: usize| number(order, words[at]);
        let interface = word(2);
        let (captured, original) = (word(5), word(6));
        if word(0) != ENHANCED_PACKET_BLOCK
            || !*self.nanoseconds.get(interface as usize)?
            || original < captured
            || block.len() > LONGEST
        {
            return None;
        }
        let end = BEFORE_DATA.checked_add(captured as usize)?;
        if end.checked_next_multiple_of(4)?.checked_add(AFTER_DATA)? != block.len() {
            return None;
        }
        let time = u64::from(word(3)) << 32 | u64::from(word(4));
        Some(Plain { interface, time, data: &block[BEFORE_DATA..end] })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use pcap_file::pcapng::Block;
    use proptest::prelude::*;

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

    fn same(big: bool, bytes: &[u8]) -> bool {
        let mut parser = parser(big);
        let Some(plain) = Quick::of(&parser).packet(bytes) else { return false };
        let Ok((_, Block::EnhancedPacket(packet))) = parser.next_block(bytes) else {
            panic!("the parser reads no packet in {bytes:02X?}")
        };
        assert_eq!(packet.options, []);
        assert_eq!(plain.interface, packet.interface_id);
        assert_eq!(u128::from(plain.time), packet.timestamp.as_nanos());
        assert_eq!(plain.data, &packet.data[..]);
        true
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
            assert!(same(big, &packet(big, 0, u64::MAX, &[1; 16], &[])));
            assert!(same(big, &packet(big, 0, 5, &[1; 13], &[])));
            assert!(same(big, &packet(big, 0, 5, &[], &[])));
            assert!(!same(big, &packet(big, 1, 5, &[1; 16], &[])), "microseconds");
            assert!(!same(big, &packet(big, 2, 5, &[1; 16], &[])), "shifted");
            assert!(!same(big, &packet(big, 3, 5, &[1; 16], &[])), "no such interface");
            assert!(!same(big, &packet(big, 0, 5, &[1; 16], &[0; 4])), "options");
            assert!(!same(big, &packet(big, 0, 5, &[1; 73], &[])), "too long");
            assert!(!same(!big, &packet(big, 0, 5, &[1; 16], &[])), "the other order");
        }
    }

    proptest! {
        /// Bytes replaced: what is still read is read as the parser reads it.
        #[test]
        fn broken_blocks_are_read_alike_or_not_at_all(
            big: bool,
            interface in 0u32..4,
            time: u64,
            data in prop::collection::vec(any::<u8>(), 0..20),
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
