//! Instructions of the hot path, by callgrind: they do not depend on the machine's mood.
//!
//! This program runs itself under callgrind twice, over few and over more frames; the difference
//! is the frames' own.

use std::error::Error;
use std::hint::black_box;
use std::process::Command;

use dropline::Analysis;
use dropline::internal::wire::{parse_record, quick_frame, write_record};
use dropline::record::What;
use dropline::record::wire_bits;

use super::Options;
use super::captures::{Captures, trunk};
use super::parts::Done;
use super::table::Table;

const HOT: &str = "--hot";

/// What of the hot path, and how many frames of it: only under callgrind.
pub fn asked_for() -> Option<(String, u64)> {
    let mut arguments = std::env::args().skip_while(|argument| argument != HOT).skip(1);
    Some((arguments.next()?, arguments.next()?.parse().ok()?))
}

/// A stage over so many frames.
pub fn hot_path((stage, frames): (String, u64)) -> Result<(), Box<dyn Error>> {
    // As much is simulated whatever is asked for, so that the difference has none of it.
    let (header, cut) = trunk(MANY)?;
    let mut records = cut.collect();
    let mut lines = Vec::new();
    for record in &records {
        write_record(&mut lines, record);
    }
    let each: Vec<&[u8]> = lines.split(|&byte| byte == b'\n').collect();
    records.truncate(frames as usize);
    match stage.as_str() {
        "quick parse" => {
            let mut rest = &lines[..];
            for _ in 0..frames {
                let (frame, length) = quick_frame(black_box(rest)).ok_or("not of the form")?;
                black_box(frame);
                rest = &rest[length..];
            }
        }
        "parse" => {
            for line in each.iter().take(frames as usize) {
                black_box(parse_record(black_box(line)).map_err(|error| error.to_string())?);
            }
        }
        "wire" => {
            for record in &records {
                if let What::Frame(frame) = &record.what {
                    let frame = black_box(frame);
                    black_box(wire_bits(frame.id(), &frame.payload()));
                }
            }
        }
        _ => {
            let mut analysis = Analysis::new(&header);
            for record in &records {
                analysis.take(record, &mut |_, _| {});
            }
            black_box(analysis);
        }
    }
    Ok(())
}

const FEW: u64 = 5_000;
const MANY: u64 = 25_000;

/// Instructions a frame, where callgrind is there.
pub fn count(_: &Options, _: &Captures, table: &mut Table) -> Done {
    if Command::new("valgrind").arg("--version").output().is_err() {
        eprintln!("\nINSTRUCTIONS NOT COUNTED: there is no valgrind here (Debian: valgrind)\n");
        return Ok(());
    }
    for stage in ["quick parse", "parse", "wire", "analysis"] {
        let (few, many) = (instructions(stage, FEW)?, instructions(stage, MANY)?);
        let each = (many as f64 - few as f64) / (MANY - FEW) as f64;
        table.most(&format!("{stage}, instructions a frame"), each, None);
    }
    Ok(())
}

fn instructions(stage: &str, frames: u64) -> Result<u64, Box<dyn Error>> {
    let output = Command::new("valgrind")
        .args(["--tool=callgrind", "--callgrind-out-file=/dev/null"])
        .arg(std::env::current_exe()?)
        .args([HOT, stage, &frames.to_string()])
        .output()?;
    let text = String::from_utf8_lossy(&output.stderr);
    let total = text.lines().find_map(|line| line.split("Collected :").nth(1));
    let total = total.and_then(|number| number.trim().parse().ok());
    total.ok_or_else(|| format!("callgrind over {stage} told no total: {text}").into())
}
