//! Findings, then and now: new, gone, still there.

use super::comparison_line::{ComparedValue, ComparisonLine, Judgement, Quantity};
use super::tolerance::Tolerance;
use crate::health::Summary;
use crate::health::summary::FindingSummary;
use crate::health::{Code, Severity, TwoRates};

/// `measured`: the judged lines about quantities. They decide where a finding is about one.
pub(super) fn compare(
    then: &Summary,
    now: &Summary,
    tolerance: &Tolerance,
    measured: &[ComparisonLine],
) -> Vec<ComparisonLine> {
    let is_same = |a: &FindingSummary, b: &FindingSummary| a.code == b.code && a.mac_id == b.mac_id;
    let before =
        |finding: &FindingSummary| then.findings.iter().find(|other| is_same(finding, other));
    let gone = then.findings.iter().filter(|old| !now.findings.iter().any(|new| is_same(old, new)));
    let seconds = [then.source.duration_s, now.source.duration_s];
    let present = now.findings.iter().map(|finding| (before(finding), Some(finding)));
    present
        .chain(gone.map(|finding| (Some(finding), None)))
        .map(|(then, now)| line(then, now, seconds, tolerance, measured))
        .collect()
}

fn line(
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
    let by_quantity = judgement_of_quantity(finding, measured);
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
