//! Reads pcapng: dropline's own, back to the very records, and that of other programs.
//!
//! Of another program's file, packets of link type 227 become frames and error frames, drop
//! counts become lost frames, comments on packets become marks. Time starts with the first
//! packet. What is not carried over: packets of other kinds (counted), and what blocks other
//! than packets, interfaces and their statistics hold. A file that stops where a block ends
//! cannot be told from a whole one, so it counts as whole.

mod blocks;
mod packets;
mod quick;
#[cfg(test)]
mod tests;

use std::io::Read;
use std::mem;

use super::capture::cannot_go_on;
use super::complaints::one_line;
use super::lines::Lines;
use super::saved::Saved;
use super::{Reader, SourceError};
use crate::wire::{Header, Record};
use blocks::{Blocks, Next};
use packets::Packets;

/// How many records make a batch, and how many bytes of the file: comments may be long.
const BATCH: usize = 4096;
const BATCH_BYTES: u64 = 1024 * 1024;

/// The first bytes of a pcapng file: the type of a section header.
pub const MAGIC: [u8; 4] = [0x0A, 0x0D, 0x0D, 0x0A];

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
        options: &Saved,
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
                return Err(SourceError(one_line(&format!("{name}: {}", packets.why_nothing()))));
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
    match blocks.next().map_err(|error| cannot_go_on(name, &error))? {
        Next::Block(block) => packets.take(block, batch)?,
        Next::Bad(what) => packets.bad_block(&what),
        Next::BadInterface(what) => packets.bad_interface(what),
        Next::Damage(from, to) => packets.damage(from, to),
        Next::Fatal(what) => return Err(SourceError(one_line(&format!("{name}: {what}")))),
        Next::End(torn) => {
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
