//! The summary: one JSON object that says how the trunk was. Its names are promises to other
//! programs; fields may be added, none is dropped or renamed within a version.

mod bus;
mod node;
mod read;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use bus::{
    CauseCounts, ControllerCounters, ControllerStep, ErrorBurst, ErrorSummary, GroupCounts,
    LoadSpan, LoadSummary,
};
pub use node::{
    AbsenceSpan, AddressClash, ConnectionSummary, DataSheetCheck, DataSheetVerdict, DeviceIdentity,
    DriveSummary, ExchangeCounts, NodeSummary, PollCounts, QuantileRange, SpanStatistics,
    StatusLights,
};
pub use read::SummaryError;

use crate::fieldbus::MacId;
use crate::health::{
    self, Code, Context, Evidence, Expectation, Explanation, Finding, Rank, References, Severity,
    Verdict,
};
use crate::trunk::Trunk;
use crate::wire::{Bitrate, Clock, Header};
use crate::words::CAUTIONS;

/// The whole summary. Unknown is `null`, fractions are 0 to 1, times count from `started`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Summary {
    /// Always `dropline-summary`.
    pub format: String,
    /// The version of the format: 2.
    pub version: u32,
    /// Where the records came from, and how many.
    pub source: SourceInfo,
    /// Whether the trunk is well.
    #[serde(default = "read::no_verdict")]
    pub verdict: Verdict,
    /// The most probable cause, where the evidence names one.
    pub probable_cause: Option<ProbableCause>,
    /// How full the bus was.
    pub load: LoadSummary,
    /// Good frames by identifier group.
    pub groups: GroupCounts,
    /// Each node that sent or was polled, by address.
    pub nodes: Vec<NodeSummary>,
    /// Two devices that wanted one address, each time.
    pub address_clashes: Vec<AddressClash>,
    /// Clashes beyond those that are listed.
    #[serde(default)]
    pub address_clashes_unlisted: u64,
    /// Error frames, and the adapter's own controller.
    pub errors: ErrorSummary,
    /// Every finding: each cause followed by what it explains, the gravest first.
    pub findings: Vec<FindingSummary>,
    /// What applies to every check at a cabinet, a conductor or a drive.
    #[serde(default)]
    pub cautions: Vec<String>,
}

/// Where the records came from, and how many.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SourceInfo {
    /// What kind of source.
    pub kind: SourceKind,
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
    /// The trunk's name in the plan that the wire was compared with; `null` without a plan.
    #[serde(default)]
    pub plan: Option<String>,
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
pub enum SourceKind {
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
    pub code: Code,
    /// The node that it is about.
    pub mac_id: Option<MacId>,
    /// What it means.
    pub means: String,
    /// What else would explain it.
    pub or_else: Vec<String>,
}

