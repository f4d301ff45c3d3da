//! Findings about single nodes.

use super::{Code, Finding, Severity};
use crate::fieldbus::{DeviceId, MacId};
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
    let (seen, how) = match outcome {
        ClashOutcome::Refused => (node.address.refused(), "refused by"),
        ClashOutcome::Contested => (node.address.contested(), "not refused by"),
    };
    let count = seen.count();
    let is_this = |clash: &&Clash| clash.mac_id == mac_id && clash.outcome == outcome;
    let evidence = match trunk.clashes().iter().rfind(is_this) {
        Some(clash) => format!(
            "{} asked for address {mac_id} and was {how} its holder, {}; {}",
            device(&clash.newcomer),
            clash.holder.as_ref().map_or("which told no identity".to_string(), device),
            times(count),
        ),
        None => format!("address {mac_id} was asked for by another device; {}", times(count)),
    };
    (count > 0)
        .then(|| Finding::new(Code::AddressClash, Severity::Fault, seen, evidence).at(mac_id))
}

fn device(id: &DeviceId) -> String {
    format!("vendor {} serial {}", id.vendor_id, id.serial)
}

pub(super) fn times(count: u64) -> String {
    match count {
        1 => "once".to_string(),
        2 => "twice".to_string(),
        n => format!("{n} times"),
    }
}

fn never_answered(node: &Node) -> Option<Finding> {
    let missed = node.poll.missed();
    let finding = || {
        let polls = node.poll.commands();
        let evidence = format!("polled {}, never heard", times(polls));
        Finding::new(Code::NeverAnswered, Severity::Fault, missed, evidence).times(polls)
    };
    (node.sent.count() == 0 && missed.count() > 0).then(finding)
}

fn left(node: &Node, now: Nanos) -> Option<Finding> {
    let presence = &node.presence;
    let last = presence.recent().last()?;
    let (severity, now) = match last.to {
        None => {
            let gone = now.since(last.from).map_or("?".to_string(), seconds);
            (Severity::Fault, format!("; gone since {}, for {gone}", at(last.from)))
        }
        Some(to) => (Severity::Warning, format!("; last back at {}", at(to))),
    };
    let returned = match presence.longest() {
        Nanos(0) => String::new(),
        longest => {
            format!(", away {} in all and {} at most", seconds(presence.total()), seconds(longest))
        }
    };
    Some(Finding {
        code: Code::NodeLeft,
        severity,
        mac_id: None,
        count: presence.count(),
        first: presence.first(),
        last: Some(last.from),
        evidence: format!("fell silent {}{returned}{now}", times(presence.count())),
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
    let speed = match (median(poll.latency()), median(poll.interval())) {
        (Some(latency), Some(interval)) => format!(
            "; it answers in {:.2} ms (median), polled every {:.2} ms (median)",
            latency.as_micros() / 1e3,
            interval.as_micros() / 1e3
        ),
        _ => String::new(),
    };
    let evidence = format!(
        "{single} of {asked} polls unanswered while it was there ({:.2} %){speed}",
        100.0 * share
    );
    Some(Finding::new(Code::MissedPolls, severity, missed, evidence).times(single))
}

fn restarted(node: &Node) -> Option<Finding> {
    let restarts = node.address.restarts();
    let evidence = format!("ran its address check again {}", times(restarts.count()));
    finding_if(restarts, Code::NodeRestarted, Severity::Warning, evidence)
}

fn replaced(node: &Node) -> Option<Finding> {
    let holder = node.address.holder().as_ref().map_or("unknown".to_string(), device);
    let evidence = format!("the device there now is {holder}");
    finding_if(node.address.replaced(), Code::DeviceReplaced, Severity::Note, evidence)
}

pub(super) fn finding_if(
    seen: &Occurrences,
    code: Code,
    severity: Severity,
    evidence: String,
) -> Option<Finding> {
    (seen.count() > 0).then(|| Finding::new(code, severity, seen, evidence))
}

/// A time on the trunk, for people.
pub(super) fn at(t: Nanos) -> String {
    format!("{:.3} s", t.as_secs())
}

/// A span, for people.
pub(super) fn seconds(span: Nanos) -> String {
    format!("{:.3} s", span.as_secs())
}
