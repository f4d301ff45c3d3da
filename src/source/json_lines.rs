//! A capture of lines of JSON, plain or packed: its reader and its writer.

use std::io::{self, Read, Write};
use std::path::Path;

use super::input::ReadOptions;
use super::lines::{Bytes, Lines, NextLine};
use super::{
    AnyReader, AnyWriter, Carried, Complaints, FormatError, Reader, RecordWriter, SourceError,
};
use crate::wire::{
    Header, Record, Tally, parse_header, parse_record, quick_frame, write_header, write_record,
};

/// The row of the table of formats: a reader.
pub(super) fn reader<'a>(
    name: String,
    bytes: Bytes<'a>,
    _options: &ReadOptions,
) -> Result<AnyReader<'a>, SourceError> {
    Ok(Box::new(JsonLinesReader::new(name, bytes)?))
}

/// The row of the table of formats: a writer.
pub(super) fn writer<'a>(
    out: &'a mut dyn Write,
    name: &Path,
    header: &Header,
) -> io::Result<AnyWriter<'a>> {
    Ok(Box::new(JsonLinesWriter::new(out, name, header)))
}

/// Reads a capture. Lines that cannot be read are counted, reported and skipped; a torn last line
/// is not, but sets [`Reader::torn`].
pub struct JsonLinesReader<R> {
    name: String,
    lines: Lines<R>,
    header: Header,
    unreadable: u64,
    torn: bool,
    complaints: Complaints,
    /// Complaints about damage have a list of their own: the broken lines that it causes would fill
    /// a shared one.
    damages: Complaints,
}

impl<R: Read> JsonLinesReader<R> {
    /// Reads the header from lines of which none has been taken.
    ///
    /// # Errors
    /// If the first line is no header.
    pub(super) fn new(name: String, mut lines: Lines<R>) -> Result<Self, SourceError> {
        let refuse = |error: FormatError| Err(SourceError::format(&name, error));
        let first = lines.next().map_err(|error| SourceError::interrupted(&name, error))?;
        let header = match first {
            NextLine::Line(line) | NextLine::Unended(line) => {
                let line = line.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(line);
                match parse_header(line) {
                    Ok(header) => header,
                    Err(error) => return refuse(FormatError::Header(error)),
                }
            }
            NextLine::End(false) | NextLine::TooLong => return refuse(FormatError::Unknown),
            NextLine::End(true) => return refuse(FormatError::CutOff),
            NextLine::Damage(..) => return refuse(FormatError::Damaged),
        };
        let (complaints, damages) = (Complaints::new(&name), Complaints::new(&name));
        let (unreadable, torn) = (0, false);
        Ok(JsonLinesReader { name, lines, header, unreadable, torn, complaints, damages })
    }

    fn complain(&mut self, what: impl std::fmt::Display) {
        self.unreadable += 1;
        let place = format_args!("line {}", self.lines.number());
        self.complaints.add(place, format_args!("{what}; skipped"));
    }
}

impl<R: Read> Reader for JsonLinesReader<R> {
    fn header(&self) -> &Header {
        &self.header
    }

    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        loop {
            while let Some((t, frame)) = self.lines.take(quick_frame) {
                Record::add_frame(batch, t, frame);
            }
            match self.lines.next().map_err(|error| SourceError::interrupted(&self.name, error))? {
                // Skip blank lines.
                NextLine::Line(line) if line.trim_ascii().is_empty() => {}
                NextLine::Line(line) => match parse_record(line) {
                    Ok(record) => batch.push(record),
                    Err(error) => self.complain(error),
                },
                // A record that is cut off is no whole JSON object.
                NextLine::Unended(line) => match parse_record(line) {
                    Ok(record) => batch.push(record),
                    Err(_) => self.torn |= !line.trim_ascii().is_empty(),
                },
                NextLine::TooLong => self.complain("longer than a line can be"),
                NextLine::Damage(from, to) => {
                    self.unreadable += 1;
                    let what = format_args!(
                        "bytes {from} to {to} are damaged; records there are lost, some before may be wrong"
                    );
                    self.damages.add(format_args!("after line {}", self.lines.number()), what);
                }
                NextLine::End(cut_off) => {
                    self.torn |= cut_off;
                    self.complaints.close();
                    self.damages.close();
                    return Ok(false);
                }
            }
            if !self.lines.has_line() && !batch.is_empty() {
                return Ok(true);
            }
        }
    }

    fn unreadable(&self) -> u64 {
        self.unreadable
    }

    fn torn(&self) -> bool {
        self.torn
    }

    fn messages(&mut self) -> Vec<String> {
        let mut messages = self.damages.take();
        messages.append(&mut self.complaints.take());
        messages
    }
}

