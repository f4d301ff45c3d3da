//! `dropline frames`: every frame with its meaning, one a line.

mod entry;
mod line;

use std::io::{BufWriter, Write};
use std::path::PathBuf;

use anyhow::{anyhow, bail};
use clap::Args;

use self::entry::{DecodedRecord, Filter, RecordDecoder};
use super::analyse::CaptureSet;
use super::arguments::{bitrate, read_plan};
use super::stop::{Stop, block_on};
use super::terminal::{Bar, CommandOutcome, is_reader_gone, say};
use crate::source::{self, LiveOptions, LiveSource, Reader};
use crate::wire::{Bitrate, Nanos, Record};

/// Say what every frame means, one a line.
#[derive(Debug, Args)]
#[command(after_help = "\
Each line: the node, <- to it or -> from it, the other end; when, and how long after the line \
above; the meaning; in brackets the identifier, the data and the exact bits on the wire; after ! \
what is worth noticing.

Examples:
  dropline frames line3.jsonl --node 12 --from 41.5 --to 1m
  dropline frames line3.jsonl --kind explicit --text revision
  dropline frames night-*.jsonl.zst --node 12 --noted
  dropline frames can0 --live --noted")]
pub(super) struct FramesArgs {
    /// A capture, plain or zstd-compressed, or pcapng, or all pieces of one; with --live an
    /// interface
    #[arg(value_name = "CAPTURE", required = true)]
    sources: Vec<PathBuf>,

    /// Listen to the interface of that name until Ctrl-C; nothing is ever sent
    #[arg(long)]
    live: bool,

    /// With --live: the bit rate, where the interface has none
    #[arg(long, value_name = "BIT/S", requires = "live", value_parser = bitrate)]
    bitrate: Option<Bitrate>,

    /// With --live: listen also through a controller that is able to send
    #[arg(long, requires = "live")]
    allow_active: bool,

    /// Of a pcapng file with several CAN interfaces, the one to read
    #[arg(long, value_name = "NAME", conflicts_with = "live")]
    interface: Option<String>,

    /// The plan of the trunk: how long the I/O is, and how to read it
    #[arg(long, value_name = "PLAN")]
    plan: Option<PathBuf>,

    /// One JSON object a line
    #[arg(long)]
    json: bool,

    #[command(flatten)]
    filter: Filter,
}

pub(super) fn run(args: &FramesArgs) -> anyhow::Result<CommandOutcome> {
    let mut printer = Printer {
        reading: RecordDecoder::default(),
        filter: &args.filter,
        json: args.json,
        shown: None,
        out: BufWriter::new(std::io::stdout().lock()),
        line: String::new(),
    };
    if let Some(path) = &args.plan {
        printer.reading.plan(read_plan(path)?);
    }
    if args.live {
        let [interface] = &args.sources[..] else {
            bail!("--live listens to one interface; give one name");
        };
        let options = LiveOptions {
            interface: interface.to_string_lossy().into_owned(),
            bitrate: args.bitrate,
            allow_active: args.allow_active,
        };
        block_on(follow(options, &mut printer))??;
    } else {
        let options = source::ReadOptions {
            interface: args.interface.clone(),
            ..source::ReadOptions::default()
        };
        let _bar = Bar::beside_lines(&options.progress);
        let mut source = CaptureSet::open(&args.sources, &options)?;
        read(&mut source, &mut printer)?;
        source.finish()?;
    }
    Ok(CommandOutcome::Done)
}

fn read(source: &mut impl Reader, printer: &mut Printer<'_>) -> anyhow::Result<()> {
    let mut batch = Vec::new();
    loop {
        let more = source.read(&mut batch);
        let wanted = printer.take(&mut batch)?;
        for message in source.messages() {
            say(&message);
        }
        match more {
            Ok(true) if wanted => {}
            Ok(_) => break,
            // What was read is good and stands printed.
            Err(error) => {
                say(&error.to_string());
                break;
            }
        }
    }
    printer.finish()
}

async fn follow(options: LiveOptions, printer: &mut Printer<'_>) -> anyhow::Result<()> {
    let mut source = source::open_live(options)?;
    let mut stop = Stop::new(None)?;
    let mut batch = Vec::new();
    loop {
        let more = tokio::select! {
            () = stop.wait() => {
                source.stop(&mut batch);
                Ok(false)
            }
            received = source.receive(&mut batch) => received.map(|()| true),
        };
        let wanted = printer.take(&mut batch)?;
        for message in source.messages() {
            say(&message);
        }
        match more {
            Ok(true) if wanted => printer.flush()?,
            Ok(_) => return printer.finish(),
            Err(error) => {
                printer.finish()?;
                return Err(error.into());
            }
        }
    }
}

/// Decodes all records and prints those that are wanted.
struct Printer<'a> {
    reading: RecordDecoder,
    filter: &'a Filter,
    json: bool,
    /// The time of the line above.
    shown: Option<Nanos>,
    out: BufWriter<std::io::StdoutLock<'static>>,
    line: String,
}

impl Printer<'_> {
    /// `false`: nobody reads any more, or nothing more is wanted.
    fn take(&mut self, batch: &mut Vec<Record>) -> anyhow::Result<bool> {
        for record in batch.drain(..) {
            let entry: DecodedRecord = self.reading.take(&record);
            if !self.filter.wants(&entry) {
                continue;
            }
            self.line.clear();
            let step = self.shown.map(|before| record.t.0.saturating_sub(before.0));
            if self.json {
                line::write_json(&mut self.line, &entry, step);
            } else {
                line::write_text(&mut self.line, &entry, step);
            }
            if !self.filter.wants_text(&self.line) {
                continue;
            }
            self.shown = Some(record.t);
            self.line.push('\n');
            if !written(self.out.write_all(self.line.as_bytes()))? {
                return Ok(false);
            }
        }
        Ok(true)
    }

    fn flush(&mut self) -> anyhow::Result<()> {
        written(self.out.flush()).map(|_| ())
    }

    fn finish(&mut self) -> anyhow::Result<()> {
        self.flush()?;
        if self.shown.is_none() {
            say("nothing in it is what was asked for");
        }
        Ok(())
    }
}

/// `false`: the reader has seen enough, which is no error.
fn written(result: std::io::Result<()>) -> anyhow::Result<bool> {
    match result {
        Ok(()) => Ok(true),
        Err(error) if is_reader_gone(&error) => Ok(false),
        Err(error) => Err(anyhow!("cannot write to standard output: {error}")),
    }
}
