//! `dropline replay`: the analysis of a watch, at the desk.

mod lines;

use std::num::NonZeroUsize;
use std::path::PathBuf;

use clap::Args;

use super::bar::Bar;
use super::listen::{Expected, Results, analyse, block_on};
use super::whole::{Whole, name_of};
use super::{Failure, Outcome, player, view};
use crate::health::summary::Kind;
use crate::source;

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
  dropline replay line3-*.jsonl --view
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
    let options =
        source::ReadOptions { interface: args.interface.clone(), ..source::ReadOptions::default() };
    if args.summary_lines {
        return lines::print_each(args, &options);
    }
    let given = args.expected.read()?;
    let name = name_of(&args.captures);
    if args.view && view::is_possible() {
        block_on(player::play(args.captures.clone(), options, name, given))??;
        return Ok(Outcome::Done);
    }
    let bar = (!args.view).then(|| Bar::over(&options.progress));
    let mut source = Whole::open(&args.captures, &options)?;
    if args.view {
        player::tell(&mut source, &name, given)?;
        return source.finish().map(|()| Outcome::Done);
    }
    let summary = analyse(&mut source, given, Kind::Capture, &name);
    drop(bar);
    source.finish()?;
    args.results.deliver(&summary)
}
