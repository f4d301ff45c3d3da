//! `dropline compare`: one visit or many against a baseline; reading saved visits.

use std::fs::{self, File};
use std::io::{Cursor, Read};
use std::path::{Path, PathBuf};

use anyhow::bail;
use clap::Args;

use super::analyse::{analyse, file_name};
use super::arguments::{Expected, address, wrong_toml};
use super::terminal::{Bar, CommandOutcome, print, say};
use crate::analysis::Given;
use crate::fieldbus::MacId;
use crate::health::Summary;
use crate::health::compare::{Comparison, Judgement, Tolerance, Trend};
use crate::health::summary::SummaryError;
use crate::output::{comparison_page, trend_page};
use crate::source;
use crate::words::one_line;

/// What changed between two visits, and whether it is worse.
///
/// Compares a visit with a baseline: nodes, identities, sizes, poll intervals, latencies,
/// misses, errors, load and findings. A change counts if it is beyond chance and beyond the
/// tolerance; where a capture is too short to tell, it says so.
#[derive(Debug, Args)]
#[command(after_help = "\
Exit status: 0 nothing is worse (a change alone is not), 1 something is, 2 a file cannot be read.
With --expect-new: 0 only if each newcomer passes and nothing is worse.

Examples:
  dropline compare signed-off.summary.json line3.jsonl
  dropline compare --write-tolerance > line3.tolerance.toml
  dropline compare signed-off.summary.json line3.jsonl --tolerance line3.tolerance.toml
  dropline compare signed-off.summary.json with-38.jsonl --expect-new 38 --plan line3.plan.toml
  dropline compare --trend visits/")]
pub(super) struct CompareArgs {
    /// What is taken as good: a summary, or a capture, which is analysed first
    #[arg(value_name = "BASELINE", required_unless_present_any = ["write_tolerance", "trend"])]
    baseline: Option<PathBuf>,

    /// What is judged: a summary or a capture
    #[arg(value_name = "CURRENT", required_unless_present_any = ["write_tolerance", "trend"])]
    current: Option<PathBuf>,

    /// Print the comparison or the trend as JSON
    #[arg(long)]
    json: bool,

    /// Also list what is the same, line by line
    #[arg(long, conflicts_with = "json")]
    all: bool,

    /// Accept this address as a newcomer, point by point: on line, allocated, polled, answers in
    /// time, right sizes, follows, disturbs nobody; may be given several times
    #[arg(long, value_name = "ADDRESS", value_parser = address, conflicts_with = "trend")]
    expect_new: Vec<MacId>,

    #[command(flatten)]
    expected: Expected,

    /// What counts as no change, a TOML file
    #[arg(long, value_name = "FILE")]
    tolerance: Option<PathBuf>,

    /// Print the default tolerances as a file to change and to give to --tolerance
    #[arg(long, conflicts_with_all = ["baseline", "json", "tolerance", "trend"])]
    write_tolerance: bool,

    /// The trend over all summaries in a directory, by date
    #[arg(long, value_name = "DIR", conflicts_with_all = ["baseline", "tolerance"])]
    trend: Option<PathBuf>,

    /// Of a pcapng file with several CAN interfaces, the one to analyse
    #[arg(long, value_name = "NAME")]
    interface: Option<String>,
}

pub(super) fn run(args: &CompareArgs) -> anyhow::Result<CommandOutcome> {
    if args.write_tolerance {
        print(Tolerance::DEFAULT_FILE)?;
        return Ok(CommandOutcome::Done);
    }
    if let Some(directory) = &args.trend {
        return trend(directory, args.json);
    }
    let (Some(baseline), Some(current)) = (&args.baseline, &args.current) else {
        bail!("give a baseline and what to compare with it");
    };
    let tolerance = tolerance(args.tolerance.as_deref())?;
    let interface = args.interface.as_deref();
    let then = visit(baseline, interface, Given::default())?;
    let now = visit(current, interface, args.expected.read()?)?;
    let comparison = Comparison::expecting(&then, &now, &tolerance, &args.expect_new);
    let text =
        if args.json { comparison.to_json() } else { comparison_page(&comparison, args.all) };
    print(&text)?;
    let holds = comparison.accepted.unwrap_or(comparison.judgement != Judgement::Worse);
    Ok(if holds { CommandOutcome::Done } else { CommandOutcome::DoesNotHold })
}

fn trend(directory: &Path, json: bool) -> anyhow::Result<CommandOutcome> {
    let summaries = summaries(directory)?;
    let trend = Trend::new(summaries.iter().map(|(file, summary)| (file.clone(), summary)));
    print(&if json { trend.to_json() } else { trend_page(&trend) })?;
    Ok(CommandOutcome::Done)
}

/// The tolerances in this file; the usual ones without it.
pub(super) fn tolerance(path: Option<&Path>) -> anyhow::Result<Tolerance> {
    let Some(path) = path else { return Ok(Tolerance::default()) };
    let text = source::read_text(path)?;
    Tolerance::parse(&text).map_err(|problems| wrong_toml(path, &problems))
}

