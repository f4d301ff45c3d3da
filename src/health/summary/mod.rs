//! The summary: one JSON object that says how the trunk was. Its names are promises to other
//! programs; fields may be added, none is dropped or renamed within a version.

mod build;
mod bus;
mod node;
mod read;
mod said;
mod sheet;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use bus::{
    Causes, ControllerCounters, ControllerStep, ErrorBurst, Errors, Groups, Load, LoadSpan,
};
pub use node::{AbsenceSpan, AddressClash, ExchangeCounts, Identity, Node, Poll, Range, Spans};
pub use read::SummaryError;
pub use said::{ConnectionFacts, Drive, Explicit, Fragments, Lights, Said};
pub use sheet::{DataSheetFacts, SheetVerdict};

use crate::fieldbus::MacId;
use crate::health::{Evidence, Verdict};
use crate::wire::{Bitrate, Clock};

/// The whole summary. Unknown is `null`, fractions are 0 to 1, times count from `started`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Summary {
    /// Always `dropline-summary`.
    pub format: String,
    /// The version of the format: 2.
    pub version: u32,
    /// Where the records came from, and how many.
    pub source: Source,
    /// Is it well?
    #[serde(default = "read::no_verdict")]
    pub verdict: Verdict,
    /// What most probably lies behind it, where the evidence allows to say so.
    pub probable_cause: Option<ProbableCause>,
    /// How full the bus was.
    pub load: Load,
    /// Good frames by identifier group.
    pub groups: Groups,
    /// Each node that sent or was polled, by address.
    pub nodes: Vec<Node>,
    /// Two devices that wanted one address, each time.
    pub address_clashes: Vec<AddressClash>,
    /// Clashes beyond those that are listed.
    #[serde(default)]
    pub address_clashes_unlisted: u64,
    /// Error frames, and the adapter's own controller.
    pub errors: Errors,
    /// Everything found, the gravest first.
    pub findings: Vec<Finding>,
    /// What applies to every check at a cabinet, a conductor or a drive.
    #[serde(default)]
    pub cautions: Vec<String>,
}

/// Where the records came from, and how many.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Source {
    /// What kind of source.
    pub kind: Kind,
    /// The capture's file name, or the interface.
    pub name: String,
    /// The interface that was listened to.
    pub interface: Option<String>,
    /// Time zero, in UTC.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub started: Timestamp,
    /// From `started` to the last readable record.
    pub duration_s: f64,
    /// Bits per second.
    pub bitrate: Option<Bitrate>,
    /// Whether the controller could only listen.
    pub listen_only: Option<bool>,
    /// Whether the driver made an error frame of each bus error; if not, `errors` counts none.
    #[serde(default)]
    pub reports_errors: Option<bool>,
    /// Whose clock stamped the records.
    pub clock: Option<Clock>,
    /// The program that made the capture, and its version.
    pub tool: Option<String>,
    /// Whether there is a clean end.
    pub complete: bool,
    /// Good frames.
    pub frames: u64,
    /// Error frames.
    pub error_frames: u64,
    /// Frames known to be lost.
    pub lost_frames: u64,
    /// Lines or blocks that could not be read.
    pub unreadable_lines: u64,
    /// Times that the clock stepped back.
    pub clock_steps: u64,
    /// Times that the interface went down.
    pub link_downs: u64,
}

/// What kind of source the records came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// A saved capture; also a watch that saved one, so that both summaries are the same.
    Capture,
    /// An interface, with no capture saved.
    Live,
    /// The simulated trunk.
    Simulated,
}

/// What most probably lies behind the findings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ProbableCause {
    /// The finding that names it.
    pub code: crate::health::Code,
    /// The node that it is about.
    pub mac_id: Option<MacId>,
    /// What it means.
    pub means: String,
    /// What else would explain it.
    pub or_else: Vec<String>,
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Finding {
    /// What was found.
    pub code: crate::health::Code,
    /// How grave it is.
    pub severity: crate::health::Severity,
    /// The node that it is about.
    pub mac_id: Option<MacId>,
    /// How often.
    pub count: u64,
    /// When first.
    pub first_s: Option<f64>,
    /// When last.
    pub last_s: Option<f64>,
    /// What was seen, as numbers; `null` in one that was read from a summary of version 1.
    #[serde(default)]
    pub evidence: Option<Evidence>,
    /// What was seen, as a sentence.
    pub text: String,
    /// What it means.
    #[serde(default)]
    pub means: String,
    /// What else would explain it.
    #[serde(default)]
    pub or_else: Vec<String>,
    /// What to check, in order.
    pub check: Vec<String>,
}

impl Summary {
    /// What `format` says.
    pub const FORMAT: &str = "dropline-summary";
    /// What `version` says.
    pub const VERSION: u32 = 2;

    /// The summary as a file holds it, indented, with its last line feed.
    pub fn to_json(&self) -> String {
        crate::json::document(self)
    }

    /// The summary in one line, with its line feed.
    pub fn to_line(&self) -> String {
        let mut json = serde_json::to_string(self).unwrap_or_default();
        json.push('\n');
        json
    }

    /// The JSON Schema of the summary.
    pub fn schema() -> schemars::Schema {
        crate::json::schema::<Summary>()
    }
}
