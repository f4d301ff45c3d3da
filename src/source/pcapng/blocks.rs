//! A pcapng file into blocks, in one buffer of bounded size; past damage to the next block.
//!
//! Most blocks of most files are a data frame without options, with its time in nanoseconds.
//! Reading that form alone is several times as fast as reading any block: it is read as the parser
//! reads it, or left to that.

use std::io;
use std::io::Read;

use pcap_file::Endianness;
use pcap_file::pcapng::blocks::block_common::{
    CUSTOM_BLOCK_COPIABLE, CUSTOM_BLOCK_NON_COPIABLE, ENHANCED_PACKET_BLOCK,
    INTERFACE_DESCRIPTION_BLOCK, INTERFACE_STATISTIC_BLOCK, NAME_RESOLUTION_BLOCK, PACKET_BLOCK,
    SECTION_HEADER_BLOCK, SIMPLE_PACKET_BLOCK, SYSTEMD_JOURNAL_EXPORT_BLOCK,
};
use pcap_file::pcapng::blocks::interface_description::InterfaceTsResolution;
use pcap_file::pcapng::{Block, PcapNgParseError, PcapNgParser};

use super::fine_time::FineTime;
use crate::source::input::Input;
use crate::source::unpack::Chunk;
use crate::source::{BlockError, FormatError};
use crate::wire::{Frame, Packet};

/// The longest block; the format sets no limit, so a broken length could ask for 4 GB.
const LONGEST_BLOCK: usize = 16 * 1024 * 1024;

/// The longest block that is parsed: four bytes of an option take fifty in memory.
const LONGEST_PARSED: usize = 1024 * 1024;

/// The most bytes of descriptions of interfaces in a section, which are kept to its end: some
/// thousands of interfaces.
const DESCRIPTIONS: usize = 512 * 1024;

const READ_SIZE: usize = 256 * 1024;

/// A block's type, its length twice.
const FRAMING: usize = 12;

/// The types of blocks that reading resumes at behind damage.
const KNOWN: [u32; 10] = [
    SECTION_HEADER_BLOCK,
    INTERFACE_DESCRIPTION_BLOCK,
    PACKET_BLOCK,
    SIMPLE_PACKET_BLOCK,
    NAME_RESOLUTION_BLOCK,
    INTERFACE_STATISTIC_BLOCK,
    ENHANCED_PACKET_BLOCK,
    SYSTEMD_JOURNAL_EXPORT_BLOCK,
    CUSTOM_BLOCK_COPIABLE,
    CUSTOM_BLOCK_NON_COPIABLE,
];

/// What comes next.
pub enum NextBlock<'a> {
    /// Any block.
    Block(Block<'a>),
    /// A whole block whose content makes no sense.
    Bad(BlockError),
    /// The same, and it may have described an interface.
    BadInterface(BlockError),
    /// A broken block that the following ones depend on.
    Fatal(FormatError),
    /// A damaged stretch of the file, with all blocks in it.
    Damage(u64, u64),
    /// The end; true if the file stops within a block.
    End(bool),
}

/// Splits an input into blocks.
pub struct Blocks<R> {
    input: Input<R>,
    state: SectionState,
    buffer: Vec<u8>,
    start: usize,
    end: usize,
    /// Where `start` is in the unpacked file.
    offset: u64,
    ended: Option<bool>,
}

/// The section as read so far.
#[derive(Default)]
struct SectionState {
    parser: Option<PcapNgParser>,
    /// For each interface, how it counts its time where the parser cannot tell.
    fine: Vec<Option<FineTime>>,
    quick: PlainPackets,
    /// Bytes of its descriptions of interfaces.
    descriptions: usize,
    /// A description could not be read, so the numbers of the interfaces behind it are not known.
    unnumbered: bool,
}

enum Framing {
    Whole(usize),
    /// This many bytes are needed to tell.
    Short(usize),
    Broken,
}

impl<R: Read> Blocks<R> {
    /// Begins with what has been read of the input.
    pub fn new(input: Input<R>, read: Vec<u8>) -> Blocks<R> {
        let end = read.len();
        Blocks {
            input,
            state: SectionState::default(),
            buffer: read,
            start: 0,
            end,
            offset: 0,
            ended: None,
        }
    }

    /// How many bytes of the unpacked file have been gone through.
    pub fn offset(&self) -> u64 {
        self.offset
    }

    /// The frame in the next block, where that is a plain one; [`Self::skip`] goes past it.
    #[inline]
    pub fn plain(&self) -> Option<PlainPacket> {
        self.state.quick.packet(&self.buffer[self.start..self.end])
    }

