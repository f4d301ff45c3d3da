//! What must hold for any bytes at all; used by the fuzz targets and by `cargo test`.

// Each user takes some of them.
#![allow(dead_code, unused_imports)]

mod described;
mod heard;
mod lives;
mod packets;
mod sheets;

pub use described::{data_sheet, plan, scenario, summary};
pub use heard::{fragment, trunk};
pub use lives::lives;
pub use packets::packets;
pub use sheets::sheets;

use std::io::Read;
use std::path::Path;

use dropline::Record;
use dropline::capture::{CaptureFormat, ReadOptions};
use dropline::internal::source::reader_from;
use dropline::internal::wire::{
    parse_header, parse_record, quick_frame, write_header, write_record,
};
use dropline::record::{Header, Tally, What};

/// A line that reads as a record or a header is written and read back as the same; and the
/// reader of the common form agrees with the general one.
pub fn line(bytes: &[u8]) {
    if let Ok(record) = parse_record(bytes) {
        let mut line = Vec::new();
        write_record(&mut line, &record);
        assert_eq!(parse_record(&line).as_ref(), Ok(&record));
    }
    if let Ok(header) = parse_header(bytes) {
        let mut line = Vec::new();
        write_header(&mut line, &header);
        assert_eq!(parse_header(&line).as_ref(), Ok(&header));
    }
    // The longest line of that form must fit behind it.
    let padded = [bytes, b"\n", &[0; 72]].concat();
    if let Some(((t, frame), length)) = quick_frame(&padded) {
        let record = Record { t, what: What::Frame(frame) };
        assert_eq!(parse_record(&padded[..length]), Ok(record));
    }
}

/// A file reads to its end with few messages, or is refused in one line; what is read comes
/// back the same from a capture and from pcapng.
pub fn file(bytes: &[u8]) {
    let Some((header, records)) = read(bytes) else { return };
    let mut capture = Vec::new();
    write_header(&mut capture, &header);
    records.iter().for_each(|record| write_record(&mut capture, record));
    assert_eq!(read(&capture[..]), Some((header.clone(), records.clone())));

    // Texts that a comment or option cannot hold are refused or left out.
    let (name, mut pcapng) = (Path::new("any.pcapng"), Vec::new());
    let format = CaptureFormat::from_name(name).unwrap();
    let Ok(mut writer) = format.writer(&mut pcapng, name, &header) else { return };
    records.iter().for_each(|record| writer.write(record).unwrap());
    let carried = writer.finish().unwrap();
    if carried.left_out == 0 {
        assert_eq!(read(&pcapng[..]), Some((header, records)));
    }
}

/// A pcapng file reads the same however its bytes arrive, and its end counts what was read.
pub fn pcapng(bytes: &[u8]) {
    // Anything else is for `file`.
    let mut whole = vec![0x0A, 0x0D, 0x0D, 0x0A];
    whole.extend_from_slice(bytes.strip_prefix(&whole[..]).unwrap_or(bytes));
    let at_once = read(&whole[..]);
    assert_eq!(read(Dribble(&whole)), at_once);
    let Some((_, records)) = at_once else { return };
    let mut tally = Tally::default();
    for record in &records {
        if let (What::End(end), true) = (&record.what, records.last() == Some(record))
            && !own(bytes)
        {
            assert_eq!(**end, tally);
        }
        tally.add(&record.what);
    }
    // No frame is made up: each takes 12 bytes of framing and 8 of its own at least.
    assert!((tally.frames + tally.error_frames) as usize <= whole.len() / 20);
}

/// Whether dropline's own comments, which may claim any end, are in it.
fn own(bytes: &[u8]) -> bool {
    bytes.windows(6).any(|text| text == b"\"t_ns\"")
}

/// Gives a few bytes at a time.
struct Dribble<'a>(&'a [u8]);

impl Read for Dribble<'_> {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        let most = 1 + self.0.len() % 7;
        let n = most.min(out.len()).min(self.0.len());
        self.0.read(&mut out[..n])
    }
}

fn read(bytes: impl Read + Send) -> Option<(Header, Vec<Record>)> {
    let mut reader = match reader_from("any", bytes, &ReadOptions::default()) {
        Ok(reader) => reader,
        Err(error) => {
            is_one_line(&error.to_string());
            return None;
        }
    };
    let (mut records, mut messages) = (Vec::new(), Vec::new());
    loop {
        let more = reader.read(&mut records);
        messages.append(&mut reader.messages());
        match more {
            Ok(true) => {}
            Ok(false) => break,
            Err(error) => {
                is_one_line(&error.to_string());
                break;
            }
        }
    }
    assert!(messages.len() <= 26);
    messages.iter().for_each(|message| is_one_line(message));
    Some((reader.header().clone(), records))
}

fn is_one_line(message: &str) {
    assert!(!message.is_empty() && message.len() < 2000);
    assert!(!message.chars().any(char::is_control), "{message:?}");
}
