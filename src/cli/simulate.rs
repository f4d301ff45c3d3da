//! `dropline simulate`: a capture of a trunk that does not exist, and the truth about it; and
//! `dropline demo`, the demo site that needs no file.

use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{anyhow, bail};
use clap::Args;

use super::analyse::{analyse_with, file_name, show_messages};
use super::arguments::{Expected, Results, Times, wrong_toml};
use super::live;
use super::terminal::{Bar, CommandOutcome, say};
use crate::analysis::Finished;
use crate::health::{Summary, json};
use crate::output::capture::{CaptureWriter, WriterOptions};
use crate::output::{CreateError, OutputPlace, UsedFiles};
use crate::plan::Plan;
use crate::sim::{Scenario, SimSource};
use crate::source::{Progress, ReadOptions, Reader, SourceError, open, read_text};
use crate::wire::{Header, Nanos, Record, write_header, write_record};
use crate::words::numbers as words;

/// Make a capture by simulating a trunk, its devices and its faults
#[derive(Debug, Args)]
#[command(
    after_help = "Example: dropline simulate noise.toml -o noise.jsonl.zst --truth noise.truth.json"
)]
pub(super) struct SimulateArgs {
    /// The trunk, its devices and what goes wrong, as TOML; with --onto also a capture
    #[arg(value_name = "SCENARIO")]
    scenario: PathBuf,

    /// Write the capture to this file; compressed if its name ends in .zst
    #[arg(short, long, value_name = "CAPTURE", required_unless_present = "onto")]
    output: Option<PathBuf>,

    /// Play it in real time onto this virtual interface instead; a real controller is refused
    #[arg(long, value_name = "INTERFACE", conflicts_with_all = ["output", "truth"])]
    onto: Option<String>,

    /// Write what really happened, as JSON, to this file
    #[arg(long, value_name = "FILE")]
    truth: Option<PathBuf>,

    /// Chance begins here; the same seed gives the same capture [default: the scenario's]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,

    /// Replace files that exist
    #[arg(long)]
    overwrite: bool,
}

/// In nanoseconds.
const SECOND: u64 = Nanos::SECOND.0.unsigned_abs();

pub(super) fn run(args: &SimulateArgs) -> anyhow::Result<CommandOutcome> {
    if let Some(interface) = &args.onto {
        return play(args, interface);
    }
    let mut source = simulation(args)?;
    let mut used = UsedFiles::default().with([args.scenario.as_path()]);
    let new = |path: &Path, used: &UsedFiles| {
        OutputPlace::check(path, args.overwrite, used).and_then(|place| place.create())
    };
    let cannot = |path: &Path, error| CreateError::new(path, error);
    let Some(output) = &args.output else {
        bail!("needs -o CAPTURE or --onto INTERFACE");
    };
    let mut file = new(output, &used)?;
    used.add(output);
    let truth =
        args.truth.as_deref().map(|path| new(path, &used).map(|file| (path, file))).transpose()?;
    let compressed = output.extension().is_some_and(|extension| extension == "zst");
    let progress = Arc::new(Progress::new(source.duration().0.unsigned_abs() / SECOND));
    let bar = Bar::over_seconds(&progress);
    write_capture(&mut source, &mut file, compressed, &progress)
        .map_err(|error| cannot(output, error))?;
    file.finish()?;
    drop(bar);
    let (seconds, frames) = (source.duration().as_secs(), source.truth().source.frames);
    let what = format!("{}, {}", words::duration(seconds), words::number(frames, "frame"));
    say(&format!("{}: a simulated trunk, {what}", output.display()));
    if let Some((path, file)) = truth {
        let mut file = file;
        let truth = json::document(source.truth());
        file.write_all(truth.as_bytes()).map_err(|error| cannot(path, error))?;
        file.finish()?;
        say(&format!("{}: what happened on it in truth", path.display()));
    }
    Ok(CommandOutcome::Done)
}

/// Plays the scenario or the capture onto a virtual interface.
fn play(args: &SimulateArgs, interface: &str) -> anyhow::Result<CommandOutcome> {
    let is_scenario = args.scenario.extension().is_some_and(|extension| extension == "toml");
    if is_scenario {
        live::play(&mut simulation(args)?, interface)?;
    } else {
        live::play(&mut open(&args.scenario, &ReadOptions::default())?, interface)?;
    }
    Ok(CommandOutcome::Done)
}

