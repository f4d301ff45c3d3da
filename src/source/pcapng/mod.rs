//! pcapng: its reader, for dropline's own, back to the very records, and for that of other
//! programs; and its writer.
//!
//! Of another program's file, packets of link type 227 become frames and error frames, drop
//! counts become lost frames, comments on packets become marks. Time starts with the first
//! packet. What is not carried over: packets of other kinds (counted), and what blocks other
//! than packets, interfaces and their statistics hold. A file that stops where a block ends
//! cannot be told from a whole one, so it counts as whole.

mod blocks;
mod fine_time;
mod packets;
#[cfg(test)]
mod tests;
mod writer;

use std::io::{self, Read, Write};
use std::mem;
use std::path::Path;

use self::blocks::{Blocks, NextBlock};
use self::packets::Packets;
use self::writer::PcapngWriter;
use super::input::ReadOptions;
use super::lines::{Bytes, Lines};
use super::{AnyReader, AnyWriter, Reader, SourceError};
use crate::wire::{Header, Record};

/// How many records make a batch, and how many bytes of the file: comments may be long.
const BATCH: usize = 4096;
const BATCH_BYTES: u64 = 1024 * 1024;

/// The first bytes of a pcapng file: the type of a section header.
const MAGIC: [u8; 4] = [0x0A, 0x0D, 0x0D, 0x0A];

/// The row of the table of formats: how a file begins.
pub(super) fn matches(start: &[u8]) -> bool {
    start.starts_with(&MAGIC)
}

/// The row of the table of formats: a reader.
pub(super) fn reader<'a>(
    name: String,
    bytes: Bytes<'a>,
    options: &ReadOptions,
) -> Result<AnyReader<'a>, SourceError> {
    Ok(Box::new(PcapngReader::new(name, bytes, options)?))
}

/// The row of the table of formats: a writer.
pub(super) fn writer<'a>(
    out: &'a mut dyn Write,
    _name: &Path,
    header: &Header,
) -> io::Result<AnyWriter<'a>> {
    Ok(Box::new(PcapngWriter::new(out, header)?))
}

/// Reads a pcapng file.
pub struct PcapngReader<R> {
    name: String,
    blocks: Blocks<R>,
    packets: Packets,
    header: Header,
    /// What was read while the header was sought.
    first: Vec<Record>,
    torn: bool,
    ended: bool,
}

impl<R: Read> PcapngReader<R> {
    /// From an input of which only a look has been taken.
    pub(super) fn new(
        name: String,
        lines: Lines<R>,
        options: &ReadOptions,
    ) -> Result<PcapngReader<R>, SourceError> {
        let (input, read) = lines.into_rest();
        let mut reader = Blocks::new(input, read);
        let mut packets = Packets::new(&name, options.interface.clone());
        let mut first = Vec::new();
        let (mut torn, mut ended) = (false, false);
        let header = loop {
            if let Some(header) = packets.header() {
                break header.clone();
            }
            if ended {
                return Err(SourceError::format(&name, packets.why_nothing()));
            }
            (ended, torn) = step(&name, &mut reader, &mut packets, &mut first)?;
        };
        Ok(PcapngReader { name, blocks: reader, packets, header, first, torn, ended })
    }
}

/// Takes the next block; whether that was the end, and whether it is torn.
fn step<R: Read>(
    name: &str,
    blocks: &mut Blocks<R>,
    packets: &mut Packets,
    batch: &mut Vec<Record>,
) -> Result<(bool, bool), SourceError> {
    match blocks.next().map_err(|error| SourceError::interrupted(name, error))? {
        NextBlock::Block(block) => packets.take(block, batch)?,
        NextBlock::Bad(error) => packets.bad_block(&error),
        NextBlock::BadInterface(error) => packets.bad_interface(error),
        NextBlock::Damage(from, to) => packets.damage(from, to),
        NextBlock::Fatal(error) => return Err(SourceError::format(name, error)),
        NextBlock::End(torn) => {
            packets.end(torn, batch);
            return Ok((true, torn));
        }
    }
    Ok((false, false))
}

impl<R: Read> Reader for PcapngReader<R> {
    fn header(&self) -> &Header {
        &self.header
    }

    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        let full = batch.len() + BATCH;
        let until = self.blocks.offset() + BATCH_BYTES;
        batch.append(&mut mem::take(&mut self.first));
        while !self.ended && batch.len() < full && self.blocks.offset() < until {
            if let Some(packet) = self.blocks.plain()
                && self.packets.plain(&packet, batch)
            {
                self.blocks.skip(packet.length);
                continue;
            }
            (self.ended, self.torn) = step(&self.name, &mut self.blocks, &mut self.packets, batch)?;
        }
        Ok(!self.ended)
    }

    fn unreadable(&self) -> u64 {
        self.packets.unreadable()
    }

    fn torn(&self) -> bool {
        self.torn
    }

    fn messages(&mut self) -> Vec<String> {
        self.packets.messages()
    }
}
