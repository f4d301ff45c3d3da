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

/// What is run under callgrind.
pub struct Stage {
    name: String,
    /// So many frames go through it,
    frames: u64,
    /// of so many that are simulated whatever is asked for: the difference has none of that.
    of: u64,
}

/// The stage that is asked for: only under callgrind.
pub fn asked_for() -> Option<Stage> {
    let mut arguments = std::env::args().skip_while(|argument| argument != HOT).skip(1);
    let name = arguments.next()?;
    let mut number = || arguments.next()?.parse().ok();
    Some(Stage { name, frames: number()?, of: number()? })
}

/// A stage over its frames.
pub fn hot_path(stage: Stage) -> Result<(), Box<dyn Error>> {
    let Stage { name, frames, of } = stage;
    let (header, cut) = trunk(of)?;
    let mut records = cut.collect();
    let mut lines = Vec::new();
    for record in &records {
        write_record(&mut lines, record);
    }
    let each: Vec<&[u8]> = lines.split(|&byte| byte == b'\n').collect();
    records.truncate(frames as usize);
    match name.as_str() {
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

/// Instructions a frame, where callgrind is there.
pub fn count(options: &Options, _: &Captures, table: &mut Table) -> Done {
    if Command::new("valgrind").arg("--version").output().is_err() {
        eprintln!("\nINSTRUCTIONS NOT COUNTED: there is no valgrind here (Debian: valgrind)\n");
        return Ok(());
    }
    let (few, many) = if options.brief { (200, 1_000) } else { (5_000, 25_000) };
    for stage in ["quick parse", "parse", "wire", "analysis"] {
        let taken = |frames| instructions(stage, frames, many);
        let each = (taken(many)? as f64 - taken(few)? as f64) / (many - few) as f64;
        table.most(&format!("{stage}, instructions a frame"), each, None);
    }
    Ok(())
}

fn instructions(stage: &str, frames: u64, of: u64) -> Result<u64, Box<dyn Error>> {
    let output = Command::new("valgrind")
        .args(["--tool=callgrind", "--callgrind-out-file=/dev/null"])
        .arg(std::env::current_exe()?)
        .args([HOT, stage, &frames.to_string(), &of.to_string()])
        .output()?;
    let text = String::from_utf8_lossy(&output.stderr);
    let total = text.lines().find_map(|line| line.split("Collected :").nth(1));
    let total = total.and_then(|number| number.trim().parse().ok());
    total.ok_or_else(|| format!("callgrind over {stage} told no total: {text}").into())
}
