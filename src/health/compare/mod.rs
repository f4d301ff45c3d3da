//! Two visits to a trunk compared: what changed, and does it matter?
//!
//! A difference matters if it is beyond chance and beyond what the [`Tolerance`] lets pass.
//! Where a capture is too short to tell, the judgement says so. The input is two summaries;
//! nothing here reads a file.

mod acceptance;
mod comparison_line;
mod newcomers;
mod nodes;
mod statistics;
mod tolerance;
mod trend;

use jiff::Timestamp;
use schemars::JsonSchema;
use serde::Serialize;

use crate::fieldbus::MacId;
use crate::health::Summary;
use crate::health::summary::{FindingSummary, NodeSummary};
use crate::health::{Code, Severity, TwoRates};
use crate::words::CAUTIONS;
pub use acceptance::{Acceptance, AcceptancePoint, AcceptanceResult, Point};
pub use comparison_line::{
    ComparedValue, ComparisonLine, ExchangeKind, Judgement, JudgementCounts, Quantity,
};
use newcomers::Newcomers;
use statistics::{EventShare, SharesToJudge};
pub use tolerance::Tolerance;
pub use trend::{Trend, Visit};

/// What changed between two visits. Its JSON names are promises to other programs, as those
/// of the summary are.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Comparison {
    /// Always `dropline-comparison`.
    pub format: String,
    /// The version of the format: 2.
    pub version: u32,
    /// The visit that is taken as good.
    pub then: ComparedVisit,
    /// The visit that is judged.
    pub now: ComparedVisit,
    /// Over all lines: worse if any line is. Cannot say if something may well have changed and
    /// cannot be told from chance or compared, or if most lines cannot be judged.
    pub judgement: Judgement,
    /// How many lines have each judgement.
    pub lines_by_judgement: JudgementCounts,
    /// Whether every node that was named as a newcomer passes and nothing is worse; `null` if none
    /// was named.
    pub accepted: Option<bool>,
    /// Nodes that the baseline does not have, and those that were named, point by point.
    pub newcomers: Vec<Acceptance>,
    /// Everything compared: first the trunk, then each node, then the findings.
    pub lines: Vec<ComparisonLine>,
    /// What counts as no change here.
    pub tolerance: Tolerance,
    /// What applies to every check at a cabinet, a conductor or a drive.
    pub cautions: Vec<String>,
}

/// One of the two visits.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ComparedVisit {
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
    pub const VERSION: u32 = 2;

    /// Compares a visit with an earlier one that is taken as good.
    pub fn new(then: &Summary, now: &Summary, tolerance: &Tolerance) -> Comparison {
        Comparison::expecting(then, now, tolerance, &[])
    }

    /// The same with the nodes that are meant to be new, which are then to be accepted.
    pub fn expecting(
        then: &Summary,
        now: &Summary,
        tolerance: &Tolerance,
        expected: &[MacId],
    ) -> Comparison {
        let mut lines = Vec::new();
        let mut shares = SharesToJudge::default();
        compare_bus(then, now, tolerance, &mut lines, &mut shares);
        nodes::compare(then, now, tolerance, &mut lines, &mut shares);
        // The correction for chance needs the number of all shares.
        shares.judge(&mut lines, tolerance.significance);
        let findings = compare_findings(then, now, tolerance, &lines);
        lines.extend(findings);
        for line in &mut lines {
            let name = |mac_id| now.name(mac_id).or(then.name(mac_id));
            line.name = line.mac_id.and_then(name).map(str::to_string);
        }
        let is_new = |line: &&ComparisonLine| {
            line.quantity == Quantity::FramesPerS && line.judgement == Judgement::Changed
        };
        let newcomers = lines.iter().filter(is_new).filter(|line| line.then.is_none());
        let newcomers = newcomers.filter_map(|line| line.mac_id).collect();
        let newcomers =
            Newcomers { then, now, tolerance, lines: &lines, newcomers, expected }.all();
        let judgement = comparison_line::overall(&lines);
        let passes = |newcomer: &Acceptance| newcomer.result == AcceptanceResult::Pass;
        let all_pass = newcomers.iter().all(|newcomer| newcomer.expected && passes(newcomer));
        let accepted = all_pass && judgement != Judgement::Worse;
        Comparison {
            format: Self::FORMAT.to_string(),
            version: Self::VERSION,
            then: ComparedVisit::new(then),
            now: ComparedVisit::new(now),
            judgement,
            lines_by_judgement: JudgementCounts::new(&lines),
            accepted: (!expected.is_empty()).then_some(accepted),
            newcomers,
            lines,
            tolerance: tolerance.clone(),
            cautions: CAUTIONS.map(String::from).to_vec(),
        }
    }

    /// The comparison as JSON, indented, with its last line feed.
    pub fn to_json(&self) -> String {
        crate::health::json::document(self)
    }

    /// The JSON Schema of the comparison.
    pub fn schema() -> schemars::Schema {
        crate::health::json::schema::<Comparison>()
    }
}

