//! Writes a capture where waiting for the disk does no harm: in conversions.

use std::io::{self, Write};
use std::path::Path;

use super::packer::Packer;
use crate::wire::{Header, Record, write_header, write_record};

const GATHER: usize = 256 * 1024;

/// A capture being written by whoever calls. Every record is written, `end` records too.
pub struct DirectWriter<W: Write> {
    out: W,
    packer: Packer,
    lines: Vec<u8>,
    packed: Vec<u8>,
}

impl<W: Write> DirectWriter<W> {
    /// Begins with the header; packed with zstd if the name ends in `.zst`.
    pub fn new(out: W, name: &Path, header: &Header) -> DirectWriter<W> {
        let mut lines = Vec::new();
        write_header(&mut lines, header);
        DirectWriter { out, packer: Packer::for_name(name), lines, packed: Vec::new() }
    }

    /// Writes one record.
    ///
    /// # Errors
    /// If the file cannot be written.
    pub fn write(&mut self, record: &Record) -> io::Result<()> {
        write_record(&mut self.lines, record);
        if self.lines.len() < GATHER { Ok(()) } else { self.flush() }
    }

    /// Writes what is left, and gives the file back.
    ///
    /// # Errors
    /// If the file cannot be written.
    pub fn finish(mut self) -> io::Result<W> {
        self.flush()?;
        self.packer.end(&mut self.packed)?;
        self.out.write_all(&self.packed)?;
        Ok(self.out)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.packer.pack(&self.lines, &mut self.packed)?;
        self.out.write_all(&self.packed)?;
        self.lines.clear();
        self.packed.clear();
        Ok(())
    }
}
