//! A pcapng file into blocks, in one buffer of bounded size; past damage to the next block.

use std::io::{self, Read};

use pcap_file::Endianness;
use pcap_file::pcapng::blocks::block_common::{
    CUSTOM_BLOCK_COPIABLE, CUSTOM_BLOCK_NON_COPIABLE, ENHANCED_PACKET_BLOCK,
    INTERFACE_DESCRIPTION_BLOCK, INTERFACE_STATISTIC_BLOCK, NAME_RESOLUTION_BLOCK, PACKET_BLOCK,
    SECTION_HEADER_BLOCK, SIMPLE_PACKET_BLOCK, SYSTEMD_JOURNAL_EXPORT_BLOCK,
};
use pcap_file::pcapng::{Block, PcapNgParser};

use crate::source::input::{Got, Input};

/// The longest block; the format sets no limit, so a broken length could ask for 4 GB.
const LONGEST_BLOCK: usize = 16 * 1024 * 1024;

const BLOCK: usize = 256 * 1024;

/// A block's type, its length twice.
const FRAMING: usize = 12;

/// The blocks that are looked for behind damage.
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
pub enum Next<'a> {
    /// A block.
    Block(Block<'a>),
    /// A whole block whose content makes no sense, in words.
    Bad(String),
    /// A block without which what follows has no meaning.
    Fatal(String),
    /// A damaged stretch of the file, with all blocks in it.
    Damage(u64, u64),
    /// The end; true if the file stops within a block.
    End(bool),
}

/// Splits an input into blocks.
pub struct Blocks<R> {
    input: Input<R>,
    parser: Option<PcapNgParser>,
    buffer: Vec<u8>,
    start: usize,
    end: usize,
    /// Where `start` is in the unpacked file.
    offset: u64,
    ended: Option<bool>,
}

enum Ready {
    Whole(usize),
    /// So many bytes are needed to tell.
    Short(usize),
    Broken,
}

impl<R: Read> Blocks<R> {
    /// Begins with what has been read of the input.
    pub fn new(input: Input<R>, read: Vec<u8>) -> Blocks<R> {
        let end = read.len();
        Blocks { input, parser: None, buffer: read, start: 0, end, offset: 0, ended: None }
    }

    /// The next block, or why there is none.
    pub fn next(&mut self) -> io::Result<Next<'_>> {
        loop {
            match self.ready(self.start) {
                Ready::Whole(length) => {
                    let block = self.start..self.start + length;
                    self.skip(length);
                    return Ok(parse(&mut self.parser, &self.buffer[block]));
                }
                Ready::Short(_) if self.ended.is_none() => {
                    if let Some(damage) = self.fill()? {
                        return Ok(damage);
                    }
                }
                Ready::Short(_) if self.start == self.end => {
                    return Ok(Next::End(self.ended == Some(true)));
                }
                // A broken length may claim to reach behind the end.
                Ready::Short(_) | Ready::Broken => return self.resume(),
            }
        }
    }

    /// Searches on for a block, behind one that is broken.
    fn resume(&mut self) -> io::Result<Next<'static>> {
        let from = self.offset;
        self.skip(1);
        loop {
            match self.ready(self.start) {
                Ready::Whole(_) if self.is_known() => return Ok(Next::Damage(from, self.offset)),
                Ready::Short(needed)
                    if self.ended.is_none() && (needed <= FRAMING || self.is_known()) =>
                {
                    if let Some(damage) = self.fill()? {
                        return Ok(damage);
                    }
                }
                _ if self.start == self.end => {
                    // Nothing follows: so it is the torn end, as after a power cut.
                    self.ended = Some(false);
                    return Ok(Next::End(true));
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
    fn ready(&self, at: usize) -> Ready {
        let bytes = &self.buffer[at..self.end];
        let Some(&[k0, k1, k2, k3, l0, l1, l2, l3, m0, m1, m2, m3]) = bytes.first_chunk() else {
            return Ready::Short(FRAMING);
        };
        // The section header is read before its byte order is known.
        let section = [k0, k1, k2, k3] == SECTION_HEADER_BLOCK.to_be_bytes();
        let order = match [m0, m1, m2, m3] {
            [0x1A, 0x2B, 0x3C, 0x4D] if section => Endianness::Big,
            [0x4D, 0x3C, 0x2B, 0x1A] if section => Endianness::Little,
            _ if section => return Ready::Broken,
            _ => match &self.parser {
                Some(parser) => parser.section().endianness,
                None => return Ready::Broken,
            },
        };
        let length = number(order, [l0, l1, l2, l3]) as usize;
        if !length.is_multiple_of(4) || !(FRAMING..=LONGEST_BLOCK).contains(&length) {
            return Ready::Broken;
        }
        match bytes.get(length - 4..length) {
            None => Ready::Short(length),
            Some(again) if again == [l0, l1, l2, l3] => Ready::Whole(length),
            Some(_) => Ready::Broken,
        }
    }

    fn number(&self, bytes: [u8; 4]) -> u32 {
        let order = self.parser.as_ref().map_or(Endianness::Big, |p| p.section().endianness);
        number(order, bytes)
    }

    fn skip(&mut self, n: usize) {
        let n = n.min(self.end - self.start);
        self.start += n;
        self.offset += n as u64;
    }

    fn fill(&mut self) -> io::Result<Option<Next<'static>>> {
        self.buffer.copy_within(self.start..self.end, 0);
        self.end -= self.start;
        self.start = 0;
        // Bounded: no more than the longest block is waited for.
        self.buffer.resize(self.buffer.len().max(self.end + BLOCK), 0);
        match self.input.read(&mut self.buffer[self.end..])? {
            Got::Bytes(n) => self.end += n,
            Got::End => self.ended = Some(false),
            Got::CutOff => self.ended = Some(true),
            Got::Damage(from, to) => {
                self.end = 0;
                return Ok(Some(Next::Damage(from, to)));
            }
        }
        Ok(None)
    }
}

fn number(order: Endianness, bytes: [u8; 4]) -> u32 {
    match order {
        Endianness::Big => u32::from_be_bytes(bytes),
        Endianness::Little => u32::from_le_bytes(bytes),
    }
}

fn parse<'a>(parser: &mut Option<PcapNgParser>, bytes: &'a [u8]) -> Next<'a> {
    let state_changing = |kind: &[u8]| {
        let kind = kind.first_chunk().copied().unwrap_or_default();
        [SECTION_HEADER_BLOCK, INTERFACE_DESCRIPTION_BLOCK]
            .into_iter()
            .any(|known| known == u32::from_le_bytes(kind) || known == u32::from_be_bytes(kind))
    };
    let block = match parser {
        Some(parser) => parser.next_block(bytes).map(|(_, block)| block),
        None => PcapNgParser::new(bytes).map(|(_, new)| {
            let section = new.section().clone();
            *parser = Some(new);
            Block::SectionHeader(section)
        }),
    };
    match block {
        Ok(Block::SectionHeader(section)) if section.major_version != 1 => Next::Fatal(format!(
            "version {}.{} of pcapng is not known; save it as version 1.0",
            section.major_version, section.minor_version
        )),
        Ok(block) => Next::Block(block),
        Err(error) if state_changing(bytes) => {
            Next::Fatal(format!("the block that says how to read the rest is broken: {error}"))
        }
        Err(error) => Next::Bad(format!("not by the format: {error}")),
    }
}
