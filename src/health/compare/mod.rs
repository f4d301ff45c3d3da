//! Two visits to a trunk compared: what changed, and does it matter?
//!
//! A difference matters if it is beyond chance and beyond what the [`Tolerance`] lets pass,
//! not if it is one of the two. Where a capture is too short to tell, that is the answer. What
//! is compared are two summaries, plain numbers; nothing here reads a file.

mod bus;
mod drive;
mod found;
mod holm;
mod identity;
mod line;
mod nodes;
mod rates;
mod shift;
mod tolerance;
mod trend;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::Serialize;

pub use line::{ExchangeKind, Judgement, Line, Tally, Value, What};
pub use tolerance::{Tolerance, ToleranceError};
pub use trend::{Trend, Visit};

use crate::health::Summary;
use crate::words::caution::CAUTIONS;

/// What changed between two visits. Its JSON names are promises to other programs, as those
/// of the summary are.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Comparison {
    /// Always `dropline-comparison`.
    pub format: String,
    /// The version of the format: 1.
    pub version: u32,
    /// The visit that is taken as good.
    pub then: Side,
    /// The visit that is judged.
    pub now: Side,
    /// Over all lines: worse if any line is. Cannot say if something may well have changed and
    /// cannot be told from chance or compared, or if most lines cannot be told.
    pub judgement: Judgement,
    /// How many lines have each judgement.
    pub lines_by_judgement: Tally,
    /// Everything compared: first the trunk, then each node, then what was found.
    pub lines: Vec<Line>,
    /// What counts as no change here.
    pub tolerance: Tolerance,
    /// What applies to every check at a cabinet, a conductor or a drive.
    pub cautions: Vec<String>,
}

/// One of the two visits.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Side {
    /// The capture's file name, or the interface.
    pub name: String,
    /// Its time zero, in UTC.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub started: Timestamp,
    /// How long it lasted.
    pub duration_s: f64,
    /// Good frames.
    pub frames: u64,
    /// Whether it has a clean end.
    pub complete: bool,
}

impl Comparison {
    /// What `format` says.
    pub const FORMAT: &str = "dropline-comparison";
    /// What `version` says.
    pub const VERSION: u32 = 1;

    /// Compares a visit with an earlier one that is taken as good.
    pub fn of(then: &Summary, now: &Summary, tolerance: &Tolerance) -> Comparison {
        let mut rates = rates::Rates::default();
        let mut lines = bus::lines(then, now, tolerance, &mut rates);
        lines.extend(nodes::lines(then, now, tolerance, &mut rates));
        // Only now is it known how many rates are compared at once.
        rates.judge(&mut lines, tolerance);
        lines.extend(found::lines(then, now, tolerance, &lines));
        Comparison {
            format: Self::FORMAT.to_string(),
            version: Self::VERSION,
            then: Side::of(then),
            now: Side::of(now),
            judgement: line::overall(&lines),
            lines_by_judgement: Tally::over(&lines),
            lines,
            tolerance: tolerance.clone(),
            cautions: CAUTIONS.map(String::from).to_vec(),
        }
    }

    /// The comparison as JSON, indented, with its last line feed.
    pub fn to_json(&self) -> String {
        crate::json::document(self)
    }

    /// The JSON Schema of the comparison.
    pub fn schema() -> schemars::Schema {
        crate::json::schema::<Comparison>()
    }
}

impl Side {
    fn of(summary: &Summary) -> Side {
        let source = &summary.source;
        Side {
            name: source.name.clone(),
            started: source.started,
            duration_s: source.duration_s,
            frames: source.frames,
            complete: source.complete,
        }
    }
}
