//! `dropline report`: a page to hand over and to print, from a capture.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use clap::Args;
use sha2::{Digest, Sha256};

use super::analyse::{CaptureSet, Observed, analyse_with, capture_name, file_name};
use super::arguments::{Expected, Times, address};
use super::compare;
use super::terminal::{Bar, CommandOutcome, print, say};
use crate::analysis::Given;
use crate::fieldbus::MacId;
use crate::health::Summary;
use crate::health::compare::{Comparison, Tolerance, Trend};
use crate::output::event_log::EventDigest;
use crate::output::report::{HashedFile, Report};
use crate::output::{OutputPlace, UsedFiles};
use crate::source::{self, Reader};
use crate::trunk::ScanRecorder;
use crate::wire::What;

/// Write a report to hand over and to print: one HTML file, plots and all
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  dropline report line3.jsonl --site \"Orchard Lane, line 3\" --by \"A. Fitter\" -o line3.html
  dropline report night-*.jsonl.zst -o night.html
  dropline report with-38.jsonl --baseline signed-off.summary.json --expect-new 38
  dropline report tonight.jsonl --baseline signed-off.summary.json --trend visits/")]
pub(super) struct ReportArgs {
    /// A capture, plain or zstd-compressed, or pcapng; or all pieces of one
    #[arg(value_name = "CAPTURE", required = true)]
    captures: Vec<PathBuf>,

    /// Of a pcapng file with several CAN interfaces, the one to report on
    #[arg(long, value_name = "NAME")]
    interface: Option<String>,

    /// Write the page to this file [default: the capture's name with .report.html]
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,

    /// The site and trunk; a blank to fill in if it is not given
    #[arg(long, value_name = "TEXT")]
    site: Option<String>,

    /// Who measured; a blank to fill in if it is not given
    #[arg(long, value_name = "TEXT")]
    by: Option<String>,

    #[command(flatten)]
    expected: Expected,

    /// Show what changed since this visit, a summary or a capture that is taken as good
    #[arg(long, value_name = "FILE")]
    baseline: Option<PathBuf>,

    /// What counts as no change since the baseline, a TOML file; see dropline compare
    #[arg(long, value_name = "FILE", requires = "baseline")]
    tolerance: Option<PathBuf>,

    /// Accept this address as a newcomer to the baseline, point by point; may be given several
    /// times
    #[arg(long, value_name = "ADDRESS", value_parser = address, requires = "baseline")]
    expect_new: Vec<MacId>,

    /// Show the trend over all summaries in this directory and this capture, by date
    #[arg(long, value_name = "DIR")]
    trend: Option<PathBuf>,

    #[command(flatten)]
    times: Times,

    /// Replace the file if it exists
    #[arg(long)]
    overwrite: bool,
}

pub(super) fn run(args: &ReportArgs) -> anyhow::Result<CommandOutcome> {
    let output = args.output.clone().unwrap_or_else(|| beside(&args.captures));
    let plan = args.expected.read()?;
    // It is held to the bytes of its captures, which are read once more for that.
    args.captures.iter().try_for_each(|path| source::refuse_pipe(path))?;
    let options =
        source::ReadOptions { interface: args.interface.clone(), ..source::ReadOptions::default() };
    let mut source = CaptureSet::open(&args.captures, &options)?;
    let earlier = Earlier::read(args)?;
    // Before the work, so that a name that cannot be is refused at once.
    let place = match output == Path::new("-") {
        true => None,
        false => Some(OutputPlace::check(&output, args.overwrite, &used_files(args))?),
    };
    let name = capture_name(&args.captures);
    let mut log = EventDigest::default();
    let mut scans = source.header().bitrate.map(ScanRecorder::new);
    let mut observe = |observed: Observed<'_>| match observed {
        Observed::Record(record) => {
            if let Some(scans) = &mut scans {
                scans.take(record);
            }
            if let What::Mark(text) = &record.what {
                log.mark(record.t, text);
            }
        }
        Observed::Event(t, event) => log.event(t, &event),
        Observed::Message(message) => say(message),
    };
    let bar = Bar::over(&options.progress);
    let finished = analyse_with(&mut source, plan, &name, &mut observe);
    drop(bar);
    // No page that would be taken for that of the whole.
    source.finish()?;
    let summary = &finished.summary;
    let baseline = earlier.baseline.as_ref();
    let baseline = baseline
        .map(|then| Comparison::expecting(then, summary, &earlier.tolerance, &args.expect_new));
    let trend = earlier.visits.map(|visits| trend(&visits, summary));
    let files =
        args.captures.iter().map(|path| hashed(path)).collect::<anyhow::Result<Vec<_>>>()?;
    let report = Report {
        finished: &finished,
        log: &log,
        scans: scans.as_ref(),
        baseline: baseline.as_ref(),
        trend: trend.as_ref(),
        site: args.site.as_deref(),
        by: args.by.as_deref(),
        zone: &args.times.zone(),
        files: &files,
    };
    let html = report.to_html()?;
    match place {
        Some(place) => place.write(html.as_bytes())?,
        None => print(&html)?,
    }
    let mut outcome = format!("{} written: {}", output.display(), summary.verdict.state);
    if let Some(comparison) = &baseline {
        outcome += &format!("; since the baseline: {}", comparison.judgement);
        if let Some(accepted) = comparison.accepted {
            outcome += if accepted { "; accepted" } else { "; NOT accepted" };
        }
    }
    say(&outcome);
    Ok(CommandOutcome::Done)
}

