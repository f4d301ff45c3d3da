//! `dropline demo`: the main job with no hardware and no file.

use std::path::PathBuf;

use clap::Args;

use super::analyse::{analyse_with, file_name, show_messages};
use super::arguments::{Expected, Results};
use super::terminal::{CommandOutcome, say};
use crate::analysis::Finished;
use crate::health::Summary;
use crate::output::capture::{CaptureWriter, WriterOptions};
use crate::sim::SimSource;
use crate::source::{Reader, SourceError};
use crate::wire::{Header, Record};

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

pub(super) fn run(args: &DemoArgs) -> anyhow::Result<CommandOutcome> {
    let summary = listen(args)?;
    let results = Results { summary: Some(args.summary.clone()), json: args.json, fail_on: None };
    let outcome = results.deliver(&summary)?;
    let (capture, summary) = (args.capture.display(), args.summary.display());
    say(&format!("the capture is in {capture}, the summary in {summary}"));
    Ok(outcome)
}

fn listen(args: &DemoArgs) -> anyhow::Result<Summary> {
    let given = args.expected.read()?;
    let source = SimSource::demo();
    let options = WriterOptions { overwrite: true, ..WriterOptions::default() };
    let writer = CaptureWriter::create(&args.capture, source.header(), options)?;
    let mut source = CapturingReader { reader: source, writer };
    let name = file_name(&args.capture);
    let Finished { summary, trunk, .. } =
        analyse_with(&mut source, given, &name, &mut show_messages);
    for message in source.writer.finish(trunk.now()).messages {
        say(&message);
    }
    Ok(summary)
}

/// A reader whose records all go into a capture as they come by.
struct CapturingReader<R> {
    reader: R,
    writer: CaptureWriter,
}

impl<R: Reader> Reader for CapturingReader<R> {
    fn header(&self) -> &Header {
        self.reader.header()
    }

    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        let before = batch.len();
        let more = self.reader.read(batch);
        self.writer.send(&batch[before..]);
        more
    }

    fn unreadable(&self) -> u64 {
        self.reader.unreadable()
    }

    fn torn(&self) -> bool {
        self.reader.torn()
    }

    fn messages(&mut self) -> Vec<String> {
        let mut messages = self.reader.messages();
        messages.extend(self.writer.messages());
        messages
    }
}
