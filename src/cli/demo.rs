//! `dropline demo`: the main job with no hardware and no file.

use std::path::PathBuf;

use clap::Args;

use super::captured::Captured;
use super::listen::{Expected, Results, analyse_with, file_name, say};
use super::{Failure, Outcome};
use crate::analysis::Finished;
use crate::health::Summary;
use crate::health::summary::Kind;
use crate::output::capture::{CaptureWriter, WriterOptions};
use crate::sim::SimSource;

/// Listen to a simulated trunk with a few faults: a cider bottling line at 125 kbit/s
///
/// It goes the same way as a live watch: capture, analysis, summary.
#[derive(Debug, Args)]
#[command(after_help = "Example: dropline demo && dropline replay orchard-lane.jsonl")]
pub(super) struct DemoArgs {
    /// Keep every record in this file, which is replaced if it exists; compressed if its name
    /// ends in .zst
    #[arg(long, value_name = "FILE", default_value = "orchard-lane.jsonl")]
    capture: PathBuf,

    /// Write the summary as JSON to this file
    #[arg(long, value_name = "FILE", default_value = "orchard-lane.summary.json")]
    summary: PathBuf,

    /// Print the summary as JSON instead of the page
    #[arg(long)]
    json: bool,

    #[command(flatten)]
    expected: Expected,
}

pub(super) fn run(args: &DemoArgs) -> Result<Outcome, Failure> {
    let summary = listen(args)?;
    let results = Results { summary: Some(args.summary.clone()), json: args.json, fail_on: None };
    let outcome = results.deliver(&summary)?;
    let (capture, summary) = (args.capture.display(), args.summary.display());
    say(&format!("the capture is in {capture}, the summary in {summary}"));
    Ok(outcome)
}

fn listen(args: &DemoArgs) -> Result<Summary, Failure> {
    let given = args.expected.read()?;
    let source = SimSource::demo();
    let options = WriterOptions { overwrite: true, ..WriterOptions::default() };
    let writer = CaptureWriter::create(&args.capture, source.header(), options)
        .map_err(|error| Failure(error.to_string()))?;
    let mut source = Captured { source, writer };
    let name = file_name(&args.capture);
    let Finished { summary, trunk, .. } =
        analyse_with(&mut source, given, Kind::Capture, &name, &mut |_| {});
    for message in source.writer.finish(trunk.now()).messages {
        say(&message);
    }
    Ok(summary)
}