/// Everything that is read for the report.
fn used_files(args: &ReportArgs) -> UsedFiles {
    let captures = args.captures.iter().map(PathBuf::as_path);
    let others = [args.baseline.as_deref(), args.tolerance.as_deref()].into_iter().flatten();
    let mut used = args.expected.files().with(captures.chain(others));
    args.trend.iter().for_each(|directory| used.add_directory(directory));
    used
}

/// What the report is held to: the bytes of a capture.
fn hashed(path: &Path) -> anyhow::Result<HashedFile> {
    let cannot = |error| source::unreadable(path, error);
    let mut file = File::open(path).map_err(cannot)?;
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 64 << 10];
    loop {
        match file.read(&mut buffer).map_err(cannot)? {
            0 => break,
            bytes => hash.update(&buffer[..bytes]),
        }
    }
    let sha256 = hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect();
    Ok(HashedFile { name: file_name(path), sha256 })
}

/// The visits that this one is held against.
struct Earlier {
    baseline: Option<Summary>,
    tolerance: Tolerance,
    visits: Option<Vec<(String, Summary)>>,
}

impl Earlier {
    fn read(args: &ReportArgs) -> anyhow::Result<Earlier> {
        let baseline = args.baseline.as_deref();
        Ok(Earlier {
            // The interface of a pcapng file is that of the capture on both sides.
            baseline: baseline
                .map(|path| compare::visit(path, args.interface.as_deref(), Given::default()))
                .transpose()?,
            tolerance: compare::tolerance(args.tolerance.as_deref())?,
            visits: args.trend.as_deref().map(compare::summaries).transpose()?,
        })
    }
}

/// The trend over the visits and this one, unless its summary is among them.
fn trend(visits: &[(String, Summary)], this: &Summary) -> Trend {
    let is_there = visits.iter().any(|(_, visit)| visit.source.started == this.source.started);
    let this = (!is_there).then(|| (this.source.name.clone(), this));
    Trend::new(visits.iter().map(|(file, visit)| (file.clone(), visit)).chain(this))
}

/// The capture's name with another ending, in the directory of its first piece.
fn beside(captures: &[PathBuf]) -> PathBuf {
    let name = capture_name(captures);
    let endings = [".jsonl.zst", ".jsonl", ".pcapng"];
    let stem = endings.iter().find_map(|ending| name.strip_suffix(ending)).unwrap_or(&name);
    let first = captures.first().map_or(Path::new(""), PathBuf::as_path);
    first.with_file_name(format!("{stem}.report.html"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_page_stands_beside_its_capture() {
        for (capture, page) in [
            ("a/line3.jsonl.zst", "a/line3.report.html"),
            ("line3.jsonl", "line3.report.html"),
            ("line.3", "line.3.report.html"),
        ] {
            assert_eq!(beside(&[capture.into()]), Path::new(page));
        }
        let pieces = [1, 2].map(|n| format!("a/night-00000{n}-20260302T063000Z.jsonl.zst").into());
        assert_eq!(beside(&pieces), Path::new("a/night.report.html"));
    }
}