fn simulation(args: &SimulateArgs) -> anyhow::Result<SimSource> {
    let path = &args.scenario;
    let text = read_text(path)?;
    let scenario = Scenario::parse(&text).map_err(|problems| {
        if Plan::parse(&text).is_ok() {
            let name = path.display();
            return anyhow!("{name}: a plan of a trunk, for dropline plan, not a scenario");
        }
        wrong_toml(path, &problems)
    })?;
    Ok(SimSource::new(scenario, args.seed))
}

/// Runs the simulation to its end and writes every record.
fn write_capture(
    source: &mut SimSource,
    file: impl Write,
    compressed: bool,
    progress: &Progress,
) -> io::Result<()> {
    let file = BufWriter::new(file);
    if compressed {
        let mut encoder = zstd::Encoder::new(file, zstd::DEFAULT_COMPRESSION_LEVEL)?;
        write_lines(source, &mut encoder, progress)?;
        encoder.finish()?.flush()
    } else {
        let mut file = file;
        write_lines(source, &mut file, progress)?;
        file.flush()
    }
}

fn write_lines(
    source: &mut SimSource,
    out: &mut impl Write,
    progress: &Progress,
) -> io::Result<()> {
    let (mut batch, mut lines) = (Vec::new(), Vec::new());
    write_header(&mut lines, source.header());
    loop {
        let more = source.next_records(&mut batch);
        for record in batch.drain(..) {
            write_record(&mut lines, &record);
            progress.reached(record.t.0.unsigned_abs() / SECOND);
        }
        out.write_all(&lines)?;
        lines.clear();
        if !more {
            return Ok(());
        }
    }
}

/// Listen to a simulated trunk with a few faults: a cider bottling line at 125 kbit/s
///
/// It goes the same way as a live watch: capture, analysis, summary.
#[derive(Debug, Args)]
#[command(after_help = "Example: dropline demo && dropline replay orchard-lane.jsonl")]
pub(super) struct DemoArgs {
    /// Keep every record in this file, compressed if its name ends in .zst [default:
    /// orchard-lane.jsonl, which is replaced]
    #[arg(long, value_name = "FILE")]
    capture: Option<PathBuf>,

    /// Write the summary as JSON to this file [default: orchard-lane.summary.json, which is
    /// replaced]
    #[arg(long, value_name = "FILE")]
    summary: Option<PathBuf>,

    /// Replace files that exist also where they are named
    #[arg(long)]
    overwrite: bool,

    /// Print the summary as JSON instead of the page
    #[arg(long)]
    json: bool,

    #[command(flatten)]
    times: Times,

    #[command(flatten)]
    expected: Expected,
}

/// What the demo writes where nothing is named: files of its own, which each run makes anew.
const DEMO_CAPTURE: &str = "orchard-lane.jsonl";
const DEMO_SUMMARY: &str = "orchard-lane.summary.json";

pub(super) fn run_demo(args: &DemoArgs) -> anyhow::Result<CommandOutcome> {
    let own = |named: &Option<PathBuf>, default: &str| {
        let path = named.clone().unwrap_or_else(|| default.into());
        (path, args.overwrite || named.is_none())
    };
    let (capture, replace_capture) = own(&args.capture, DEMO_CAPTURE);
    let (summary, replace_summary) = own(&args.summary, DEMO_SUMMARY);
    let mut used = args.expected.files();
    OutputPlace::check(&capture, replace_capture, &used)?;
    used.add(&capture);
    let results = Results {
        summary: Some(summary.clone()),
        overwrite: replace_summary,
        json: args.json,
        times: args.times,
        verbose: false,
        fail_on: None,
    };
    let place = results.place(&used)?;
    let (heard, is_whole) = listen(args, &capture, replace_capture)?;
    let outcome = results.deliver(&heard, place)?;
    let (capture, summary) = (capture.display(), summary.display());
    let lacks = if is_whole { "" } else { ", but frames are missing from it" };
    say(&format!("the capture is in {capture}{lacks}, the summary in {summary}"));
    Ok(outcome.unless(!is_whole))
}

/// The summary, and whether the capture has all of it.
fn listen(args: &DemoArgs, capture: &Path, overwrite: bool) -> anyhow::Result<(Summary, bool)> {
    let given = args.expected.read()?;
    let source = SimSource::demo();
    let options = WriterOptions { overwrite, ..WriterOptions::default() };
    let writer = CaptureWriter::create(capture, source.header(), options)?;
    let mut source = CapturingReader { reader: source, writer };
    let name = file_name(capture);
    let Finished { summary, trunk, .. } =
        analyse_with(&mut source, given, &name, &mut show_messages);
    let written = source.writer.finish(trunk.now());
    written.messages.iter().for_each(|message| say(message));
    let is_whole = written.is_whole();
    Ok((summary, is_whole))
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
