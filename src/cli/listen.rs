//! What the listening commands share: a source through the analysis, the summary to its places.

use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use clap::Args;

use super::plan::read_plan;
use super::{Failure, Outcome, bar};
use crate::analysis::{Analysis, Finished, Given};
use crate::fieldbus::eds::SheetIndex;
use crate::health::Summary;
use crate::health::summary::Kind;
use crate::health::{Expectation, Severity};
use crate::output::page;
use crate::source::{Reader, data_sheets};
use crate::trunk::{Event, Trunk};
use crate::wire::{Nanos, Record};

/// Where the summary goes and what it must not hold.
#[derive(Debug, Args)]
pub(super) struct Results {
    /// Write the summary as JSON to this file; `-`: to standard output, instead of the page
    #[arg(long, value_name = "FILE")]
    pub(super) summary: Option<PathBuf>,

    /// Print the summary as JSON instead of the page
    #[arg(long)]
    pub(super) json: bool,

    /// Exit with 1 if anything as grave as this was found
    #[arg(long, value_name = "SEVERITY")]
    pub(super) fail_on: Option<Severity>,
}

impl clap::ValueEnum for Severity {
    fn value_variants<'a>() -> &'a [Severity] {
        <Severity as strum::VariantArray>::VARIANTS
    }

    fn to_possible_value(&self) -> Option<clap::builder::PossibleValue> {
        let help = match self {
            Severity::Note => "Worth knowing",
            Severity::Warning => "Something is not as it should be; the trunk works",
            Severity::Fault => "Something does not work",
        };
        Some(clap::builder::PossibleValue::new(self.word()).help(help))
    }
}

/// What the trunk is meant to be.
#[derive(Debug, Args)]
pub(super) struct Expected {
    /// Compare the wire with this plan of the trunk, a TOML file; see dropline plan
    #[arg(long, value_name = "FILE")]
    pub(super) plan: Option<PathBuf>,

    /// Compare the devices with the data sheet files (.eds) in this directory
    #[arg(long, value_name = "DIR")]
    pub(super) eds: Option<PathBuf>,
}

impl Expected {
    /// Reads what was given. Data sheets that cannot be read are named and left out.
    pub(super) fn read(&self) -> Result<Given, Failure> {
        let plan = self.plan.as_deref().map(read_plan).transpose()?.map(Expectation::new);
        let sheets = self.eds.as_deref().map(read_sheets).transpose()?;
        Ok(Given { plan, sheets })
    }
}

fn read_sheets(directory: &Path) -> Result<SheetIndex, Failure> {
    /// So many files that cannot be read are named.
    const NAMED: usize = 5;
    let (index, left_out) = data_sheets(directory).map_err(|error| Failure(error.to_string()))?;
    for line in left_out.iter().take(NAMED) {
        say(&format!("{line}; left out"));
    }
    if left_out.len() > NAMED {
        say(&format!("{} more files left out", left_out.len() - NAMED));
    }
    if index.sheets().is_empty() {
        return Err(Failure(format!("{}: no .eds file in it", directory.display())));
    }
    Ok(index)
}

/// What goes by while a source is analysed.
#[derive(Debug)]
pub(super) enum Heard<'a> {
    /// The next record, and the trunk after it.
    Record(&'a Record, &'a Trunk),
    /// What it, or the end, changed on the trunk.
    Event(Nanos, Event),
}

/// Takes everything that the source delivers through the analysis. A source that breaks ends
/// it as a capture that was cut off does.
pub(super) fn analyse(source: &mut impl Reader, given: Given, kind: Kind, name: &str) -> Summary {
    analyse_with(source, given, kind, name, &mut |_| {}).summary
}

