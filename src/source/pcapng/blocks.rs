//! A pcapng file into blocks, in one buffer of bounded size; past damage to the next block.

use std::io::{self, Read};

use pcap_file::Endianness;
use pcap_file::pcapng::blocks::block_common::{
    CUSTOM_BLOCK_COPIABLE, CUSTOM_BLOCK_NON_COPIABLE, ENHANCED_PACKET_BLOCK,
    INTERFACE_DESCRIPTION_BLOCK, INTERFACE_STATISTIC_BLOCK, NAME_RESOLUTION_BLOCK, PACKET_BLOCK,
    SECTION_HEADER_BLOCK, SIMPLE_PACKET_BLOCK, SYSTEMD_JOURNAL_EXPORT_BLOCK,
};
use pcap_file::pcapng::{Block, PcapNgParseError, PcapNgParser};

use super::quick::{Plain, Quick};
use crate::source::input::{Got, Input};

/// The longest block; the format sets no limit, so a broken length could ask for 4 GB.
const LONGEST_BLOCK: usize = 16 * 1024 * 1024;

/// A longer one is not taken apart: four bytes of an option take fifty in memory.
const LONGEST_PARSED: usize = 1024 * 1024;

/// The descriptions of interfaces are kept as long as a section goes on; so many bytes of them
/// are some thousands of interfaces.
const DESCRIPTIONS: usize = 512 * 1024;

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
    /// Any block.
    Block(Block<'a>),
    /// A whole block whose content makes no sense, in words.
    Bad(String),
    /// The same, and what it describes may have been an interface.
    BadInterface(String),
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
    state: State,
    buffer: Vec<u8>,
    start: usize,
    end: usize,
    /// Where `start` is in the unpacked file.
    offset: u64,
    ended: Option<bool>,
}

/// What the section said so far.
#[derive(Default)]
struct State {
    parser: Option<PcapNgParser>,
    quick: Quick,
    /// Bytes of its descriptions of interfaces.
    descriptions: usize,
    /// One of them could not be read, so that the numbers of those behind it are not known.
    unnumbered: bool,
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
        Blocks {
            input,
            state: State::default(),
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
    pub fn plain(&self) -> Option<Plain> {
        self.state.quick.packet(&self.buffer[self.start..self.end])
    }

    /// The next block, or why there is none.
    pub fn next(&mut self) -> io::Result<Next<'_>> {
        loop {
            match self.ready(self.start) {
                Ready::Whole(length) => {
                    let block = self.start..self.start + length;
                    self.skip(length);
                    return Ok(self.state.parse(&self.buffer[block]));
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
            _ => match &self.state.parser {
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
        let order = self.state.parser.as_ref().map_or(Endianness::Big, |p| p.section().endianness);
        number(order, bytes)
    }

    /// Goes on by so many bytes.
    #[inline]
    pub fn skip(&mut self, n: usize) {
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

/// A word of a block.
pub fn number(order: Endianness, bytes: [u8; 4]) -> u32 {
    match order {
        Endianness::Big => u32::from_be_bytes(bytes),
        Endianness::Little => u32::from_le_bytes(bytes),
    }
}

impl State {
    fn parse<'a>(&mut self, bytes: &'a [u8]) -> Next<'a> {
        let next = self.any(bytes);
        if !matches!(next, Next::Block(Block::EnhancedPacket(_))) {
            self.quick = self.parser.as_ref().map(Quick::of).unwrap_or_default();
        }
        next
    }

    fn any<'a>(&mut self, bytes: &'a [u8]) -> Next<'a> {
        let is = |known: u32| {
            let kind = bytes.first_chunk().copied().unwrap_or_default();
            known == u32::from_le_bytes(kind) || known == u32::from_be_bytes(kind)
        };
        let (section, interface) = (is(SECTION_HEADER_BLOCK), is(INTERFACE_DESCRIPTION_BLOCK));
        if interface {
            if self.unnumbered {
                return Next::Fatal(
                    "an interface is described behind a description that is broken, so that \
                     nobody knows whose packets follow"
                        .into(),
                );
            }
            self.descriptions += bytes.len();
            if self.descriptions > DESCRIPTIONS {
                return Next::Fatal(format!(
                    "more than {DESCRIPTIONS} bytes of descriptions of interfaces; cut the file \
                     down to those that are wanted"
                ));
            }
        }
        let parsed = if bytes.len() > LONGEST_PARSED {
            Err(format!(
                "a block of {} bytes, more than the {LONGEST_PARSED} that are read",
                bytes.len()
            ))
        } else {
            self.block(bytes).map_err(|error| format!("not by the format: {error}"))
        };
        match parsed {
            Ok(Block::SectionHeader(section)) if section.major_version != 1 => {
                Next::Fatal(format!(
                    "version {}.{} of pcapng is not known; save it as version 1.0",
                    section.major_version, section.minor_version
                ))
            }
            Ok(block) => {
                if section {
                    (self.descriptions, self.unnumbered) = (0, false);
                }
                Next::Block(block)
            }
            Err(error) if section => {
                Next::Fatal(format!("the block that says how to read the rest is broken: {error}"))
            }
            Err(error) if interface => {
                self.unnumbered = true;
                Next::BadInterface(error)
            }
            Err(error) => Next::Bad(error),
        }
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
