//! Findings about single nodes.

use super::evidence::{ClashDevices, Counted};
use super::{Code, Evidence, Finding, Severity};
use crate::fieldbus::MacId;
use crate::trunk::{Clash, ClashOutcome, Node, Occurrences, Trunk};
use crate::wire::Nanos;

/// From this share of polls on, misses are a fault and no warning. Common practice, no source.
const MANY_MISSED: f64 = 0.01;

pub(super) fn find(trunk: &Trunk, found: &mut Vec<Finding>) {
    for (mac_id, node) in trunk.nodes() {
        let about_node = [
            never_answered(node),
            left(node, trunk.now()),
            missed_polls(node),
            restarted(node),
            replaced(node),
        ];
        found.extend(about_node.into_iter().flatten().map(|finding| finding.at(mac_id)));
        for outcome in [ClashOutcome::Refused, ClashOutcome::Contested] {
            found.extend(clash(trunk, mac_id, node, outcome));
        }
    }
}

fn clash(trunk: &Trunk, mac_id: MacId, node: &Node, outcome: ClashOutcome) -> Option<Finding> {
    let seen = match outcome {
        ClashOutcome::Refused => node.address.refused(),
        ClashOutcome::Contested => node.address.contested(),
    };
    let is_this = |clash: &&Clash| clash.mac_id == mac_id && clash.outcome == outcome;
    let last = trunk.clashes().iter().rfind(is_this);
    let last = last.map(|clash| ClashDevices { newcomer: clash.newcomer, holder: clash.holder });
    let evidence = Evidence::AddressClash { mac_id, outcome, last, count: seen.count() };
    (seen.count() > 0)
        .then(|| Finding::new(Code::AddressClash, Severity::Fault, seen, evidence).at(mac_id))
}

fn never_answered(node: &Node) -> Option<Finding> {
    let missed = node.poll.missed();
    let finding = || {
        let polls = node.poll.commands();
        let evidence = Evidence::Count { what: Counted::PollsNeverAnswered, count: polls };
        Finding::new(Code::NeverAnswered, Severity::Fault, missed, evidence).times(polls)
    };
    (node.sent.count() == 0 && missed.count() > 0).then(finding)
}

fn left(node: &Node, now: Nanos) -> Option<Finding> {
    let presence = &node.presence;
    let last = presence.recent().last()?;
    let severity = if last.to.is_none() { Severity::Fault } else { Severity::Warning };
    Some(Finding {
        code: Code::NodeLeft,
        severity,
        mac_id: None,
        count: presence.count(),
        first: presence.first(),
        last: Some(last.from),
        evidence: Evidence::Absence {
            absences: presence.count(),
            total_ns: presence.total(),
            longest_ns: presence.longest(),
            last_from_ns: last.from,
            returned_ns: last.to,
            away_for_ns: if last.to.is_none() { now.since(last.from) } else { None },
        },
    })
}

fn missed_polls(node: &Node) -> Option<Finding> {
    let poll = &node.poll;
    let missed = poll.missed();
    let while_gone = node.presence.missed_while_gone();
    let single = missed.count().saturating_sub(while_gone);
    if single == 0 || node.sent.count() == 0 {
        return None;
    }
    let asked = poll.commands().saturating_sub(while_gone).max(1);
    let share = single as f64 / asked as f64;
    let severity = if share >= MANY_MISSED { Severity::Fault } else { Severity::Warning };
    let median = |d: Option<&crate::trunk::Distribution>| d.and_then(|d| d.quantile(0.5));
    let evidence = Evidence::MissedPolls {
        missed: single,
        polls: asked,
        share,
        latency_ns: median(poll.latency()),
        interval_ns: median(poll.interval()),
    };
    Some(Finding::new(Code::MissedPolls, severity, missed, evidence).times(single))
}

fn restarted(node: &Node) -> Option<Finding> {
    let restarts = node.address.restarts();
    count_if(restarts, Code::NodeRestarted, Severity::Warning, Counted::Restarts)
}

fn replaced(node: &Node) -> Option<Finding> {
    let (seen, device) = (node.address.replaced(), node.address.holder());
    let evidence = Evidence::NewDevice { device };
    (seen.count() > 0).then(|| Finding::new(Code::DeviceReplaced, Severity::Note, seen, evidence))
}

/// A finding of which only the number matters, if it is not zero.
pub(super) fn count_if(
    seen: &Occurrences,
    code: Code,
    severity: Severity,
    what: Counted,
) -> Option<Finding> {
    let evidence = Evidence::Count { what, count: seen.count() };
    (seen.count() > 0).then(|| Finding::new(code, severity, seen, evidence))
}
