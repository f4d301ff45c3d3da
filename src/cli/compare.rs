//! `dropline compare`: what changed since commissioning, and whether it is worse.

use std::path::{Path, PathBuf};

use anyhow::bail;
use clap::Args;

use super::terminal::{CommandOutcome, print};
use super::visits;
use crate::health::compare::{Comparison, Judgement, Tolerance, Trend};
use crate::output::{comparison_page, trend_page};

/// What changed between two visits, and whether it is worse.
///
/// Compares a visit with a baseline: nodes, identities, sizes, poll intervals, latencies,
/// misses, errors, load and findings. A change counts if it is beyond chance and beyond the
/// tolerance; where a capture is too short to tell, it says so.
#[derive(Debug, Args)]
#[command(after_help = "\
Exit status: 0 nothing is worse, 1 something is, 2 a file cannot be read.

Examples:
  dropline compare signed-off.summary.json line3.jsonl
  dropline compare --write-tolerance > line3.tolerance.toml
  dropline compare signed-off.summary.json line3.jsonl --tolerance line3.tolerance.toml
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
    let tolerance = visits::tolerance(args.tolerance.as_deref())?;
    let interface = args.interface.as_deref();
    let [then, now] = [visits::visit(baseline, interface)?, visits::visit(current, interface)?];
    let comparison = Comparison::new(&then, &now, &tolerance);
    let text = if args.json { comparison.to_json() } else { comparison_page(&comparison) };
    print(&text)?;
    Ok(match comparison.judgement {
        Judgement::Worse => CommandOutcome::DoesNotHold,
        _ => CommandOutcome::Done,
    })
}

fn trend(directory: &Path, json: bool) -> anyhow::Result<CommandOutcome> {
    let summaries = visits::summaries(directory)?;
    let trend = Trend::new(summaries.iter().map(|(file, summary)| (file.clone(), summary)));
    print(&if json { trend.to_json() } else { trend_page(&trend) })?;
    Ok(CommandOutcome::Done)
}