impl ComparedVisit {
    fn new(summary: &Summary) -> ComparedVisit {
        let source = &summary.source;
        ComparedVisit {
            name: source.name.clone(),
            started: source.started,
            duration_s: source.duration_s,
            frames: source.frames,
            complete: source.complete,
        }
    }
}

/// The lines about the trunk as a whole: bit rate, load, errors.
fn compare_bus(
    then: &Summary,
    now: &Summary,
    tolerance: &Tolerance,
    lines: &mut Vec<ComparisonLine>,
    shares: &mut SharesToJudge,
) {
    lines.extend(bitrate(then, now));
    for (quantity, then_load, now_load, allowed) in [
        (Quantity::LoadMean, then.load.mean, now.load.mean, tolerance.load_mean),
        (Quantity::LoadPeak, then.load.peak, now.load.peak, tolerance.load_peak),
    ] {
        if let (Some(then_load), Some(now_load)) = (then_load, now_load) {
            let shortest_s = then.source.duration_s.min(now.source.duration_s);
            let too_short = (shortest_s < tolerance.shortest_s).then_some(shortest_s);
            let explained = explained_load(then, now, quantity);
            lines.push(load(quantity, then_load, now_load, allowed, too_short, explained));
        }
    }
    let errors = |summary: &Summary| EventShare {
        events: summary.errors.frames,
        of: summary.errors.frames + summary.source.frames,
    };
    let mut line = ComparisonLine::new(Quantity::ErrorShare, None, None);
    line.allowed = Some(tolerance.error_share);
    shares.push(lines, line, errors(then), errors(now));
}

fn bitrate(then: &Summary, now: &Summary) -> Option<ComparisonLine> {
    let rates = [then, now].map(|summary| summary.source.bitrate);
    let [then, now] =
        rates.map(|rate| rate.map(|rate| ComparedValue::Number(f64::from(rate.get()))));
    let line = ComparisonLine::new(Quantity::Bitrate, then, now);
    match rates {
        [None, None] => None,
        [Some(then), Some(now)] if then == now => Some(line),
        [Some(_), Some(_)] => Some(line.judged(
            Judgement::CannotSay,
            "at another bit rate everything takes another time; this wants a new baseline",
        )),
        _ => Some(line.judged(Judgement::CannotSay, "one of the two names no bit rate")),
    }
}

/// The share of the wire that newcomers take, less what those took that were taken off: by the
/// exact bits of their frames, over the whole visit for the mean load, over the time that they
/// were there for the fullest second. `None` without any, or where an older summary does not tell.
fn explained_load(then: &Summary, now: &Summary, quantity: Quantity) -> Option<f64> {
    let load_of = |here: &Summary, elsewhere: &Summary| {
        let is_there = |mac_id| {
            let exchanged = |node: &NodeSummary| node.frames_sent + node.poll.exchange.commands;
            elsewhere.node(mac_id).is_some_and(|node| exchanged(node) > 0)
        };
        let bitrate = f64::from(here.source.bitrate?.get());
        let share = |node: &NodeSummary| {
            let seconds = match quantity {
                Quantity::LoadPeak => node.last_seen_s? - node.first_seen_s?,
                _ => here.source.duration_s,
            };
            // A single frame has no rate.
            (seconds > 0.0).then_some(node.wire_bits? as f64 / (bitrate * seconds.max(1.0)))
        };
        let alone = here.nodes.iter().filter(|node| !is_there(node.mac_id));
        Some(alone.filter_map(share).sum::<f64>())
    };
    let explained = load_of(now, then)? - load_of(then, now)?;
    (explained != 0.0).then_some(explained)
}

/// The load of a scanned trunk is counted, not sampled, so chance hardly enters.
fn load(
    quantity: Quantity,
    then: f64,
    now: f64,
    allowed: f64,
    too_short: Option<f64>,
    explained: Option<f64>,
) -> ComparisonLine {
    let mut line = ComparisonLine::from_numbers(quantity, then, now);
    line.allowed = Some(allowed);
    line.explained = explained;
    let difference = now - then - explained.unwrap_or(0.0);
    match too_short {
        _ if then == now => line,
        Some(seconds) => {
            let why = format!("too short a capture: {seconds:.1} s");
            line.judged(Judgement::CannotSay, why)
        }
        None => {
            let range = (Some(difference), Some(difference));
            let judgement = statistics::judge_shift(difference, range, allowed);
            match (judgement, explained) {
                (Judgement::Same, Some(_)) => line.judged(Judgement::Changed, ""),
                (judgement, _) => line.judged(judgement, ""),
            }
        }
    }
}