/// A summary, or the summary of a capture: what the file holds decides, not its name.
/// `given` is what the trunk of a capture is meant to be; a summary was made with its own.
pub(super) fn visit(path: &Path, interface: Option<&str>, given: Given) -> anyhow::Result<Summary> {
    let options = source::ReadOptions {
        interface: interface.map(String::from),
        ..source::ReadOptions::default()
    };
    let name = file_name(path);
    let shown = path.display().to_string();
    let mut file = File::open(path).map_err(|error| source::unreadable(path, error))?;
    let start = match read_summary(path, &mut file)? {
        Content::Summary(summary) => {
            if given.plan.is_some() || given.sheets.is_some() {
                say(&format!(
                    "{shown}: a summary, which was made with its own plan and data sheets; those \
                     given here are for captures"
                ));
            }
            return Ok(*summary);
        }
        Content::Other(start) => start,
    };
    if !source::is_pipe(path) {
        let _bar = Bar::over(&options.progress);
        return Ok(analyse(&mut source::open(path, &options)?, given, &name));
    }
    // It can be read once only.
    let mut reader = source::reader_from(&shown, Cursor::new(start).chain(file), &options)?;
    Ok(analyse(&mut *reader, given, &name))
}

/// Larger than any summary: the latest of everything it lists is bounded.
const MOST_BYTES: u64 = 8 << 20;

/// What a file holds.
enum Content {
    Summary(Box<Summary>),
    /// Something else, such as a capture; so much of it was read.
    Other(Vec<u8>),
}

fn read_summary(path: &Path, file: &mut File) -> anyhow::Result<Content> {
    /// An editor may have put it before the text.
    const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";
    let text = |bytes: &[u8]| bytes.strip_prefix(BYTE_ORDER_MARK).unwrap_or(bytes).to_vec();
    let mut start = Vec::new();
    let read = Read::by_ref(file).take(START_BYTES).read_to_end(&mut start);
    if read.is_err() || !may_be_summary(&text(&start)) {
        return Ok(Content::Other(start));
    }
    let whole = source::read_bounded(start.chain(file), MOST_BYTES)
        .map_err(|error| source::unreadable(path, error))?;
    match Summary::from_json(&text(&whole)) {
        Ok(summary) => Ok(Content::Summary(Box::new(summary))),
        Err(SummaryError::NotASummary) => Ok(Content::Other(whole)),
        Err(error) => bail!(one_line(&format!("{}: {error}", path.display()))),
    }
}

const START_BYTES: u64 = 64 << 10;

/// A capture is JSON too, but its first line is an object of its own that says what it is.
fn may_be_summary(start: &[u8]) -> bool {
    let first_line = start.split(|&byte| byte == b'\n').next().unwrap_or_default();
    let is_capture = serde_json::from_slice::<serde_json::Value>(first_line)
        .is_ok_and(|header| header["format"] == "dropline-capture");
    start.trim_ascii_start().starts_with(b"{") && !is_capture
}

/// Every summary in a directory, with the name of its file.
pub(super) fn summaries(directory: &Path) -> anyhow::Result<Vec<(String, Summary)>> {
    let name = directory.display();
    let cannot = |error| source::unreadable(directory, error);
    let mut summaries = Vec::new();
    for entry in std::fs::read_dir(directory).map_err(cannot)? {
        let path = entry.map_err(cannot)?.path();
        if path.extension().is_none_or(|extension| extension != "json") {
            continue;
        }
        // A pipe would wait, and what cannot be opened would pass for another kind of file.
        if !fs::metadata(&path).is_ok_and(|metadata| metadata.is_file()) {
            say(&format!("{}: not a file; left out", path.display()));
            continue;
        }
        let mut file = match File::open(&path) {
            Ok(file) => file,
            Err(error) => {
                say(&format!("{}; left out", source::unreadable(&path, error)));
                continue;
            }
        };
        match read_summary(&path, &mut file) {
            Ok(Content::Summary(summary)) => summaries.push((file_name(&path), *summary)),
            // Another JSON file, such as a comparison, may well stand beside them.
            Ok(Content::Other(_)) if !file_name(&path).ends_with(".summary.json") => {}
            Ok(Content::Other(_)) => {
                say(&format!("{}: no summary in it; left out", path.display()))
            }
            Err(failure) => say(&format!("{failure}; left out")),
        }
    }
    if summaries.is_empty() {
        bail!("{name}: no summary in it (*.json, of watch or replay)");
    }
    Ok(summaries)
}

#[cfg(test)]
mod tests {
    use super::may_be_summary;

    #[test]
    fn a_capture_is_told_from_a_summary_by_its_first_line() {
        assert!(may_be_summary(b"{\n  \"format\": \"dropline-summary\""));
        assert!(may_be_summary(b"\n {\"version\":1,\"findings\":[]"));
        assert!(!may_be_summary(b"{\"format\":\"dropline-capture\",\"version\":1}\n{\"t_ns\":1"));
        assert!(!may_be_summary(&[0x28, 0xB5, 0x2F, 0xFD]));
        assert!(!may_be_summary(b""));
    }
}
