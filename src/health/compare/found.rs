//! Findings, then and now: new, gone, still there.

use super::Tolerance;
use super::line::{Judgement, Line, Value, What};
use crate::health::Summary;
use crate::health::summary::Finding;
use crate::health::{Code, Severity, TwoRates};

/// `judged`: the lines on what was measured; they decide where a finding is about a number.
pub(super) fn lines(
    then: &Summary,
    now: &Summary,
    tolerance: &Tolerance,
    judged: &[Line],
) -> Vec<Line> {
    let same = |a: &Finding, b: &Finding| a.code == b.code && a.mac_id == b.mac_id;
    let before = |found: &Finding| then.findings.iter().find(|other| same(found, other));
    let gone = then.findings.iter().filter(|old| !now.findings.iter().any(|new| same(old, new)));
    let seconds = [then.source.duration_s, now.source.duration_s];
    let there = now.findings.iter().map(|found| (before(found), Some(found)));
    there
        .chain(gone.map(|found| (Some(found), None)))
        .map(|(then, now)| line(then, now, seconds, tolerance, judged))
        .collect()
}

fn line(
    then: Option<&Finding>,
    now: Option<&Finding>,
    seconds: [f64; 2],
    tolerance: &Tolerance,
    judged: &[Line],
) -> Line {
    let count = |found: &Finding| Value::Number(found.count as f64);
    let mut line = Line::new(What::Finding, then.map(count), now.map(count));
    let Some(found) = now.or(then) else { return line };
    line.mac_id = found.mac_id;
    line.finding = Some(found.code);
    let measured = measure(found, judged);
    let (judgement, how) = match (then, now) {
        (Some(then), Some(now)) => {
            let by_severity = match now.severity.cmp(&then.severity) {
                std::cmp::Ordering::Less => Judgement::Better,
                std::cmp::Ordering::Equal => Judgement::Same,
                std::cmp::Ordering::Greater => Judgement::Worse,
            };
            (measured.unwrap_or(by_severity), "still there")
        }
        (_, Some(now)) if now.severity == Severity::Note => (Judgement::Same, "new, a note"),
        (_, Some(_)) => match measured {
            Some(Judgement::Same | Judgement::Better) => {
                (Judgement::Same, "new, but what it is about is as at the baseline")
            }
            Some(judgement) => (judgement, "new"),
            None => (Judgement::Worse, "new"),
        },
        (Some(then), None) if then.severity == Severity::Note => (Judgement::Same, "gone, a note"),
        _ => match measured {
            Some(judgement) => (judgement, "gone"),
            None if may_return(found, seconds, tolerance) => {
                (Judgement::CannotSay, "not seen, but so short a capture may have missed it")
            }
            None => (Judgement::Better, "gone"),
        },
    };
    line.judged(judgement, format!("{how}; {}: {}", found.severity, found.text))
}

/// The judgement on the number that a finding is about: the worst of those lines.
fn measure(found: &Finding, judged: &[Line]) -> Option<Judgement> {
    let about = match found.code {
        Code::MissedPolls => What::MissedShare,
        Code::BusErrors
        | Code::ErrorsStrikeNode
        | Code::ErrorsWithLength
        | Code::ErrorsWithDrive
        | Code::ErrorsInRhythm => What::ErrorShare,
        Code::LoadHigh => What::LoadPeak,
        Code::CommandSize => What::CommandBytes,
        Code::ResponseSize => What::ResponseBytes,
        Code::PollingStopped => What::PauseUs,
        _ => return None,
    };
    judged
        .iter()
        .filter(|line| line.what == about)
        .filter(|line| match (line.mac_id, found.mac_id) {
            (Some(line), Some(found)) => line == found,
            _ => true,
        })
        .map(|line| line.judgement)
        .max()
}

/// Whether chance may leave it out of a capture of this length.
fn may_return(found: &Finding, [then, now]: [f64; 2], tolerance: &Tolerance) -> bool {
    TwoRates::new((0, now), (found.count.max(1), then))
        .is_none_or(|rates| rates.p_value() >= tolerance.significance)
}
