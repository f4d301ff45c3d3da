//! `dropline watch`: listens to a live trunk until it is told to stop.

mod stop;

use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use jiff::SignedDuration;
use tokio::time::{MissedTickBehavior, interval, timeout};

use self::stop::Stop;
use super::listen::{Expected, Results, block_on, file_name};
use super::teller::Teller;
use super::{Failure, Outcome};
use crate::analysis::Analysis;
use crate::health::Summary;
use crate::health::summary::Kind;
use crate::output::capture::{CaptureWriter, Keep, Pieces, Roll, WriterOptions};
use crate::output::view::{Subject, Wish};
use crate::source::{LiveOptions, LiveSource, Source, SourceError};
use crate::wire::{Bitrate, Nanos, Record, What};

/// Listen to a live trunk: capture, analysis, and the summary at the end
///
/// Ctrl-C ends it, with capture and summary complete. It never sends a frame, and refuses a
/// controller that could.
#[derive(Debug, Args)]
#[command(after_help = "Example: dropline watch can0 --capture line3.jsonl.zst --for 8h

Connecting to a trunk is work inside a cabinet: for qualified people, under the local codes and
the makers' manuals. Isolate and prove dead first; drives hold a charge after they are switched
off. dropline is not a safety device.")]
pub(super) struct WatchArgs {
    /// The CAN interface, such as can0
    #[arg(value_name = "IFACE")]
    interface: String,

    /// Keep every record in this file; compressed if its name ends in .zst
    #[arg(long, value_name = "FILE")]
    capture: Option<PathBuf>,

    /// Replace a capture that exists
    #[arg(long, requires = "capture")]
    overwrite: bool,

    /// Begin another file at this size (100MB) or after this time (1h). Of --capture line3.jsonl
    /// they are line3-000001-20260302T063000Z.jsonl and so on: a number and when it begins
    #[arg(long, value_name = "SIZE|TIME", requires = "capture", conflicts_with = "overwrite")]
    roll: Option<Roll>,

    /// Of the files of this name, also those of earlier watches, keep only so many (48), so many
    /// bytes (10GB) or what is not older (30d), and remove the oldest
    #[arg(long, value_name = "N|SIZE|AGE", requires = "roll")]
    keep: Option<Keep>,

    /// Stop by itself after so long: 30s, 10m, 8h
    #[arg(long = "for", value_name = "TIME", value_parser = duration)]
    limit: Option<Duration>,

    /// The trunk's bit rate in bit/s, where the interface has none of its own
    #[arg(long, value_name = "N", value_parser = bitrate)]
    bitrate: Option<Bitrate>,

    /// Listen also through a controller that is able to send. On a wrong bit rate it destroys
    /// live traffic, on the right one it acknowledges frames
    #[arg(long)]
    allow_active: bool,

    /// Plain lines on standard error, even where there is a terminal for the view
    #[arg(long)]
    plain: bool,

    #[command(flatten)]
    expected: Expected,

    #[command(flatten)]
    results: Results,
}

pub(super) fn run(args: &WatchArgs) -> Result<Outcome, Failure> {
    args.results.prepare()?;
    let summary = block_on(watch(args))??;
    args.results.deliver(&summary)
}

/// How often the view may get new numbers.
const VIEW_TICK: Duration = Duration::from_millis(100);

async fn watch(args: &WatchArgs) -> Result<Summary, Failure> {
    let mut stop = Stop::on_signal_or_after(args.limit)?;
    let mut source = LiveSource::open(LiveOptions {
        interface: args.interface.clone(),
        bitrate: args.bitrate,
        allow_active: args.allow_active,
    })
    .map_err(|error| Failure(error.to_string()))?;
    let mut watch = Watch::start(args, &source)?;
    let mut batch = Vec::new();
    let every = if watch.teller.has_view() { VIEW_TICK } else { Duration::from_secs(1) };
    let mut tick = interval(every);
    tick.set_missed_tick_behavior(MissedTickBehavior::Skip);
    let broken = loop {
        tokio::select! {
            biased;
            () = stop.wait() => break None,
            _ = tick.tick() => watch.teller.status(&watch.analysis),
            wish = watch.teller.wish() => match wish {
                Wish::Quit => break None,
                Wish::Mark(note) => {
                    if let Err(error) = mark(&note, &mut source, &mut batch).await {
                        break Some(error);
                    }
                }
                // The rest is for a replay.
                _ => {}
            },
            more = source.fill(&mut batch) => if let Err(error) = more { break Some(error) },
        }
        watch.take(&mut batch);
        watch.tell(source.messages());
    };
    let t = source.stop(&mut batch);
    watch.take(&mut batch);
    watch.tell(source.messages());
    Ok(watch.finish(t, broken))
}

/// Marks this moment. What was received until now comes before the mark, so that the times stay
/// in order.
async fn mark(
    note: &str,
    source: &mut LiveSource,
    batch: &mut Vec<Record>,
) -> Result<(), SourceError> {
    let now = source.now();
    while batch.last().is_none_or(|last| last.t < now) {
        match timeout(Duration::ZERO, source.fill(batch)).await {
            Ok(more) => more?,
            Err(_) => break,
        };
    }
    let t = batch.last().map_or(now, |last| last.t.max(now));
    batch.push(Record { t, what: What::Mark(note.into()) });
    Ok(())
}

