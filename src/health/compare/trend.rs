//! Visits over the years: one line each, for a table and a plot.

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::Serialize;

use crate::fieldbus::MacId;
use crate::health::Condition;
use crate::health::Summary;

/// Visits to one trunk in the order of their dates.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Trend {
    /// Always `dropline-trend`.
    pub format: String,
    /// The version of the format: 1.
    pub version: u32,
    /// Each visit, the oldest first.
    pub visits: Vec<Visit>,
}

/// What one visit measured, in a few numbers.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Visit {
    /// The summary's file name.
    pub file: String,
    /// Its time zero, in UTC.
    #[schemars(with = "String", extend("format" = "date-time"))]
    pub started: Timestamp,
    /// How long it lasted.
    pub duration_s: f64,
    /// The verdict.
    pub state: Condition,
    /// Nodes that sent.
    pub nodes: usize,
    /// The mean load, as a share of the wire.
    pub load_mean: Option<f64>,
    /// The load of the fullest second.
    pub load_peak: Option<f64>,
    /// Error frames as a share of all frames.
    pub error_share: Option<f64>,
    /// Polls without a response, of all nodes, as a share.
    pub missed_share: Option<f64>,
    /// The latency that 99 of 100 polls keep under, of the slowest node.
    pub latency_p99_us: Option<f64>,
    /// The slowest single response of any node.
    pub latency_max_us: Option<f64>,
    /// That node.
    pub latency_max_mac_id: Option<MacId>,
}

impl Trend {
    /// The trend over summaries, each with the name of its file.
    pub fn new<'a>(summaries: impl IntoIterator<Item = (String, &'a Summary)>) -> Trend {
        let mut visits: Vec<Visit> =
            summaries.into_iter().map(|(file, summary)| Visit::new(file, summary)).collect();
        visits.sort_by(|a, b| (a.started, &a.file).cmp(&(b.started, &b.file)));
        Trend { format: "dropline-trend".to_string(), version: 1, visits }
    }

    /// The trend as JSON, indented, with its last line feed.
    pub fn to_json(&self) -> String {
        crate::health::json::document(self)
    }

    /// The JSON Schema of the trend.
    pub fn schema() -> schemars::Schema {
        crate::health::json::schema::<Trend>()
    }
}

impl Visit {
    fn new(file: String, summary: &Summary) -> Visit {
        let share = |events: u64, of: u64| (of > 0).then(|| events as f64 / of as f64);
        let errors = summary.errors.frames;
        let polls = || summary.nodes.iter().map(|node| &node.poll.exchange);
        let missed: u64 = polls().map(|poll| poll.missed).sum();
        let answered: u64 = polls().map(|poll| poll.responses).sum();
        let slowest = summary
            .nodes
            .iter()
            .filter_map(|node| Some((node.poll.exchange.latency_us.max?, node.mac_id)))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        Visit {
            file,
            started: summary.source.started,
            duration_s: summary.source.duration_s,
            state: summary.verdict.state,
            nodes: summary.nodes.iter().filter(|node| node.frames_sent > 0).count(),
            load_mean: summary.load.mean,
            load_peak: summary.load.peak,
            error_share: share(errors, errors + summary.source.frames),
            missed_share: share(missed, missed + answered),
            latency_p99_us: polls().filter_map(|poll| poll.latency_us.p99).max_by(f64::total_cmp),
            latency_max_us: slowest.map(|(us, _)| us),
            latency_max_mac_id: slowest.map(|(_, mac_id)| mac_id),
        }
    }
}
