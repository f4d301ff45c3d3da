//! `dropline replay`: the analysis of a watch, at the desk.

use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;

use anyhow::{anyhow, bail};
use clap::Args;

use super::analyse::{CaptureSet, Observed, analyse, analyse_with, capture_name, file_name};
use super::arguments::{Expected, Results};
use super::page::{PageArgs, PageRecorder};
use super::stop::block_on;
use super::terminal::{Bar, CommandOutcome, print, say};
use super::{replay_page, replay_view, view};
use crate::analysis::{Analysis, Given};
use crate::fieldbus::MacId;
use crate::health::Summary;
use crate::health::summary::SourceKind;
use crate::output::event_log::Narrator;
use crate::output::page;
use crate::output::web::WebServer;
use crate::source::{ReadOptions, Reader, SourceError, open_reader};

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
    page: PageArgs,

    #[command(flatten)]
    expected: Expected,

    #[command(flatten)]
    results: Results,
}

pub(super) fn run(args: &ReplayArgs) -> anyhow::Result<CommandOutcome> {
    let options = ReadOptions { interface: args.interface.clone(), ..ReadOptions::default() };
    if args.summary_lines {
        if args.page.is_wanted() {
            bail!("--page shows one capture; leave out --summary-lines");
        }
        return print_summary_lines(args, &options);
    }
    let used = args.expected.files().with(args.captures.iter().map(PathBuf::as_path));
    let place = args.results.place(&used)?;
    let given = args.expected.read()?;
    let name = capture_name(&args.captures);
    if args.view && view::is_possible() {
        block_on(replay_view::play(
            args.captures.clone(),
            options,
            name,
            given,
            args.results.zone(),
        ))??;
        return Ok(CommandOutcome::Done);
    }
    let bar = (!args.view).then(|| Bar::over(&options.progress));
    let mut source = CaptureSet::open(&args.captures, &options)?;
    if let Some(served) = args.page.served(false)? {
        if args.view {
            bail!("--page and --view each show the trunk; give one of them");
        }
        drop(bar);
        let address = served.address;
        let server = WebServer::serve(vec![served])
            .map_err(|error| anyhow!("cannot serve at {address}: {error}"))?;
        let recorder = PageRecorder::new(&name, source.header(), args.results.zone(), false);
        let deliver = |summary: &Summary| args.results.deliver(summary, place);
        return block_on(replay_page::serve(source, (&name, given), recorder, server, deliver))?;
    }
    if args.view {
        print_log(&mut source, &name, given, &args.results)?;
        return source.finish().map(|()| CommandOutcome::Done);
    }
    let summary = analyse(&mut source, given, &name);
    drop(bar);
    source.finish()?;
    args.results.deliver(&summary, place)
}

/// Prints the log as plain lines, then the summary as a page: the view without a terminal.
fn print_log(
    source: &mut impl Reader,
    name: &str,
    given: Given,
    results: &Results,
) -> anyhow::Result<()> {
    let mut analysis = Analysis::new(source.header()).with(given);
    let mut narrator = Narrator::default();
    let mut batch = Vec::new();
    loop {
        let more = source.read(&mut batch);
        let mut text = String::new();
        for record in batch.drain(..) {
            analysis.take(&record, &mut |t, event| narrator.event(t, event));
            narrator.record(&record);
            for line in narrator.take() {
                let name = line.mac_id.and_then(|mac_id| analysis.name(mac_id));
                text += &format!("{}\n", line.line(name.as_deref()));
            }
        }
        print(&text)?;
        for message in source.messages() {
            say(&message);
        }
        match more {
            Ok(true) => {}
            Ok(false) => break,
            Err(error) => {
                say(&error.to_string());
                break;
            }
        }
    }
    let unreadable = source.unreadable();
    let mut last = |t, event| narrator.event(t, event);
    let summary = analysis.finish(SourceKind::Capture, name, unreadable, &mut last);
    let name = |mac_id: Option<MacId>| summary.name(mac_id?);
    let lines = narrator.take();
    let text: String =
        lines.iter().map(|line| format!("{}\n", line.line(name(line.mac_id)))).collect();
    print(&format!("{text}\n{}", page(&summary, &results.zone(), results.verbose)))
}

/// What became of one capture.
struct Replayed {
    summary: Result<Summary, SourceError>,
    messages: Vec<String>,
}

/// Prints the summaries in the order in which the captures were given, each as soon as all before
/// it are there. A capture that cannot be read gives a message and does not stop the others.
fn print_summary_lines(args: &ReplayArgs, options: &ReadOptions) -> anyhow::Result<CommandOutcome> {
    // Read once, so that a problem with them is reported once.
    let given = args.expected.read()?;
    let _bar = Bar::beside_lines(&options.progress);
    let jobs = args.jobs.or_else(|| thread::available_parallelism().ok());
    let jobs = jobs.map_or(1, NonZeroUsize::get).min(args.captures.len());
    let next = AtomicUsize::new(0);
    let (send, replayed) = mpsc::channel();
    thread::scope(|scope| {
        for _ in 0..jobs {
            let (next, send, given) = (&next, send.clone(), &given);
            scope.spawn(move || {
                loop {
                    let at = next.fetch_add(1, Ordering::Relaxed);
                    let Some(path) = args.captures.get(at) else { return };
                    if send.send((at, replay(path, options, given.clone()))).is_err() {
                        return;
                    }
                }
            });
        }
        drop(send);
        print_in_order(args, replayed)
    })
}

fn print_in_order(
    args: &ReplayArgs,
    replayed: mpsc::Receiver<(usize, Replayed)>,
) -> anyhow::Result<CommandOutcome> {
    let mut early = BTreeMap::new();
    let (mut due, mut unread, mut holds) = (0, 0, true);
    for (at, one) in replayed {
        early.insert(at, one);
        while let Some(Replayed { summary, messages }) = early.remove(&due) {
            due += 1;
            for message in messages {
                say(&message);
            }
            match summary {
                Ok(summary) => {
                    print(&summary.to_line())?;
                    holds &= args.results.holds(&summary);
                }
                Err(error) => {
                    unread += 1;
                    say(&error.to_string());
                }
            }
        }
    }
    if due < args.captures.len() {
        bail!("only {due} of {} captures replayed", args.captures.len());
    }
    match (unread, holds) {
        (0, true) => Ok(CommandOutcome::Done),
        (0, false) => Ok(CommandOutcome::DoesNotHold),
        (unread, _) => {
            Err(anyhow!("{unread} of {} captures could not be read", args.captures.len()))
        }
    }
}

fn replay(path: &Path, options: &ReadOptions, given: Given) -> Replayed {
    let mut messages = Vec::new();
    let summary = open_reader(path, options).map(|mut reader| {
        let mut keep_messages = |observed: Observed<'_>| {
            if let Observed::Message(message) = observed {
                messages.push(message.to_owned());
            }
        };
        let name = file_name(path);
        analyse_with(reader.as_mut(), given, &name, &mut keep_messages).summary
    });
    Replayed { summary, messages }
}
