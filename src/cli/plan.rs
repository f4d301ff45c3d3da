//! `dropline plan`: what a plan predicts, before anything is connected.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use anyhow::{anyhow, bail};
use clap::Args;

use super::arguments::{read_plan, wrong_toml};
use super::compare::visit;
use super::terminal::{CommandOutcome, print, say};
use crate::analysis::Given;
use crate::health::json;
use crate::output::{OutputPlace, UsedFiles, plan_draft};
use crate::plan::{LimitVerdict, Plan, PlanReport, Size, Traffic, scan_svg, text};
use crate::source::is_pipe;

/// Predicted load, scan time and cable limits, before anything is connected.
///
/// Reads a plan of the trunk and works out each message's time on the wire, the bus load, the
/// shortest scan interval that fits and the worst response times; and, where the plan has the
/// cable, the limits of trunk, drops and supply, down to the voltage at each device. A voltage
/// measured at the device decides.
#[derive(Debug, Args)]
#[command(after_long_help = PLAN_HELP)]
pub(super) struct PlanArgs {
    /// The plan, a TOML file, or - for standard input; or a capture or summary, whose trunk is
    /// then looked at as it was heard
    #[arg(required_unless_present = "from")]
    plan: Option<PathBuf>,
    /// Write a plan from what was heard in this capture or summary, to look through and to fill in:
    /// the cabling is not on the wire
    #[arg(long, value_name = "CAPTURE", conflicts_with_all = ["plan", "json", "fail_on", "svg"])]
    from: Option<PathBuf>,
    /// Print the report as JSON
    #[arg(long)]
    json: bool,
    /// End with exit status 1 when a limit is broken, or with =tight also when one has less
    /// than a tenth to spare
    #[arg(
        long,
        value_name = "VERDICT",
        num_args = 0..=1,
        require_equals = true,
        default_missing_value = "broken"
    )]
    fail_on: Option<LimitVerdict>,
    /// Tell how many more polled nodes of this size fit: bytes out, a colon, bytes in
    #[arg(long, value_name = "OUT:IN", default_value = "4:4", value_parser = parse_size)]
    room: Size,
    /// Draw the predicted scan, who is on the wire when, as SVG
    #[arg(long, value_name = "FILE")]
    svg: Option<PathBuf>,
    /// Replace the SVG file if it exists
    #[arg(long, requires = "svg")]
    overwrite: bool,
}

const PLAN_HELP: &str = "\
A plan, all lengths in metres, all currents in amperes:

  [trunk]
  name = \"Orchard Lane\"
  bitrate = 125000               # 125000, 250000 or 500000
  scan_interval_ms = 20.0
  explicit_interval_ms = 100     # optional: one explicit exchange allowed for this often
  reaction_ms = 0.5              # optional: from command to answer, for the drawn scan
  terminators_at_m = [0, 90]
  class_2 = true                 # optional: 4 A a section, as Class 2 circuits may carry

  [[trunk.section]]              # the trunk from the end that is 0 m, piece by piece
  cable = \"thick\"                # thick, thin, or flat with its maker's ohm_per_m,
                                 # most_current_a and longest_m (a trunk of it alone)
  length_m = 90

  [[trunk.supply]]
  name = \"main supply\"
  position_m = 45
  voltage_v = 24.0               # optional
  current_a = 8.0                # optional: the most it gives

  [[trunk.drop]]                 # a drop line that several nodes share
  name = \"palletiser drop\"
  position_m = 85
  drop_m = 4
  cable = \"thin\"                 # optional

  [[node]]
  mac_id = 12
  name = \"infeed conveyor drive\"
  connection = \"poll\"            # poll, strobe, change-of-state, cyclic, explicit, master
  command_bytes = 4              # master to node
  response_bytes = 4             # node to master
  interval_ms = 100              # change-of-state and cyclic: the least time between two
  acknowledged = true            # change-of-state and cyclic
  profile = \"ac-drive\"           # optional, with output_assembly and input_assembly
  vendor_id = 900                # optional, as are device_type, product_code,
  major_revision = 2             # minor_revision and serial
  position_m = 8                 # the node's own tap and drop line, or
  drop_m = 2                     # drop = \"palletiser drop\"
  current_a = 0.15               # what it takes from the trunk's supply

Examples:
  dropline plan line.plan.toml
  dropline plan line.plan.toml --json --fail-on
  dropline plan line.plan.toml --room 8:8 --svg scan.svg
  dropline plan line3.jsonl --room 4:4
  dropline plan --from line3.jsonl > line3.plan.toml
";

fn parse_size(words: &str) -> anyhow::Result<Size> {
    let wrong = || anyhow!("{words:?} is not OUT:IN, as in 4:4, each from 0 to 448");
    let (out, back) = words.split_once(':').ok_or_else(wrong)?;
    let bytes = |text: &str| text.parse().ok().filter(|&bytes: &u16| bytes <= 448);
    let size = bytes(out).zip(bytes(back)).ok_or_else(wrong)?;
    Ok(Size { command_bytes: size.0, response_bytes: size.1 })
}

/// Whether it may be a plan: what the file holds decides. Captures and summaries begin with a brace
/// or as a compressed file or pcapng does, none of which begins a line of TOML.
fn is_plan(path: &Path) -> bool {
    const COMPRESSED: [u8; 4] = [0x28, 0xB5, 0x2F, 0xFD];
    const PCAPNG: [u8; 4] = [0x0A, 0x0D, 0x0D, 0x0A];
    let mut start = [0; 4];
    // A pipe can be read once only: it is a plan, as standard input is.
    if path == Path::new("-") || is_pipe(path) {
        return true;
    }
    let read = File::open(path).and_then(|mut file| file.read(&mut start));
    // What cannot be opened is told as a plan that cannot be read.
    read.is_err() || {
        start != COMPRESSED && start != PCAPNG && !start.trim_ascii_start().starts_with(b"{")
    }
}

/// The text of a plan from what was heard.
fn draft(path: &Path) -> anyhow::Result<String> {
    let summary = visit(path, None, Given::default())?;
    plan_draft(&summary).map_err(|error| anyhow!("{}: {error}", path.display()))
}

/// The trunk as it was heard.
fn heard_plan(path: &Path) -> anyhow::Result<Plan> {
    let text = draft(path)?;
    say(&format!(
        "{}: as it was heard; cable and supply are not on the wire, so their limits are not looked at",
        path.display()
    ));
    Plan::parse(&text).map_err(|problems| wrong_toml(path, &problems))
}

/// Runs the command.
///
/// # Errors
/// What keeps it from being done.
pub(super) fn run(args: &PlanArgs) -> anyhow::Result<CommandOutcome> {
    if let Some(heard) = &args.from {
        print(&draft(heard)?)?;
        return Ok(CommandOutcome::Done);
    }
    let Some(path) = &args.plan else { bail!("give a plan, or --from with a capture") };
    let plan = if is_plan(path) { read_plan(path)? } else { heard_plan(path)? };
    let traffic = Traffic::of(&plan);
    let report = PlanReport::of(&plan, &traffic, args.room);
    let used = UsedFiles::default().with([path.as_path()]);
    if let Some(path) = &args.svg {
        let svg = scan_svg(&plan, &traffic)?;
        OutputPlace::check(path, args.overwrite, &used)?.write(svg.as_bytes())?;
    }
    let page = if args.json { json::document(&report) } else { text(&report) };
    print(&page)?;
    match args.fail_on {
        Some(verdict) if report.verdict >= verdict => Ok(CommandOutcome::DoesNotHold),
        _ => Ok(CommandOutcome::Done),
    }
}
