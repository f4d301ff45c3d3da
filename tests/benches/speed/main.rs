//! How fast: each stage and the whole, as ratios to plain programs that do the least possible on
//! the same machine in the same run, and to what was last recorded.
//!
//!     cargo bench --bench speed                 10 million frames, five runs; a few minutes
//!     cargo bench --bench speed -- --brief      100,000 frames, one run: only that it works
//!     cargo bench --bench speed -- replay wire  only these parts
//!     cargo bench --bench speed -- --frames 1000000 --runs 3
//!
//! Nothing here fails for a time. A person who accepts new figures writes them to
//! `recorded.toml`.

mod captures;
mod child;
mod floors;
mod growth;
mod instructions;
mod parts;
mod plot;
mod recorded;
mod table;

use std::error::Error;

use captures::Captures;
use table::Table;

/// Measures some things and puts them into the table.
type Part = fn(&Options, &Captures, &mut Table) -> parts::Done;

const PARTS: [(&str, Part); 7] = [
    ("replay", parts::replay),
    ("pcapng", parts::pcapng),
    ("analysis", parts::analysis),
    ("wire", parts::wire),
    ("start", parts::start),
    ("instructions", instructions::count),
    ("growth", growth::growth),
];

/// What a run is asked for.
pub struct Options {
    /// Frames in the captures.
    pub frames: u64,
    /// So many times each thing is timed; the least counts.
    pub runs: usize,
    /// Only that everything works.
    pub brief: bool,
    only: Vec<String>,
}

impl Options {
    fn of_arguments() -> Result<Options, Box<dyn Error>> {
        let brief = std::env::args().any(|argument| argument == "--brief");
        let (frames, runs) = if brief { (100_000, 1) } else { (10_000_000, 5) };
        let mut options = Options { frames, runs, brief, only: Vec::new() };
        let mut arguments = std::env::args().skip(1);
        while let Some(argument) = arguments.next() {
            let mut number = || -> Result<u64, Box<dyn Error>> {
                let text = arguments.next().ok_or(format!("{argument} needs a number"))?;
                Ok(text.parse().map_err(|_| format!("{text} is no number"))?)
            };
            match argument.as_str() {
                // cargo says that it is a bench.
                "--brief" | "--bench" => {}
                "--frames" => options.frames = number()?.max(1000),
                "--runs" => options.runs = number()?.max(1) as usize,
                part if PARTS.iter().any(|(name, _)| *name == part) => options.only.push(argument),
                _ => {
                    let parts = PARTS.map(|(name, _)| name).join(", ");
                    return Err(format!("{argument} is no part; there are {parts}").into());
                }
            }
        }
        Ok(options)
    }

    fn wants(&self, part: &str) -> bool {
        self.only.is_empty() || self.only.iter().any(|only| only == part)
    }
}

fn main() -> Result<(), Box<dyn Error>> {
    if let Some(frames) = instructions::asked_for() {
        return instructions::hot_path(frames);
    }
    if let Some(load) = growth::asked_for() {
        return growth::point(load);
    }
    let options = Options::of_arguments()?;
    let captures = Captures::new(options.frames)?;
    let mut table = Table::new(recorded::Recorded::read()?);
    for (_, part) in PARTS.iter().filter(|(name, _)| options.wants(name)) {
        part(&options, &captures, &mut table)?;
    }
    table.end(options.brief);
    Ok(())
}