/// The same for what shows more than a summary holds: `hear` hears everything that goes by, and
/// the state in which it ended comes out, too.
pub(super) fn analyse_with(
    source: &mut impl Reader,
    given: Given,
    kind: Kind,
    name: &str,
    hear: &mut impl FnMut(Heard<'_>),
) -> Finished {
    let mut analysis = Analysis::new(source.header()).with(given);
    let mut batch = Vec::new();
    loop {
        let more = source.read(&mut batch);
        for record in &batch {
            analysis.take(record, &mut |t, event| hear(Heard::Event(t, event)));
            hear(Heard::Record(record, analysis.trunk()));
        }
        batch.clear();
        for message in source.messages() {
            say(&message);
        }
        match more {
            Ok(true) => {}
            Ok(false) => break,
            // What was read is good, and the summary says that it is not complete.
            Err(error) => {
                say(&error.to_string());
                break;
            }
        }
    }
    let mut events = |t, event| hear(Heard::Event(t, event));
    analysis.finish_with_state(kind, name, source.unreadable(), &mut events)
}

impl Results {
    /// Finds out now whether the summary can be written later, when hours may have gone by.
    pub(super) fn prepare(&self) -> Result<(), Failure> {
        match &self.summary {
            Some(path) if path != Path::new("-") => {
                let was_there = path.exists();
                let file = std::fs::OpenOptions::new().create(true).append(true).open(path);
                file.and_then(|_| if was_there { Ok(()) } else { std::fs::remove_file(path) })
                    .map_err(|error| unwritten(path, &error))
            }
            _ => Ok(()),
        }
    }

    /// Writes the summary to its places and says whether it holds what it must not.
    pub(super) fn deliver(&self, summary: &Summary) -> Result<Outcome, Failure> {
        match &self.summary {
            Some(path) if path == Path::new("-") => print(&summary.to_json())?,
            Some(path) => {
                // First what is to be kept: the terminal may be gone. So may the disk: then what is
                // printed is all that is left.
                let kept = std::fs::write(path, summary.to_json());
                self.print(summary)?;
                kept.map_err(|error| unwritten(path, &error))?;
            }
            None => self.print(summary)?,
        }
        Ok(if self.holds(summary) { Outcome::Done } else { Outcome::DoesNotHold })
    }

    /// Whether it holds nothing that it must not.
    pub(super) fn holds(&self, summary: &Summary) -> bool {
        let worst = summary.findings.iter().map(|finding| finding.severity).max();
        !matches!((worst, self.fail_on), (Some(worst), Some(limit)) if worst >= limit)
    }
}

impl Results {
    fn print(&self, summary: &Summary) -> Result<(), Failure> {
        print(&if self.json { summary.to_json() } else { page(summary) })
    }
}

fn unwritten(path: &Path, error: &std::io::Error) -> Failure {
    Failure(format!("{}: cannot write the summary: {error}", path.display()))
}

/// Says something to the person, on standard error. There may be nobody any more: the terminal
/// that a command was started in may go away, the work must not. Files and their names are in
/// messages: nothing in them may steer the terminal, or fill it.
pub(super) fn say(message: &str) {
    /// So many characters of a line are told.
    const LONGEST: usize = 2000;
    let shown = |c: char| match c {
        '\n' => '\n',
        c if c.is_control() => char::REPLACEMENT_CHARACTER,
        c => c,
    };
    let lines = message.split('\n').map(|line| line.chars().take(LONGEST).collect::<String>());
    let message: String = lines.collect::<Vec<_>>().join("\n").chars().map(shown).collect();
    bar::above(|| {
        let _ = writeln!(std::io::stderr(), "dropline: {message}");
    });
}

/// Prints to standard output. A reader that has seen enough, such as `head`, is no error.
pub(super) fn print(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            Err(Failure(format!("cannot write to standard output: {error}")))
        }
        _ => Ok(()),
    }
}

/// The last part of a path, as a summary names its capture.
pub(super) fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

/// Runs a command's async part on this thread alone.
pub(super) fn block_on<F: Future>(future: F) -> Result<F::Output, Failure> {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map(|runtime| runtime.block_on(future))
        .map_err(|error| Failure(format!("cannot start: {error}")))
}
