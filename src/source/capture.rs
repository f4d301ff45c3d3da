//! A saved capture, plain or packed, line by line into records.

use std::io::{self, Read};

use super::complaints::{Complaints, one_line};
use super::lines::{Lines, Next};
use super::{Reader, SourceError};
use crate::wire::{Header, Record, parse_header, parse_record, quick_frame};

/// Reads a capture. Lines that cannot be read are counted, told and skipped; a torn last line
/// is neither, but [`Reader::torn`] says so.
pub struct CaptureReader<R> {
    name: String,
    lines: Lines<R>,
    header: Header,
    unreadable: u64,
    torn: bool,
    complaints: Complaints,
    /// Apart, so that the broken lines that damage causes do not drown it.
    damages: Complaints,
}

impl<R: Read> CaptureReader<R> {
    /// From lines of which none has been taken.
    pub(super) fn new(name: String, mut lines: Lines<R>) -> Result<Self, SourceError> {
        let refuse = |what: &str| Err(SourceError(one_line(&format!("{name}: line 1: {what}"))));
        let no_capture = "not a dropline capture; give a .jsonl or .jsonl.zst capture or a pcapng \
                          file";
        let first = lines.next().map_err(|error| cannot_go_on(&name, &error))?;
        let header = match first {
            Next::Line(line) | Next::Unended(line) => {
                let line = line.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(line);
                match parse_header(line) {
                    Ok(header) => header,
                    Err(error) => return refuse(&error.to_string()),
                }
            }
            Next::End(false) => return refuse(no_capture),
            Next::End(true) => return refuse("the file is cut off before its first line ends"),
            Next::TooLong => return refuse(no_capture),
            Next::Damage(..) => return refuse("damaged: it cannot be unpacked; copy it again"),
        };
        let (complaints, damages) = (Complaints::about(&name), Complaints::about(&name));
        let (unreadable, torn) = (0, false);
        Ok(CaptureReader { name, lines, header, unreadable, torn, complaints, damages })
    }

    fn complain(&mut self, what: impl std::fmt::Display) {
        self.unreadable += 1;
        let place = format_args!("line {}", self.lines.number());
        self.complaints.add(place, format_args!("{what}; skipped"));
    }
}

pub(super) fn cannot_go_on(name: &str, error: &io::Error) -> SourceError {
    SourceError(format!("{name}: cannot be read on: {error}; copy it from a sound disk"))
}

impl<R: Read> Reader for CaptureReader<R> {
    fn header(&self) -> &Header {
        &self.header
    }

    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        loop {
            while let Some((t, frame)) = self.lines.take(quick_frame) {
                Record::add_frame(batch, t, frame);
            }
            match self.lines.next().map_err(|error| cannot_go_on(&self.name, &error))? {
                Next::Line(line) => match parse_record(line) {
                    Ok(record) => batch.push(record),
                    // Nothing on it is nothing lost.
                    Err(_) if line.trim_ascii().is_empty() => {}
                    Err(error) => self.complain(error),
                },
                // A record cannot be cut and still be a whole JSON object.
                Next::Unended(line) => match parse_record(line) {
                    Ok(record) => batch.push(record),
                    Err(_) => self.torn |= !line.trim_ascii().is_empty(),
                },
                Next::TooLong => self.complain("longer than a line can be"),
                Next::Damage(from, to) => {
                    self.unreadable += 1;
                    let what = format_args!(
                        "bytes {from} to {to} are damaged; records there are lost, some before may be wrong"
                    );
                    self.damages.add(format_args!("after line {}", self.lines.number()), what);
                }
                Next::End(cut_off) => {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Nanos, Tally, What};

    const HEADER: &str = r#"{"format":"dropline-capture","version":1,"started":"2026-03-02T06:30:00Z","bitrate":125000}"#;
    const FRAME: &str = r#"{"t_ns":512000,"id":"45D","data":"01020304"}"#;

    struct Result {
        records: Vec<Record>,
        unreadable: u64,
        torn: bool,
        messages: Vec<String>,
    }

    fn read(bytes: &[u8]) -> std::result::Result<Result, SourceError> {
        let lines = Lines::new(crate::source::input::Input::new(bytes).unwrap());
        let mut reader = CaptureReader::new("a.jsonl".into(), lines)?;
        let mut records = Vec::new();
        while reader.read(&mut records)? {}
        let messages = reader.messages();
        Ok(Result { records, unreadable: reader.unreadable(), torn: reader.torn(), messages })
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
