//! What must hold for any bytes at all; used by the fuzz targets and by `cargo test`.

// Each user takes one of the two.
#![allow(dead_code)]

use dropline::output::pcapng::PcapngWriter;
use dropline::source::{Saved, reader_of};
use dropline::wire::{Header, Record, parse_header, parse_record, write_header, write_record};

/// A line that reads as a record or a header is written and read back as the same.
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
}

/// A file reads to its end with few messages, or is refused in one line; what is read comes
/// back the same from a capture and from pcapng.
pub fn file(bytes: &[u8]) {
    let Some((header, records)) = read(bytes) else { return };
    let mut capture = Vec::new();
    write_header(&mut capture, &header);
    records.iter().for_each(|record| write_record(&mut capture, record));
    assert_eq!(read(&capture), Some((header.clone(), records.clone())));

    // Texts that a comment or option cannot hold are refused or left out.
    let Ok(mut writer) = PcapngWriter::new(Vec::new(), &header) else { return };
    records.iter().for_each(|record| writer.write(record).unwrap());
    let (pcapng, carried) = writer.finish().unwrap();
    if carried.left_out == 0 {
        assert_eq!(read(&pcapng), Some((header, records)));
    }
}

fn read(bytes: &[u8]) -> Option<(Header, Vec<Record>)> {
    let mut reader = match reader_of("any", bytes, &Saved::default()) {
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
