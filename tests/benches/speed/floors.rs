//! The least that any reader must do, as plain as can be: what the real thing is measured against.

use std::error::Error;
use std::fs::{self, File};
use std::hint::black_box;
use std::io::BufReader;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use pcap_file::pcapng::PcapNgReader;
use serde::Deserialize;

use super::child;

/// A record as a typed, borrowed value, with nothing checked.
#[derive(Deserialize)]
struct Line<'a> {
    t_ns: Option<i64>,
    id: Option<&'a str>,
    data: Option<&'a str>,
    rtr: Option<u8>,
    error: Option<&'a str>,
    lost: Option<u64>,
}

/// One thread that only deserialises each line, all of them in memory already, and throws it away.
pub fn deserialise(lines: &[u8]) -> Result<Duration, Box<dyn Error>> {
    let begin = Instant::now();
    let mut start = 0;
    for end in memchr::memchr_iter(b'\n', lines) {
        let Line { t_ns, id, data, rtr, error, lost } = serde_json::from_slice(&lines[start..end])?;
        black_box((t_ns, id, data, rtr, error, lost));
        start = end + 1;
    }
    Ok(begin.elapsed())
}

/// The lines of a capture, in memory.
pub fn read(capture: &Path) -> Result<Vec<u8>, Box<dyn Error>> {
    Ok(fs::read(capture)?)
}

/// `wc -l` of a capture.
pub fn count_lines(capture: &Path) -> Result<Duration, Box<dyn Error>> {
    child::wall(Command::new("wc").arg("-l").arg(capture))
}

/// One thread that only takes a pcapng file apart into blocks and throws them away.
pub fn pcapng_blocks(capture: &Path) -> Result<Duration, Box<dyn Error>> {
    let begin = Instant::now();
    let file = BufReader::with_capacity(256 * 1024, File::open(capture)?);
    let mut reader = PcapNgReader::new(file)?;
    while let Some(block) = reader.next_block() {
        black_box(block?);
    }
    Ok(begin.elapsed())
}
