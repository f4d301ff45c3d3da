//! Many captures, each with a summary of its own, several at the same time.

use std::collections::BTreeMap;
use std::num::NonZeroUsize;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;
use std::thread;

use super::super::bar::Bar;
use super::super::listen::{file_name, print, say};
use super::super::{Failure, Outcome};
use super::ReplayArgs;
use crate::analysis::{Analysis, Given};
use crate::health::Summary;
use crate::health::summary::Kind;
use crate::source::{ReadOptions, SourceError, open_reader};

/// What became of one capture.
struct Replayed {
    summary: Result<Summary, SourceError>,
    messages: Vec<String>,
}

/// Prints the summaries in the order in which the captures were given, each as soon as all before
/// it are there. A capture that cannot be read is told, and does not cost the others.
pub(super) fn print_each(args: &ReplayArgs, options: &ReadOptions) -> Result<Outcome, Failure> {
    // Told once what is wrong with them, not once a capture.
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
) -> Result<Outcome, Failure> {
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
        return Err(Failure(format!("only {due} of {} captures replayed", args.captures.len())));
    }
    match (unread, holds) {
        (0, true) => Ok(Outcome::Done),
        (0, false) => Ok(Outcome::DoesNotHold),
        (unread, _) => {
            Err(Failure(format!("{unread} of {} captures could not be read", args.captures.len())))
        }
    }
}

fn replay(path: &Path, options: &ReadOptions, given: Given) -> Replayed {
    let mut messages = Vec::new();
    let summary = open_reader(path, options).map(|mut reader| {
        let mut analysis = Analysis::new(reader.header()).with(given);
        let mut batch = Vec::new();
        loop {
            let more = reader.read(&mut batch);
            for record in &batch {
                analysis.take(record, &mut |_, _| {});
            }
            batch.clear();
            messages.append(&mut reader.messages());
            match more {
                Ok(true) => {}
                Ok(false) => break,
                // What was read is good, and the summary says that it is not complete.
                Err(error) => {
                    messages.push(error.to_string());
                    break;
                }
            }
        }
        let name = file_name(path);
        analysis.finish(Kind::Capture, &name, reader.unreadable(), &mut |_, _| {})
    });
    Replayed { summary, messages }
}