/// The lines about findings: new, gone, still there. `measured` are the judged lines about
/// quantities; they decide where a finding is about one.
fn compare_findings(
    then: &Summary,
    now: &Summary,
    tolerance: &Tolerance,
    measured: &[ComparisonLine],
) -> Vec<ComparisonLine> {
    let is_same = |old: &FindingSummary, new: &FindingSummary| {
        (old.code == new.code || old.code == new.code.formerly()) && old.mac_id == new.mac_id
    };
    let before = |new: &FindingSummary| {
        let same = || then.findings.iter().filter(|old| is_same(old, new));
        same().find(|old| old.code == new.code).or_else(|| same().next())
    };
    let gone = then.findings.iter().filter(|old| !now.findings.iter().any(|new| is_same(old, new)));
    let seconds = [then.source.duration_s, now.source.duration_s];
    let present = now.findings.iter().map(|finding| (before(finding), Some(finding)));
    present
        .chain(gone.map(|finding| (Some(finding), None)))
        .map(|(then, now)| finding_line(then, now, seconds, tolerance, measured))
        .collect()
}

fn finding_line(
    then: Option<&FindingSummary>,
    now: Option<&FindingSummary>,
    seconds: [f64; 2],
    tolerance: &Tolerance,
    measured: &[ComparisonLine],
) -> ComparisonLine {
    let count = |finding: &FindingSummary| ComparedValue::Number(finding.count as f64);
    let mut line = ComparisonLine::new(Quantity::Finding, then.map(count), now.map(count));
    let Some(finding) = now.or(then) else { return line };
    line.mac_id = finding.mac_id;
    line.finding = Some(finding.code);
    // That a setting changed explains a finding, but does not make it harmless.
    let by_quantity =
        judgement_of_quantity(finding, measured).filter(|by| *by != Judgement::Changed);
    let (judgement, how) = match (then, now) {
        (Some(then), Some(now)) => {
            let by_severity = match now.severity.cmp(&then.severity) {
                std::cmp::Ordering::Less => Judgement::Better,
                std::cmp::Ordering::Equal => Judgement::Same,
                std::cmp::Ordering::Greater => Judgement::Worse,
            };
            (by_quantity.unwrap_or(by_severity), "still there")
        }
        (_, Some(now)) if now.severity == Severity::Note => (Judgement::Same, "new, a note"),
        (_, Some(_)) => match by_quantity {
            Some(Judgement::Same | Judgement::Better) => {
                (Judgement::Same, "new, but what it is about is as at the baseline")
            }
            Some(judgement) => (judgement, "new"),
            None => (Judgement::Worse, "new"),
        },
        (Some(then), None) if then.severity == Severity::Note => (Judgement::Same, "gone, a note"),
        _ => match by_quantity {
            Some(judgement) => (judgement, "gone"),
            None if may_be_missed(finding, seconds, tolerance) => {
                (Judgement::CannotSay, "not seen, but so short a capture may have missed it")
            }
            None => (Judgement::Better, "gone"),
        },
    };
    line.judged(judgement, format!("{how}; {}: {}", finding.severity, finding.text))
}

/// The judgement on the quantity that a finding is about: the worst of its lines.
fn judgement_of_quantity(
    finding: &FindingSummary,
    measured: &[ComparisonLine],
) -> Option<Judgement> {
    let about = match finding.code {
        Code::MissedPolls => Quantity::MissedShare,
        Code::BusErrors
        | Code::ErrorsStrikeNode
        | Code::ErrorsWithLength
        | Code::ErrorsWithDrive
        | Code::ErrorsInRhythm => Quantity::ErrorShare,
        Code::LoadHigh => Quantity::LoadPeak,
        Code::CommandSize => Quantity::CommandBytes,
        Code::ResponseSize => Quantity::ResponseBytes,
        Code::PollingStopped => Quantity::PauseUs,
        _ => return None,
    };
    measured
        .iter()
        .filter(|line| line.quantity == about)
        .filter(|line| match (line.mac_id, finding.mac_id) {
            (Some(line), Some(node)) => line == node,
            _ => true,
        })
        .map(|line| line.judgement)
        .max()
}

/// Whether a capture of this length may have missed it by chance.
fn may_be_missed(finding: &FindingSummary, [then, now]: [f64; 2], tolerance: &Tolerance) -> bool {
    TwoRates::new((0, now), (finding.count.max(1), then))
        .is_none_or(|rates| rates.p_value() >= tolerance.significance)
}
