//! `dropline replay`: the analysis of a watch, at the desk.

mod lines;

use std::num::NonZeroUsize;
use std::path::PathBuf;

use clap::Args;

use super::bar::Bar;
use super::listen::{Expected, Results, analyse, block_on, file_name};
use super::{Failure, Outcome, player, view};
use crate::health::summary::Kind;
use crate::source::{self, AnySource, Source, SourceError};
use crate::wire::{Header, Record};

/// Replay a saved capture: the same analysis as live, and the same summary.
///
/// The pieces of a capture that rolled over, given in the order of their names, are replayed as
/// the one that they are.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  dropline replay line3.jsonl --summary line3.summary.json
  dropline replay line3.jsonl --json
  dropline replay line3.jsonl --view
  dropline replay line3-*.jsonl
  dropline replay --summary-lines --jobs 4 plant/*.jsonl.zst > plant.jsonl")]
pub(super) struct ReplayArgs {
    /// A capture, plain or zstd-compressed, or pcapng; or all pieces of one
    #[arg(value_name = "CAPTURE", required = true)]
    captures: Vec<PathBuf>,

    /// Of a pcapng file with several CAN interfaces, the one to replay
    #[arg(long, value_name = "NAME")]
    interface: Option<String>,

    /// Play it through the live view, with pause, speed and going to a time; without a terminal,
    /// tell what happened in plain lines
    #[arg(long, conflicts_with_all = ["summary", "json", "fail_on"])]
    view: bool,

    /// A summary for each capture, one line of JSON each, in the order given
    #[arg(long, conflicts_with_all = ["summary", "json", "view"])]
    summary_lines: bool,

    /// With --summary-lines: so many captures at the same time; else as many as there are
    /// processors
    #[arg(long, value_name = "N", requires = "summary_lines")]
    jobs: Option<NonZeroUsize>,

    #[command(flatten)]
    expected: Expected,

    #[command(flatten)]
    results: Results,
}

pub(super) fn run(args: &ReplayArgs) -> Result<Outcome, Failure> {
    let options = source::Saved { interface: args.interface.clone(), ..source::Saved::default() };
    if args.summary_lines {
        return lines::print_each(args, &options);
    }
    let given = args.expected.read()?;
    let name = name_of(&args.captures);
    if args.view {
        let [capture] = &args.captures[..] else {
            return Err(Failure("--view plays one capture; give one file".into()));
        };
        if view::is_possible() {
            block_on(player::play(capture.clone(), options, name, given))??;
        } else {
            let mut source = source::open(capture, &options).map_err(|e| Failure(e.to_string()))?;
            block_on(player::tell(&mut source, &name, given))??;
        }
        return Ok(Outcome::Done);
    }
    let bar = Bar::over(&options.progress);
    let source = source::open_all(&args.captures, &options).map_err(|e| Failure(e.to_string()))?;
    let mut source = Whole { source, several: args.captures.len() > 1, broken: None };
    let summary = block_on(analyse(&mut source, given, Kind::Capture, &name))?;
    drop(bar);
    match source.broken {
        Some(error) => Err(Failure(error.to_string())),
        None => args.results.deliver(&summary),
    }
}

/// What the summary calls its source: the file, or what all the pieces share.
fn name_of(captures: &[PathBuf]) -> String {
    let names: Vec<String> = captures.iter().map(|path| file_name(path)).collect();
    match &names[..] {
        [one] => one.clone(),
        [first, others @ ..] => source::whole_name(names.iter().map(String::as_str))
            .unwrap_or_else(|| format!("{first} and {} more", others.len())),
        [] => String::new(),
    }
}

/// Of several captures the summary of a part would be wrong: it is none. Of a single one that
/// breaks off it is as good as that of one that was cut off.
struct Whole {
    source: AnySource,
    several: bool,
    broken: Option<SourceError>,
}

impl Source for Whole {
    fn header(&self) -> &Header {
        self.source.header()
    }

    async fn fill(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        match self.source.fill(batch).await {
            Err(error) if self.several => {
                self.broken = Some(error);
                Ok(false)
            }
            result => result,
        }
    }

    fn unreadable(&self) -> u64 {
        self.source.unreadable()
    }

    fn torn(&self) -> bool {
        self.source.torn()
    }

    fn messages(&mut self) -> Vec<String> {
        self.source.messages()
    }
}