    /// The next block, or why there is none.
    pub fn next(&mut self) -> io::Result<NextBlock<'_>> {
        loop {
            match self.ready(self.start) {
                Framing::Whole(length) => {
                    let block = self.start..self.start + length;
                    self.skip(length);
                    return Ok(self.state.parse(&self.buffer[block]));
                }
                Framing::Short(_) if self.ended.is_none() => {
                    if let Some(damage) = self.fill()? {
                        return Ok(damage);
                    }
                }
                Framing::Short(_) if self.start == self.end => {
                    return Ok(NextBlock::End(self.ended == Some(true)));
                }
                // A broken length may claim to reach behind the end.
                Framing::Short(_) | Framing::Broken => return self.resume(),
            }
        }
    }

    /// Searches for the next block behind a broken one.
    fn resume(&mut self) -> io::Result<NextBlock<'static>> {
        let from = self.offset;
        self.skip(1);
        loop {
            match self.ready(self.start) {
                Framing::Whole(_) if self.is_known() => {
                    return Ok(NextBlock::Damage(from, self.offset));
                }
                Framing::Short(needed)
                    if self.ended.is_none() && (needed <= FRAMING || self.is_known()) =>
                {
                    if let Some(damage) = self.fill()? {
                        return Ok(damage);
                    }
                }
                _ if self.start == self.end => {
                    // Nothing follows: it is a torn end, as after a power cut.
                    self.ended = Some(false);
                    return Ok(NextBlock::End(true));
                }
                _ => self.skip(1),
            }
        }
    }

    fn is_known(&self) -> bool {
        let kind = self.buffer[self.start..].first_chunk::<4>();
        kind.is_some_and(|&kind| {
            let kind = self.number(kind);
            KNOWN.contains(&kind)
        })
    }

    /// Whether a whole block stands at `at`, by its framing.
    fn ready(&self, at: usize) -> Framing {
        let bytes = &self.buffer[at..self.end];
        let Some(&[k0, k1, k2, k3, l0, l1, l2, l3, m0, m1, m2, m3]) = bytes.first_chunk() else {
            return Framing::Short(FRAMING);
        };
        // The section header is read before its byte order is known.
        let section = [k0, k1, k2, k3] == SECTION_HEADER_BLOCK.to_be_bytes();
        let order = match [m0, m1, m2, m3] {
            [0x1A, 0x2B, 0x3C, 0x4D] if section => Endianness::Big,
            [0x4D, 0x3C, 0x2B, 0x1A] if section => Endianness::Little,
            _ if section => return Framing::Broken,
            _ => match &self.state.parser {
                Some(parser) => parser.section().endianness,
                None => return Framing::Broken,
            },
        };
        let length = number(order, [l0, l1, l2, l3]) as usize;
        if !length.is_multiple_of(4) || !(FRAMING..=LONGEST_BLOCK).contains(&length) {
            return Framing::Broken;
        }
        match bytes.get(length - 4..length) {
            None => Framing::Short(length),
            Some(again) if again == [l0, l1, l2, l3] => Framing::Whole(length),
            Some(_) => Framing::Broken,
        }
    }

    fn number(&self, bytes: [u8; 4]) -> u32 {
        let order = self.state.parser.as_ref().map_or(Endianness::Big, |p| p.section().endianness);
        number(order, bytes)
    }

    /// Skips this many bytes.
    #[inline]
    pub fn skip(&mut self, n: usize) {
        let n = n.min(self.end - self.start);
        self.start += n;
        self.offset += n as u64;
    }

    fn fill(&mut self) -> io::Result<Option<NextBlock<'static>>> {
        self.buffer.copy_within(self.start..self.end, 0);
        self.end -= self.start;
        self.start = 0;
        // Bounded by the longest block.
        self.buffer.resize(self.buffer.len().max(self.end + READ_SIZE), 0);
        match self.input.read(&mut self.buffer[self.end..])? {
            Chunk::Bytes(n) => self.end += n,
            Chunk::End => self.ended = Some(false),
            Chunk::CutOff => self.ended = Some(true),
            Chunk::Damage(from, to) => {
                self.end = 0;
                return Ok(Some(NextBlock::Damage(from, to)));
            }
        }
        Ok(None)
    }
}

/// A word of a block.
pub fn number(order: Endianness, bytes: [u8; 4]) -> u32 {
    match order {
        Endianness::Big => u32::from_be_bytes(bytes),
        Endianness::Little => u32::from_le_bytes(bytes),
    }
}