const GATHER: usize = 256 * 1024;

/// Writes a capture on the thread of the caller, where waiting for the disk does no harm. Every
/// record is written, `end` records too.
pub struct JsonLinesWriter<W: Write> {
    tally: Tally,
    out: W,
    packer: Packer,
    lines: Vec<u8>,
    packed: Vec<u8>,
}

impl<W: Write> JsonLinesWriter<W> {
    /// Begins with the header; packed with zstd if the name ends in `.zst`.
    pub fn new(out: W, name: &Path, header: &Header) -> JsonLinesWriter<W> {
        let mut lines = Vec::new();
        write_header(&mut lines, header);
        JsonLinesWriter {
            tally: Tally::default(),
            out,
            packer: Packer::from_name(name),
            lines,
            packed: Vec::new(),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        self.packer.pack(&self.lines, &mut self.packed)?;
        self.out.write_all(&self.packed)?;
        self.lines.clear();
        self.packed.clear();
        Ok(())
    }
}

impl<W: Write> RecordWriter for JsonLinesWriter<W> {
    fn write(&mut self, record: &Record) -> io::Result<()> {
        self.tally.add(&record.what);
        write_record(&mut self.lines, record);
        if self.lines.len() < GATHER { Ok(()) } else { self.flush() }
    }

    fn finish(mut self: Box<Self>) -> io::Result<Carried> {
        self.flush()?;
        self.packer.end(&mut self.packed)?;
        self.out.write_all(&self.packed)?;
        Ok(Carried { tally: self.tally, left_out: 0 })
    }
}

/// The unpacked bytes of one zstd frame: the most that one damaged byte can cost.
const ZSTD_FRAME: usize = 4 * 1024 * 1024;

const ZSTD_LEVEL: i32 = 3;

/// Packs whole lines, so that what has been packed can be read back even if the file ends there.
pub enum Packer {
    /// As they are.
    Plain,
    /// With zstd.
    Zstd(ZstdPacker),
}

/// A run of zstd frames, each with a checksum.
#[derive(Default)]
pub struct ZstdPacker {
    frame: Option<zstd::Encoder<'static, Vec<u8>>>,
    in_frame: usize,
}

impl Packer {
    /// Packs with zstd if the file's name ends in `.zst`.
    pub fn from_name(path: &Path) -> Packer {
        if path.extension().is_some_and(|extension| extension.eq_ignore_ascii_case("zst")) {
            Packer::Zstd(ZstdPacker::default())
        } else {
            Packer::Plain
        }
    }

    /// Appends `lines` to `out`, packed. They end with a line feed.
    pub fn pack(&mut self, lines: &[u8], out: &mut Vec<u8>) -> io::Result<()> {
        let zstd = match self {
            Packer::Plain => {
                out.extend_from_slice(lines);
                return Ok(());
            }
            Packer::Zstd(zstd) => zstd,
        };
        let mut frame = match zstd.frame.take() {
            Some(frame) => frame,
            None => {
                let mut frame = zstd::Encoder::new(Vec::new(), ZSTD_LEVEL)?;
                frame.include_checksum(true)?;
                zstd.in_frame = 0;
                frame
            }
        };
        frame.write_all(lines)?;
        // Close the block, so that a reader gets all of it without what follows.
        frame.flush()?;
        out.append(frame.get_mut());
        zstd.frame = Some(frame);
        zstd.in_frame += lines.len();
        if zstd.in_frame >= ZSTD_FRAME { self.end(out) } else { Ok(()) }
    }

