//! `dropline convert`: between captures, plain and packed, and pcapng.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use clap::Args;
use pcap_file::pcapng::PcapNgWriteError;

use super::bar::Bar;
use super::listen::{print, say};
use super::{Failure, Outcome};
use crate::output::Conversion;
use crate::output::capture::DirectWriter;
use crate::output::pcapng::PcapngWriter;
use crate::output::{CreateError, create};
use crate::source::{Reader, Saved, SourceError, open_reader};
use crate::wire::{Header, Record, Tally};

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

pub(super) fn run(args: &ConvertArgs) -> Result<Outcome, Failure> {
    let ConvertArgs { input, output, interface, overwrite, json } = args;
    let kind = Kind::of(output)?;
    let options = Saved { interface: interface.clone(), ..Saved::default() };
    let mut reader = open_reader(input, &options).map_err(|e| Failure(e.to_string()))?;
    if is_same_file(input, output) {
        return Err(Failure(format!(
            "{}: the file that is read; give another name to write to",
            output.display()
        )));
    }
    let file = create(output, *overwrite).map_err(|e| Failure(e.to_string()))?;
    let bar = Bar::over(&options.progress);
    let written = copy(reader.as_mut(), file, kind, output).inspect_err(|_| {
        // Half a file would pass for a cut capture.
        if let Err(error) = fs::remove_file(output) {
            say(&format!("{}: cannot be removed: {error}", output.display()));
        }
    })?;
    drop(bar);
    if reader.torn() {
        say(&format!("{}: cut off; read to the last whole record", input.display()));
    }
    if written.left_out > 0 {
        say(&format!(
            "{}: {} records are too long for pcapng and were left out",
            output.display(),
            written.left_out
        ));
    }
    let converted = written.account(input, output, reader.as_ref());
    print(&if *json { converted.to_json() } else { format!("{converted}\n") })?;
    match written.broke_off {
        Some(error) => Err(Failure(error.to_string())),
        None => Ok(Outcome::Done),
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Capture,
    Pcapng,
}

impl Kind {
    fn of(output: &Path) -> Result<Kind, Failure> {
        let name = output.to_string_lossy().to_ascii_lowercase();
        if name.ends_with(".jsonl") || name.ends_with(".jsonl.zst") {
            Ok(Kind::Capture)
        } else if name.ends_with(".pcapng") {
            Ok(Kind::Pcapng)
        } else {
            Err(Failure(format!(
                "{}: what to write? Let the name end in .jsonl, .jsonl.zst or .pcapng",
                output.display()
            )))
        }
    }
}

/// What was written.
struct Written {
    tally: Tally,
    left_out: u64,
    /// Why reading could not go on; what was read before is written.
    broke_off: Option<SourceError>,
}

impl Written {
    fn account(&self, input: &Path, output: &Path, reader: &dyn Reader) -> Conversion {
        let Tally { frames, error_frames, lost_frames } = self.tally;
        Conversion {
            format: Conversion::FORMAT.to_string(),
            version: Conversion::VERSION,
            from: input.display().to_string(),
            to: output.display().to_string(),
            frames,
            error_frames,
            lost_frames,
            unreadable: reader.unreadable(),
            left_out: self.left_out,
            torn: reader.torn(),
            broke_off: self.broke_off.as_ref().map(ToString::to_string),
        }
    }
}

enum Writer {
    Capture(DirectWriter<BufWriter<File>>, Tally),
    Pcapng(PcapngWriter<BufWriter<File>>),
}

fn copy(
    reader: &mut dyn Reader,
    file: File,
    kind: Kind,
    output: &Path,
) -> Result<Written, Failure> {
    let failed = |error: io::Error| Failure(CreateError::new(output, &error).to_string());
    let mut writer = Writer::new(file, kind, output, reader.header()).map_err(failed)?;
    let mut batch = Vec::new();
    loop {
        let more = reader.read(&mut batch);
        for message in reader.messages() {
            say(&message);
        }
        for record in batch.drain(..) {
            writer.write(&record).map_err(failed)?;
        }
        match more {
            Ok(true) => {}
            Ok(false) => return writer.finish(None).map_err(failed),
            Err(error) => return writer.finish(Some(error)).map_err(failed),
        }
    }
}

impl Writer {
    fn new(file: File, kind: Kind, output: &Path, header: &Header) -> io::Result<Writer> {
        let file = BufWriter::with_capacity(256 * 1024, file);
        Ok(match kind {
            Kind::Capture => {
                Writer::Capture(DirectWriter::new(file, output, header), Tally::default())
            }
            Kind::Pcapng => Writer::Pcapng(PcapngWriter::new(file, header).map_err(plain)?),
        })
    }

    fn write(&mut self, record: &Record) -> io::Result<()> {
        match self {
            Writer::Capture(writer, tally) => {
                tally.add(&record.what);
                writer.write(record)
            }
            Writer::Pcapng(writer) => writer.write(record).map_err(plain),
        }
    }

    fn finish(self, broke_off: Option<SourceError>) -> io::Result<Written> {
        let (file, tally, left_out) = match self {
            Writer::Capture(writer, tally) => (writer.finish()?, tally, 0),
            Writer::Pcapng(writer) => {
                let (file, carried) = writer.finish().map_err(plain)?;
                (file, carried.tally, carried.left_out)
            }
        };
        let mut file = file.into_inner().map_err(io::IntoInnerError::into_error)?;
        file.flush()?;
        file.sync_all()?;
        Ok(Written { tally, left_out, broke_off })
    }
}

/// The system's own error, where there is one below the library's.
fn plain(error: PcapNgWriteError) -> io::Error {
    match error {
        PcapNgWriteError::Io(error) => error,
        other => io::Error::other(other),
    }
}

fn is_same_file(a: &Path, b: &Path) -> bool {
    match (fs::metadata(a), fs::metadata(b)) {
        (Ok(a), Ok(b)) => (a.dev(), a.ino()) == (b.dev(), b.ino()),
        _ => false,
    }
}
