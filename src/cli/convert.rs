//! `dropline convert`: between captures, plain and packed, and pcapng.

use std::io::{self, BufWriter};
use std::path::{Path, PathBuf};

use anyhow::anyhow;
use clap::Args;

use super::terminal::{Bar, CommandOutcome, print, say};
use crate::output::{Conversion, CreateError, OutputFile, OutputPlace, UsedFiles};
use crate::source::{CaptureFormat, Carried, ReadOptions, Reader, SourceError, open_reader};
use crate::wire::Tally;

/// Convert between captures (.jsonl, .jsonl.zst) and pcapng
///
/// What IN is, its content says; what OUT becomes, its name says. A capture that goes to pcapng
/// and back is the same again. Of another program's pcapng file, the CAN packets are taken
/// (link type 227), with their times, losses and comments.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  dropline convert line3.jsonl.zst line3.pcapng
  dropline convert --json from-elsewhere.pcapng line3.jsonl > converted.json")]
pub(super) struct ConvertArgs {
    /// The file to read: a capture or pcapng
    #[arg(value_name = "IN")]
    input: PathBuf,

    /// The file to write; its name ends in .jsonl, .jsonl.zst or .pcapng
    #[arg(value_name = "OUT")]
    output: PathBuf,

    /// Of a pcapng file with several CAN interfaces, the one to take
    #[arg(long, value_name = "NAME")]
    interface: Option<String>,

    /// Replace OUT if it exists
    #[arg(long)]
    overwrite: bool,

    /// Print what was converted, and what could not be, as JSON
    #[arg(long)]
    json: bool,
}

pub(super) fn run(args: &ConvertArgs) -> anyhow::Result<CommandOutcome> {
    let ConvertArgs { input, output, interface, overwrite, json } = args;
    let format = CaptureFormat::from_name(output).ok_or_else(|| {
        anyhow!(
            "{}: what to write? Let the name end in .jsonl, .jsonl.zst or .pcapng",
            output.display()
        )
    })?;
    let options = ReadOptions { interface: interface.clone(), ..ReadOptions::default() };
    let mut reader = open_reader(input, &options)?;
    let used = UsedFiles::default().with([input.as_path()]);
    let file = OutputPlace::check(output, *overwrite, &used)?.create()?;
    let bar = Bar::over(&options.progress);
    let written = copy(reader.as_mut(), file, format, output)?;
    drop(bar);
    if reader.torn() {
        say(&format!("{}: cut off; read to the last whole record", input.display()));
    }
    if written.carried.left_out > 0 {
        say(&format!(
            "{}: {} records are too long for pcapng and were left out",
            output.display(),
            written.carried.left_out
        ));
    }
    let converted = written.account(input, output, reader.as_ref());
    print(&if *json { converted.to_json() } else { format!("{converted}\n") })?;
    match written.broke_off {
        Some(error) => Err(error.into()),
        None => Ok(CommandOutcome::Done),
    }
}

/// What was written.
struct Converted {
    carried: Carried,
    /// Why reading could not go on; what was read before is written.
    broke_off: Option<SourceError>,
}

impl Converted {
    fn account(&self, input: &Path, output: &Path, reader: &dyn Reader) -> Conversion {
        let Tally { frames, error_frames, lost_frames } = self.carried.tally;
        Conversion {
            format: Conversion::FORMAT.to_string(),
            version: Conversion::VERSION,
            from: input.display().to_string(),
            to: output.display().to_string(),
            frames,
            error_frames,
            lost_frames,
            unreadable: reader.unreadable(),
            left_out: self.carried.left_out,
            torn: reader.torn(),
            broke_off: self.broke_off.as_ref().map(ToString::to_string),
        }
    }
}

fn copy(
    reader: &mut dyn Reader,
    file: OutputFile,
    format: &CaptureFormat,
    output: &Path,
) -> anyhow::Result<Converted> {
    let failed = |error: io::Error| CreateError::new(output, error);
    let mut file = BufWriter::with_capacity(256 * 1024, file);
    let mut writer = format.writer(&mut file, output, reader.header()).map_err(failed)?;
    let mut batch = Vec::new();
    let broke_off = loop {
        let more = reader.read(&mut batch);
        for message in reader.messages() {
            say(&message);
        }
        for record in batch.drain(..) {
            writer.write(&record).map_err(failed)?;
        }
        match more {
            Ok(true) => {}
            Ok(false) => break None,
            Err(error) => break Some(error),
        }
    };
    let carried = writer.finish().map_err(failed)?;
    file.into_inner().map_err(|refused| failed(refused.into_error()))?.finish()?;
    Ok(Converted { carried, broke_off })
}
