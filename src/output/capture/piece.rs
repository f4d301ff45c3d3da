//! One file of a capture while it is written: lines gathered, packed and made safe.

use std::io;
use std::path::{Path, PathBuf};

use super::packer::Packer;
use super::tail::{Sink, Tail};
use crate::wire::{Header, Nanos, Record, Tally, What, write_header, write_record};

/// How much text is gathered before it is packed and given to the system.
const GATHER: usize = 256 * 1024;

/// What may wait for the disk to confirm it, before that is forced early.
const AT_RISK: usize = 8 * 1024 * 1024;

/// A file with a header of its own, whose times count from its own beginning.
pub struct Piece<S> {
    path: PathBuf,
    tail: Tail<S>,
    packer: Packer,
    /// Text not yet packed.
    lines: Vec<u8>,
    /// When it begins, in the time of the whole.
    begins: Nanos,
    /// What is in the text and all before it.
    tally: Tally,
    /// What is in the file.
    in_file: Tally,
    /// What is in the file and being made safe.
    syncing: Tally,
    /// What is safe on the disk.
    on_disk: Tally,
}

impl<S: Sink> Piece<S> {
    /// The first one, with its header safe on the disk.
    ///
    /// # Errors
    /// If the disk does not take it.
    pub fn begin_safely(path: &Path, sink: S, header: &Header) -> io::Result<Piece<S>> {
        let mut piece = Piece::begin(path, sink, header, Nanos::ZERO)?;
        piece.sync()?;
        Ok(piece)
    }

    /// Writes the header, for a piece that begins at this time of the whole.
    ///
    /// # Errors
    /// If the disk does not take it.
    pub fn begin(path: &Path, sink: S, header: &Header, begins: Nanos) -> io::Result<Piece<S>> {
        let mut lines = Vec::with_capacity(GATHER + GATHER / 4);
        write_header(&mut lines, header);
        let mut piece = Piece {
            path: path.to_owned(),
            tail: Tail::new(sink),
            packer: Packer::for_name(path),
            lines,
            begins,
            tally: Tally::default(),
            in_file: Tally::default(),
            syncing: Tally::default(),
            on_disk: Tally::default(),
        };
        piece.write()?;
        Ok(piece)
    }

    /// Its file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// When it begins, in the time of the whole.
    pub fn begins(&self) -> Nanos {
        self.begins
    }

    /// What is in the file.
    pub fn in_file(&self) -> Tally {
        self.in_file
    }

    /// How long the file is.
    pub fn length(&self) -> u64 {
        self.tail.length()
    }

    /// How long the file will be, as far as can be told before the text is packed.
    pub fn length_to_be(&self) -> u64 {
        let written = self.tail.length() + self.tail.not_written() as u64;
        match self.packer {
            Packer::Plain => written + self.lines.len() as u64,
            Packer::Zstd(_) => written,
        }
    }

    /// Whether all of it is safe on the disk.
    pub fn is_safe(&self) -> bool {
        self.lines.is_empty() && self.tail.at_risk() == 0
    }

    /// Whether some of it is being made safe just now.
    pub fn is_syncing(&self) -> bool {
        self.tail.is_syncing()
    }

    /// Whether more is at risk than should be.
    pub fn is_at_risk(&self) -> bool {
        self.tail.at_risk() > AT_RISK
    }

    /// Whether there is enough text to be written.
    pub fn is_due(&self) -> bool {
        self.lines.len() >= GATHER
    }

    /// Adds a record to the text.
    pub fn add(&mut self, record: &Record) {
        self.tally.add(&record.what);
        if self.begins == Nanos::ZERO {
            return write_record(&mut self.lines, record);
        }
        let t = Nanos(record.t.0.saturating_sub(self.begins.0));
        write_record(&mut self.lines, &Record { t, what: record.what.clone() });
    }

    /// Adds the `end`, if it comes to a clean one, and what closes the file; [`Piece::sync`]
    /// writes them.
    ///
    /// # Errors
    /// If it cannot be packed.
    pub fn end(&mut self, t: Option<Nanos>) -> io::Result<()> {
        if let Some(t) = t {
            self.add(&Record { t, what: What::End(Box::new(self.tally)) });
        }
        self.pack()?;
        self.packer.end(self.tail.pending())
    }

    /// Gives the text to the system.
    ///
    /// # Errors
    /// As [`Tail::write`]; nothing of it is lost.
    pub fn write(&mut self) -> io::Result<()> {
        self.pack()?;
        self.tail.write()?;
        self.in_file = self.tally;
        Ok(())
    }

    /// Writes the text, and goes on making it safe against a power cut without waiting for that.
    ///
    /// # Errors
    /// As [`Tail::write`] and [`Tail::end_sync`]; nothing of it is lost.
    pub fn keep_up(&mut self) -> io::Result<()> {
        self.write()?;
        self.end_sync(false)?;
        if self.tail.begin_sync()? {
            self.syncing = self.in_file;
        }
        Ok(())
    }

    /// Writes the text and makes it safe against a power cut.
    ///
    /// # Errors
    /// As [`Tail::write`] and [`Tail::end_sync`]; nothing of it is lost.
    pub fn sync(&mut self) -> io::Result<()> {
        self.end_sync(true)?;
        self.keep_up()?;
        self.end_sync(true)
    }

    fn end_sync(&mut self, wait: bool) -> io::Result<()> {
        match self.tail.end_sync(wait) {
            Ok(true) => self.on_disk = self.syncing,
            Ok(false) => {}
            Err(error) => {
                self.in_file = self.on_disk;
                return Err(error);
            }
        }
        Ok(())
    }

    fn pack(&mut self) -> io::Result<()> {
        if !self.lines.is_empty() {
            self.packer.pack(&self.lines, self.tail.pending())?;
            self.lines.clear();
        }
        Ok(())
    }
}