/// One finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FindingSummary {
    /// What was found.
    pub code: Code,
    /// How grave it is.
    pub severity: Severity,
    /// The node that it is about.
    pub mac_id: Option<MacId>,
    /// How often.
    pub count: u64,
    /// When first.
    pub first_s: Option<f64>,
    /// When last.
    pub last_s: Option<f64>,
    /// The finding of which it is a consequence; `null` if it stands for itself.
    #[serde(default)]
    pub explained_by: Option<Explanation>,
    /// What was seen, as numbers; `null` in one that was read from a summary of version 1.
    #[serde(default, deserialize_with = "read::evidence")]
    pub evidence: Option<Evidence>,
    /// What was seen, as a sentence.
    #[serde(default)]
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

    /// The summary of a trunk that is finished. `unreadable` counts lines or blocks of the source.
    pub(crate) fn new(
        trunk: &Trunk,
        header: &Header,
        references: References,
        kind: SourceKind,
        name: &str,
        unreadable: u64,
    ) -> Summary {
        let context = Context::new(header, unreadable);
        let findings = health::findings(trunk, &context, references);
        let node = |(mac_id, node)| NodeSummary::new(mac_id, node, trunk, references);
        Summary {
            format: Self::FORMAT.to_string(),
            version: Self::VERSION,
            source: SourceInfo::new(trunk, header, references.plan, kind, name, unreadable),
            verdict: Verdict::from_findings(&findings),
            probable_cause: ProbableCause::new(&findings),
            load: LoadSummary::new(trunk, header.bitrate),
            groups: GroupCounts::new(&trunk.groups),
            nodes: trunk.nodes().map(node).collect(),
            address_clashes: trunk.clashes().iter().map(AddressClash::from).collect(),
            address_clashes_unlisted: trunk.unlisted_clashes(),
            errors: ErrorSummary::new(trunk),
            findings: findings.iter().map(FindingSummary::from).collect(),
            cautions: CAUTIONS.map(String::from).to_vec(),
        }
    }

    /// The node at an address; `None` if it neither sent nor was asked.
    pub fn node(&self, mac_id: MacId) -> Option<&NodeSummary> {
        self.nodes.iter().find(|node| node.mac_id == mac_id)
    }

    /// What the node at an address is called.
    pub fn name(&self, mac_id: MacId) -> Option<&str> {
        self.node(mac_id)?.name.as_deref()
    }

    /// The summary as a file holds it, indented, with its last line feed.
    pub fn to_json(&self) -> String {
        crate::health::json::document(self)
    }

    /// The summary in one line, with its line feed.
    pub fn to_line(&self) -> String {
        let mut json = crate::health::json::line(self);
        json.push('\n');
        json
    }

    /// The JSON Schema of the summary.
    pub fn schema() -> schemars::Schema {
        crate::health::json::schema::<Summary>()
    }
}

impl SourceInfo {
    fn new(
        trunk: &Trunk,
        header: &Header,
        plan: Option<&Expectation>,
        kind: SourceKind,
        name: &str,
        unreadable: u64,
    ) -> SourceInfo {
        let tally = trunk.tally();
        SourceInfo {
            kind,
            name: name.to_string(),
            interface: header.interface.clone(),
            started: header.started,
            duration_s: trunk.now().as_secs().max(0.0),
            bitrate: header.bitrate,
            listen_only: header.listen_only,
            reports_errors: header.reports_errors,
            clock: header.clock,
            tool: header.tool.clone(),
            plan: plan.map(|plan| plan.plan().trunk.name.clone()),
            complete: trunk.end().is_some(),
            frames: tally.frames,
            error_frames: tally.error_frames,
            lost_frames: tally.lost_frames,
            unreadable_lines: unreadable,
            clock_steps: trunk.clock_steps.count(),
            link_downs: trunk.link_downs.count(),
        }
    }
}

impl ProbableCause {
    /// The first finding, unless it is a note or no more than a symptom.
    fn new(findings: &[Finding]) -> Option<ProbableCause> {
        let first = findings.first().filter(|finding| finding.severity > Severity::Note)?;
        let entry = first.code.entry();
        (entry.rank > Rank::Symptom).then(|| ProbableCause {
            code: first.code,
            mac_id: first.mac_id,
            means: entry.means.to_string(),
            or_else: entry.or_else.iter().map(|line| line.to_string()).collect(),
        })
    }
}

impl From<&Finding> for FindingSummary {
    fn from(finding: &Finding) -> FindingSummary {
        let entry = finding.code.entry();
        FindingSummary {
            code: finding.code,
            severity: finding.severity,
            mac_id: finding.mac_id,
            count: finding.count,
            first_s: finding.first.map(|t| t.as_secs()),
            last_s: finding.last.map(|t| t.as_secs()),
            explained_by: finding.explained_by.clone(),
            evidence: Some(finding.evidence.clone()),
            text: finding.evidence.to_string(),
            means: entry.means.to_string(),
            or_else: entry.or_else.iter().map(|line| line.to_string()).collect(),
            check: entry.check.iter().map(|line| line.to_string()).collect(),
        }
    }
}
