//! Arguments that several commands share: what the trunk is meant to be, where the summary goes,
//! times, sizes and bit rates.

use std::path::{Path, PathBuf};
use std::time::Duration;

use anyhow::{anyhow, bail};
use clap::Args;
use jiff::SignedDuration;
use jiff::tz::TimeZone;

use super::terminal::{CommandOutcome, print, say};
use crate::analysis::Given;
use crate::fieldbus::MacId;
use crate::fieldbus::eds::SheetIndex;
use crate::health::{Expectation, Severity, Summary};
use crate::output::capture::size;
use crate::output::{OutputPlace, UsedFiles, page};
use crate::plan::Plan;
use crate::source::{data_sheets, read_text};
use crate::toml_reader::TomlProblems;
use crate::wire::{Bitrate, BitrateError, Nanos};
use crate::words::one_line;

/// Where the summary goes and what it must not hold.
#[derive(Debug, Args)]
pub(super) struct Results {
    /// Write the summary as JSON to this file; `-`: to standard output, instead of the page
    #[arg(long, value_name = "FILE")]
    pub(super) summary: Option<PathBuf>,

    /// Replace a file that exists
    #[arg(long)]
    pub(super) overwrite: bool,

    /// Print the summary as JSON instead of the page
    #[arg(long)]
    pub(super) json: bool,

    /// On the page also the causes that error frames name, and the statistics of their trend
    #[arg(long, conflicts_with = "json")]
    pub(super) verbose: bool,

    #[command(flatten)]
    pub(super) times: Times,

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

pub(super) fn address(text: &str) -> anyhow::Result<MacId> {
    let wrong = || anyhow!("{text:?} is not an address from 0 to {}", MacId::MAX);
    text.parse().ok().and_then(MacId::new).ok_or_else(wrong)
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
    /// The files that are read for it.
    pub(super) fn files(&self) -> UsedFiles {
        let mut used = UsedFiles::default().with(self.plan.as_deref());
        self.eds.iter().for_each(|directory| used.add_directory(directory));
        used
    }

    /// Reads what was given. Data sheets that cannot be read are named and left out.
    pub(super) fn read(&self) -> anyhow::Result<Given> {
        let plan = self.plan.as_deref().map(read_plan).transpose()?.map(Expectation::new);
        let sheets = self.eds.as_deref().map(read_sheets).transpose()?;
        Ok(Given { plan, sheets })
    }
}

fn read_sheets(directory: &Path) -> anyhow::Result<SheetIndex> {
    /// The most unreadable files that are named.
    const NAMED: usize = 5;
    let (index, left_out) = data_sheets(directory)?;
    for line in left_out.iter().take(NAMED) {
        say(&format!("{line}; left out"));
    }
    if left_out.len() > NAMED {
        say(&format!("{} more files left out", left_out.len() - NAMED));
    }
    if index.sheets().is_empty() {
        bail!("{}: no .eds file in it", directory.display());
    }
    Ok(index)
}

/// So many problems of one file are told.
const PROBLEMS_TOLD: usize = 20;

/// What is wrong with a TOML file, a line for each problem.
pub(super) fn wrong_toml(path: &Path, problems: &TomlProblems) -> anyhow::Error {
    let name = path.display();
    let shown = problems.iter().take(PROBLEMS_TOLD);
    let mut lines: Vec<_> = shown.map(|problem| one_line(&format!("{name}: {problem}"))).collect();
    let more = problems.iter().len().saturating_sub(PROBLEMS_TOLD);
    if more > 0 {
        lines.push(format!("{name}: and {more} more problems"));
    }
    anyhow::Error::msg(lines.join("\ndropline: "))
}

/// Reads the plan at a path.
///
/// # Errors
/// The file that cannot be read, or everything that is wrong in it, with lines and keys.
pub(super) fn read_plan(path: &Path) -> anyhow::Result<Plan> {
    let text = read_text(path)?;
    Plan::parse(&text).map_err(|problems| {
        let is_scenario = toml::from_str::<toml::Table>(&text)
            .is_ok_and(|table| table.contains_key("master") || table.contains_key("fault"));
        if is_scenario {
            let name = path.display();
            return anyhow!("{name}: a scenario for dropline simulate, not a plan of a trunk");
        }
        wrong_toml(path, &problems)
    })
}

/// In which zone times of day are told.
#[derive(Debug, Clone, Copy, Args)]
pub(super) struct Times {
    /// Tell times of day in UTC; without this in the zone of this computer. Files have UTC always
    #[arg(long)]
    utc: bool,
}

impl Times {
    pub(super) fn zone(self) -> TimeZone {
        if self.utc { TimeZone::UTC } else { TimeZone::system() }
    }
}

impl Results {
    /// In which zone times of day are told.
    pub(super) fn zone(&self) -> TimeZone {
        self.times.zone()
    }

