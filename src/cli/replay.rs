//! `dropline replay`: the analysis of a watch, at the desk.

use std::path::PathBuf;

use clap::Args;

use super::listen::{Expected, Results, analyse, block_on, file_name};
use super::{Failure, Outcome, player, view};
use crate::health::summary::Kind;
use crate::source;

/// Replay a saved capture: the same analysis as live, and the same summary.
#[derive(Debug, Args)]
#[command(after_help = "Examples: dropline replay line3.jsonl --summary line3.summary.json
          dropline replay line3.jsonl --view")]
pub(super) struct ReplayArgs {
    /// A capture, plain or zstd-compressed, or pcapng
    #[arg(value_name = "CAPTURE")]
    capture: PathBuf,

    /// Of a pcapng file with several CAN interfaces, the one to replay
    #[arg(long, value_name = "NAME")]
    interface: Option<String>,

    /// Play it through the live view, with pause, speed and going to a time; without a terminal,
    /// tell what happened in plain lines
    #[arg(long, conflicts_with_all = ["summary", "fail_on"])]
    view: bool,

    #[command(flatten)]
    expected: Expected,

    #[command(flatten)]
    results: Results,
}

pub(super) fn run(args: &ReplayArgs) -> Result<Outcome, Failure> {
    let given = args.expected.read()?;
    let options = source::Saved { interface: args.interface.clone() };
    let name = file_name(&args.capture);
    if args.view && view::is_possible() {
        block_on(player::play(args.capture.clone(), options, name, given))??;
        return Ok(Outcome::Done);
    }
    let mut source = source::open(&args.capture, &options).map_err(|e| Failure(e.to_string()))?;
    if args.view {
        block_on(player::tell(&mut source, &name, given))??;
        return Ok(Outcome::Done);
    }
    let summary = block_on(analyse(&mut source, given, Kind::Capture, &name))?;
    args.results.deliver(&summary)
}