/// What becomes of the records, and what the person who watches is told.
struct Watch {
    interface: String,
    analysis: Analysis,
    writer: Option<CaptureWriter>,
    teller: Teller,
}

impl Watch {
    fn start(args: &WatchArgs, source: &LiveSource) -> Result<Watch, Failure> {
        let given = args.expected.read()?;
        let header = source.header();
        let roll = args.roll;
        let pieces = roll.map(|_| Pieces { roll, keep: args.keep, on_demand: false });
        let options =
            WriterOptions { overwrite: args.overwrite, pieces, ..WriterOptions::default() };
        let writer = args
            .capture
            .as_ref()
            .map(|path| CaptureWriter::create(path, header, options))
            .transpose()
            .map_err(|error| Failure(error.to_string()))?;
        let subject = Subject { name: args.interface.clone(), header: header.clone(), live: true };
        let mut teller = Teller::start(subject, args.plain);
        teller.line(&opening(source));
        if header.listen_only == Some(false) {
            teller.line(&format!("{}: the controller is able to send", args.interface));
        }
        if header.bitrate.is_none() {
            teller.line("the bit rate is not known, so the load is not; --bitrate gives it");
        }
        let analysis = Analysis::new(header).with(given);
        Ok(Watch { interface: args.interface.clone(), analysis, writer, teller })
    }

    fn take(&mut self, batch: &mut Vec<Record>) {
        if let Some(writer) = &mut self.writer {
            writer.send(batch);
        }
        let narrator = self.teller.narrator();
        for record in batch.drain(..) {
            self.analysis.take(&record, &mut |t, event| narrator.event(t, event));
            narrator.record(&record);
        }
        self.teller.analysed(&self.analysis);
    }

    fn tell(&mut self, messages: Vec<String>) {
        let more = self.writer.as_mut().map(CaptureWriter::messages).unwrap_or_default();
        for message in messages.into_iter().chain(more) {
            self.teller.line(&message);
        }
    }

    /// Ends capture and analysis with the same record, unless the source broke: then both count
    /// as cut off.
    fn finish(mut self, t: Nanos, broken: Option<SourceError>) -> Summary {
        self.teller.end_view();
        let writer = self.writer.take();
        let tally = self.analysis.trunk().tally();
        let mut in_capture = None;
        match broken {
            Some(error) => {
                self.teller.line(&error.to_string());
                drop(writer);
            }
            None => {
                let end = Record { t, what: What::End(tally) };
                self.analysis.take(&end, &mut |_, _| {});
                if let Some(written) = writer.map(|writer| writer.finish(t)) {
                    for message in &written.messages {
                        self.teller.line(message);
                    }
                    let name = written.path.display();
                    let files = match written.pieces {
                        1 => String::new(),
                        pieces => format!(" in {pieces} files"),
                    };
                    self.teller.line(&format!("{name}: {} bytes{files}", written.bytes));
                    // A capture with less in it than was heard does not give this summary.
                    in_capture = (written.end == Some(end)).then(|| file_name(&written.path));
                }
            }
        }
        let (kind, name) = match in_capture {
            Some(name) => (Kind::Capture, name),
            None => (Kind::Live, self.interface),
        };
        self.analysis.finish(kind, &name, 0, &mut |_, _| {})
    }
}

fn opening(source: &LiveSource) -> String {
    let header = source.header();
    let name = header.interface.as_deref().unwrap_or_default();
    let bitrate = header.bitrate.map(|rate| format!(" at {rate}")).unwrap_or_default();
    let room = source.room() / 1024;
    format!("{name}: listening{bitrate}; the kernel keeps {room} KiB of frames not yet read")
}

pub(super) fn duration(text: &str) -> Result<Duration, String> {
    let hint = "not a time; give for example 30s, 10m or 8h";
    let time: SignedDuration = text.parse().map_err(|_| hint)?;
    match Duration::try_from(time) {
        Ok(time) if !time.is_zero() => Ok(time),
        _ => Err(hint.into()),
    }
}

pub(super) fn bitrate(text: &str) -> Result<Bitrate, String> {
    let hint = "give it in bit/s, for example 125000";
    let rate: u32 = text.parse().map_err(|_| hint)?;
    Bitrate::try_from(rate).map_err(|error| format!("{error}; {hint}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_as_people_write_them() {
        assert_eq!(duration("30s"), Ok(Duration::from_secs(30)));
        assert_eq!(duration("500ms"), Ok(Duration::from_millis(500)));
        assert_eq!(duration("1h 30m"), Ok(Duration::from_secs(5400)));
        for wrong in ["", "30", "0s", "-5s", "5 parsecs", "1y"] {
            assert!(duration(wrong).is_err(), "{wrong:?}");
        }
    }

    #[test]
    fn bit_rates_are_in_bits_per_second() {
        assert_eq!(bitrate("125000"), Ok(Bitrate::new(125_000).unwrap()));
        for wrong in ["", "0", "125k", "2000000", "-1"] {
            assert!(bitrate(wrong).unwrap_err().contains("125000"), "{wrong:?}");
        }
    }
}