impl SectionState {
    fn parse<'a>(&mut self, bytes: &'a [u8]) -> NextBlock<'a> {
        let next = self.any(bytes);
        if !matches!(next, NextBlock::Block(Block::EnhancedPacket(_))) {
            let quick = self.parser.as_ref().map(|parser| PlainPackets::new(parser, &self.fine));
            self.quick = quick.unwrap_or_default();
        }
        next
    }

    fn any<'a>(&mut self, bytes: &'a [u8]) -> NextBlock<'a> {
        let is = |known: u32| {
            let kind = bytes.first_chunk().copied().unwrap_or_default();
            known == u32::from_le_bytes(kind) || known == u32::from_be_bytes(kind)
        };
        let (section, interface) = (is(SECTION_HEADER_BLOCK), is(INTERFACE_DESCRIPTION_BLOCK));
        if interface {
            if self.unnumbered {
                return NextBlock::Fatal(FormatError::InterfaceUnnumbered);
            }
            self.descriptions += bytes.len();
            if self.descriptions > DESCRIPTIONS {
                return NextBlock::Fatal(FormatError::TooManyInterfaces(DESCRIPTIONS));
            }
        }
        let parsed = if bytes.len() > LONGEST_PARSED {
            Err(BlockError::TooLong { length: bytes.len(), most: LONGEST_PARSED })
        } else if interface {
            self.interface(bytes).map_err(BlockError::from)
        } else {
            self.block(bytes).map_err(BlockError::from).and_then(|block| self.timed(block))
        };
        match parsed {
            Ok(Block::SectionHeader(section)) if section.major_version != 1 => NextBlock::Fatal(
                FormatError::PcapngVersion(section.major_version, section.minor_version),
            ),
            Ok(block) => {
                if section {
                    (self.descriptions, self.unnumbered) = (0, false);
                    self.fine.clear();
                }
                NextBlock::Block(block)
            }
            Err(error) if section => NextBlock::Fatal(FormatError::BrokenDescription(error)),
            Err(error) if interface => {
                self.unnumbered = true;
                NextBlock::BadInterface(error)
            }
            Err(error) => NextBlock::Bad(error),
        }
    }

    fn interface<'a>(&mut self, bytes: &'a [u8]) -> Result<Block<'a>, PcapNgParseError> {
        let order = self.parser.as_ref().map(|parser| parser.section().endianness);
        let fine = order.and_then(|order| FineTime::of(bytes, order));
        let block = match &fine {
            Some((_, plain)) => self.block(plain)?.into_owned(),
            None => self.block(bytes)?,
        };
        self.fine.push(fine.map(|(fine, _)| fine));
        Ok(block)
    }

    /// The block with the right time.
    fn timed<'a>(&self, mut block: Block<'a>) -> Result<Block<'a>, BlockError> {
        let (interface, time) = match &mut block {
            Block::EnhancedPacket(packet) => (packet.interface_id, &mut packet.timestamp),
            Block::Packet(packet) => (packet.interface_id.into(), &mut packet.timestamp),
            _ => return Ok(block),
        };
        if let Some(Some(fine)) = self.fine.get(interface as usize) {
            *time = fine.time(*time).ok_or(BlockError::Time)?;
        }
        Ok(block)
    }

    fn block<'a>(&mut self, bytes: &'a [u8]) -> Result<Block<'a>, PcapNgParseError> {
        if let Some(parser) = &mut self.parser {
            return parser.next_block(bytes).map(|(_, block)| block);
        }
        let (_, parser) = PcapNgParser::new(bytes)?;
        let section = parser.section().clone();
        self.parser = Some(parser);
        Ok(Block::SectionHeader(section))
    }
}

/// A data frame in a packet without options.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PlainPacket {
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
pub struct PlainPackets {
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

impl PlainPackets {
    /// As the section stands now.
    pub fn new(parser: &PcapNgParser, fine: &[Option<FineTime>]) -> PlainPackets {
        let nanoseconds = parser.interfaces().iter().enumerate().map(|(at, interface)| {
            interface.ts_resolution() == InterfaceTsResolution::NANO
                && interface.ts_offset() == 0
                && fine.get(at).is_none_or(Option::is_none)
        });
        PlainPackets {
            order: Some(parser.section().endianness),
            nanoseconds: nanoseconds.collect(),
        }
    }

    /// The frame in the block at the front of these bytes. `None`: it is not of this form, or too
    /// near the end of what has been read; that says nothing against it.
    #[inline]
    pub fn packet(&self, bytes: &[u8]) -> Option<PlainPacket> {
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
        Some(PlainPacket { interface, time, frame, length })
    }
}

#[cfg(test)]
mod tests {
    use pcap_file::pcapng::Block;
    use proptest::prelude::*;

    use super::*;
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
        let Some(plain) = PlainPackets::new(&parser, &[]).packet(&more) else { return false };
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