    /// Where the summary goes, checked before the work that ends in it.
    pub(super) fn place(&self, used: &UsedFiles) -> anyhow::Result<Option<OutputPlace>> {
        let path = self.summary.as_deref().filter(|path| *path != Path::new("-"));
        let place = path.map(|path| OutputPlace::check(path, self.overwrite, used));
        Ok(place.transpose()?)
    }

    /// Writes and prints the summary; the outcome says whether it holds what it must not.
    pub(super) fn deliver(
        &self,
        summary: &Summary,
        place: Option<OutputPlace>,
    ) -> anyhow::Result<CommandOutcome> {
        match (place, &self.summary) {
            (Some(place), _) => {
                // The file first, since the terminal may be gone; and print in any case, since the
                // disk may be.
                let kept = place.write(summary.to_json().as_bytes());
                self.print(summary)?;
                kept?;
            }
            (None, Some(_)) => print(&summary.to_json())?,
            (None, None) => self.print(summary)?,
        }
        Ok(if self.holds(summary) { CommandOutcome::Done } else { CommandOutcome::DoesNotHold })
    }

    /// Whether it holds nothing that it must not.
    pub(super) fn holds(&self, summary: &Summary) -> bool {
        let worst = summary.findings.iter().map(|finding| finding.severity).max();
        !matches!((worst, self.fail_on), (Some(worst), Some(limit)) if worst >= limit)
    }

    fn print(&self, summary: &Summary) -> anyhow::Result<()> {
        print(&if self.json {
            summary.to_json()
        } else {
            page(summary, &self.zone(), self.verbose)
        })
    }
}

/// Why an argument cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub(super) enum ArgumentError {
    #[error("not a time; give for example 30s, 10m or 8h")]
    Duration,
    #[error("not a size; give for example 64MB")]
    Size,
    #[error("give it in bit/s, for example 125000")]
    BitrateText,
    #[error("{0}; give it in bit/s, for example 125000")]
    Bitrate(#[from] BitrateError),
}

/// Reads a time, such as 30s, 10m or 8h.
pub(super) fn duration(text: &str) -> Result<Duration, ArgumentError> {
    let time: SignedDuration = text.parse().map_err(|_| ArgumentError::Duration)?;
    let time = Duration::try_from(time).ok().filter(|time| !time.is_zero());
    time.ok_or(ArgumentError::Duration)
}

/// Reads a size in bytes, such as 64MB.
pub(super) fn bytes(text: &str) -> Result<u64, ArgumentError> {
    size(text).ok_or(ArgumentError::Size)
}

/// A time as trunk time counts it.
pub(super) fn nanos(time: Duration) -> Nanos {
    Nanos(i64::try_from(time.as_nanos()).unwrap_or(i64::MAX))
}

/// Reads a bit rate in bit/s.
pub(super) fn bitrate(text: &str) -> Result<Bitrate, ArgumentError> {
    let rate: u32 = text.parse().map_err(|_| ArgumentError::BitrateText)?;
    Ok(Bitrate::try_from(rate)?)
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
            assert!(bitrate(wrong).unwrap_err().to_string().contains("125000"), "{wrong:?}");
        }
    }
}