    /// Appends what closes the file.
    pub fn end(&mut self, out: &mut Vec<u8>) -> io::Result<()> {
        if let Packer::Zstd(ZstdPacker { frame, .. }) = self
            && let Some(frame) = frame.take()
        {
            out.append(&mut frame.finish()?);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Nanos, What};

    const HEADER: &str = r#"{"format":"dropline-capture","version":1,"started":"2026-03-02T06:30:00Z","bitrate":125000}"#;
    const FRAME: &str = r#"{"t_ns":512000,"id":"45D","data":"01020304"}"#;

    struct ReadBack {
        records: Vec<Record>,
        unreadable: u64,
        torn: bool,
        messages: Vec<String>,
    }

    fn read(bytes: &[u8]) -> Result<ReadBack, SourceError> {
        let lines = Lines::new(super::super::input::Input::new(bytes).unwrap());
        let mut reader = JsonLinesReader::new("a.jsonl".into(), lines)?;
        let mut records = Vec::new();
        while reader.read(&mut records)? {}
        let messages = reader.messages();
        Ok(ReadBack { records, unreadable: reader.unreadable(), torn: reader.torn(), messages })
    }

    #[test]
    fn a_bad_line_is_told_and_does_not_cost_the_next() {
        let text = format!(
            "{HEADER}\n{FRAME}\n{{\"t_ns\":1,\"id\":\"800\",\"data\":\"\"}}\n\n\0\x01\n{FRAME}\n{}\n",
            r#"{"t_ns":999000,"end":{"frames":2,"error_frames":0,"lost_frames":0}}"#
        );
        let result = read(text.as_bytes()).unwrap();
        assert_eq!(result.records.len(), 3);
        assert_eq!(result.records[0].t, Nanos(512000));
        let tally = Tally { frames: 2, ..Tally::default() };
        assert_eq!(result.records[2].what, What::End(Box::new(tally)));
        assert_eq!((result.unreadable, result.torn), (2, false));
        assert_eq!(
            result.messages,
            [
                "a.jsonl: line 3: id: neither 000 to 7FF in three hex digits nor 00000000 to \
             1FFFFFFF in eight; skipped",
                "a.jsonl: line 5: not a JSON object; skipped",
            ]
        );
    }

    #[test]
    fn cut_at_every_byte() {
        let text = format!("{HEADER}\n{FRAME}\n{FRAME}\n");
        for cut in HEADER.len()..=text.len() {
            let result = read(&text.as_bytes()[..cut]).unwrap();
            let after = cut.saturating_sub(HEADER.len() + 1);
            // The closing brace makes the record whole; the line feed adds nothing to it.
            let whole = (after + 1) / (FRAME.len() + 1);
            assert_eq!(result.records.len(), whole, "cut at {cut}");
            let clean = after % (FRAME.len() + 1) == 0 || (after + 1) % (FRAME.len() + 1) == 0;
            assert_eq!(result.torn, !clean, "cut at {cut}");
            assert_eq!(result.unreadable, 0);
        }
        for cut in 0..HEADER.len() {
            let error = read(&text.as_bytes()[..cut]).err().unwrap().to_string();
            assert!(error.starts_with("a.jsonl: line 1: not a dropline capture"), "{error}");
        }
    }

    #[test]
    fn an_overlong_line_is_one_bad_line() {
        let text = format!("{HEADER}\n{{\"mark\":\"{}\"}}\n{FRAME}", "x".repeat(1 << 21));
        let result = read(text.as_bytes()).unwrap();
        assert_eq!((result.records.len(), result.unreadable), (1, 1));
        assert_eq!(result.messages, ["a.jsonl: line 2: longer than a line can be; skipped"]);
    }
}
