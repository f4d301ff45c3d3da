//! Which finding explains which: a supply dip makes nodes leave, a node that left misses polls,
//! and nobody needs to be told of each as of a fault of its own.
//!
//! A finding is explained by another if the table says that the one leads to the other, if they are
//! about the same node (or the cause is about everybody), and if it happened while the cause did.
//! The table is our own, from how the standard has nodes behave; the order of its rows is the order
//! of causes, so that nothing explains itself in a circle.

use std::cmp::Reverse;

use super::evidence::Evidence;
use super::finding::{Code, Explanation, Finding, Severity};
use crate::fieldbus::MacId;
use crate::trunk::{ClashOutcome, Trunk};
use crate::wire::Nanos;

/// What a cause reaches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reach {
    /// The node that it is about.
    SameNode,
    /// Every node, and the trunk.
    Everybody,
    /// The nodes that it names.
    NamedNodes,
    /// The master of those that it reaches.
    Master,
    /// Others of the same code.
    Alike,
}

struct Rule {
    cause: Code,
    reach: Reach,
    leads_to: &'static [Code],
    reason: &'static str,
}

const fn rule(cause: Code, reach: Reach, leads_to: &'static [Code], reason: &'static str) -> Rule {
    Rule { cause, reach, leads_to, reason }
}

/// What a node that is not there for a time shows.
const WHILE_AWAY: &[Code] = &[
    Code::NodeRestarted,
    Code::MissedPolls,
    Code::ConnectionTimedOut,
    Code::AllocatedAgain,
    Code::RequestsRefused,
];

/// What a node that loses its power or its wire shows.
const LEFT: &[Code] = &[
    Code::NodeLeft,
    Code::NodeRestarted,
    Code::MissedPolls,
    Code::ConnectionTimedOut,
    Code::AllocatedAgain,
    Code::RequestsRefused,
];

/// What a bus shows on which too little else passes.
const CROWDED: &[Code] = &[
    Code::ScanTooShort,
    Code::LoadHigh,
    Code::LoadOverPlan,
    Code::SlowAnswers,
    Code::MissedPolls,
    Code::ConnectionTimedOut,
    Code::IntervalOverPlan,
    Code::PollingStopped,
];

/// What destroyed frames show.
const DESTROYED: &[Code] = &[Code::DenseBursts, Code::BusErrors, Code::BusOff, Code::MissedPolls];

const RULES: &[Rule] = &[
    // The measurement. What was missed while it heard nothing is not counted as missed, so lost
    // frames and an interface that is down explain nothing.
    rule(
        Code::NothingUnderstood,
        Reach::Everybody,
        DESTROYED,
        "every frame ends in an error at this bit rate",
    ),
    // Somebody keeps the wire.
    rule(
        Code::AloneOnTheWire,
        Reach::Everybody,
        &[
            Code::NodeFloods,
            Code::PollingStopped,
            Code::DenseBursts,
            Code::BusErrors,
            Code::LoadHigh,
            Code::MissedPolls,
            Code::ConnectionTimedOut,
            Code::NodeLeft,
        ],
        "one node alone sends the same frame again and again, since nobody acknowledges it",
    ),
    rule(
        Code::NodeFloods,
        Reach::Everybody,
        CROWDED,
        "one node leaves the others no room on the wire",
    ),
    rule(
        Code::NodeFloods,
        Reach::Everybody,
        DESTROYED,
        "one node sends without end, also while others do",
    ),
    rule(
        Code::ScanTooShort,
        Reach::Everybody,
        CROWDED,
        "the scan asks for more than the bus can carry",
    ),
    // The supply, the master.
    rule(
        Code::SeveralAtOnce,
        Reach::NamedNodes,
        LEFT,
        "they left or started again together: they share a supply, a cable or a connector",
    ),
    rule(
        Code::PollingStopped,
        Reach::Everybody,
        &[Code::NotPolled, Code::ConnectionTimedOut, Code::MissedPolls],
        "a connection times out when its master stops polling",
    ),
    rule(
        Code::PollingStopped,
        Reach::Master,
        &[Code::NodeLeft, Code::NodeRestarted],
        "the master was off and started again",
    ),
    // Two devices of one address.
    rule(
        Code::AddressClash,
        Reach::SameNode,
        &[Code::TwoAnswer, Code::DeviceReplaced, Code::MissedPolls, Code::SlowAnswers],
        "two devices have this address",
    ),
    rule(
        Code::TwoAnswer,
        Reach::Everybody,
        &[Code::DenseBursts, Code::BusErrors, Code::BusOff],
        "two devices send under one identifier at the same time",
    ),
    // What destroys frames.
    rule(Code::NodeBusOff, Reach::SameNode, LEFT, "its own errors threw it off the bus"),
    rule(
        Code::NodeBusOff,
        Reach::Everybody,
        DESTROYED,
        "it destroys frames until it is off the bus",
    ),
    rule(
        Code::ErrorsStrikeNode,
        Reach::Everybody,
        DESTROYED,
        "these are the errors that strike this node",
    ),
    rule(
        Code::ErrorsWithDrive,
        Reach::Everybody,
        DESTROYED,
        "these are the errors that come with this drive",
    ),
    rule(
        Code::ErrorsInRhythm,
        Reach::Everybody,
        DESTROYED,
        "these are the errors that come in a rhythm",
    ),
    rule(
        Code::ErrorsWithLength,
        Reach::Everybody,
        DESTROYED,
        "these are the errors that come with long frames",
    ),
    rule(
        Code::DenseBursts,
        Reach::Everybody,
        &[Code::BusErrors, Code::BusOff, Code::MissedPolls, Code::ConnectionTimedOut],
        "these are the errors of the bursts, or the frames that they destroyed",
    ),
    rule(
        Code::BusErrors,
        Reach::Everybody,
        &[Code::BusOff, Code::MissedPolls],
        "a poll that an error destroys may not be answered",
    ),
    // How a node is set up.
    rule(
        Code::PacketRateShort,
        Reach::SameNode,
        LEFT,
        "its connection times out before the next poll, and is made anew",
    ),
    rule(
        Code::CommandSize,
        Reach::SameNode,
        &[Code::IoSizeDiffers, Code::DataSheetSize, Code::NodeLeft, Code::MissedPolls],
        "a node does not answer a command of a size that it does not have",
    ),
    rule(
        Code::ResponseSize,
        Reach::SameNode,
        &[Code::IoSizeDiffers, Code::DataSheetSize],
        "it is the same size",
    ),
    rule(
        Code::NotPolled,
        Reach::SameNode,
        &[Code::ConnectionTimedOut, Code::DriveNotFollowing, Code::DriveNotReady],
        "a connection times out when it is not polled",
    ),
    rule(
        Code::NeverAnswered,
        Reach::SameNode,
        &[Code::NodeMissing],
        "it is the node that never answered",
    ),
    rule(
        Code::DriveFaulted,
        Reach::SameNode,
        &[Code::DriveNotReady, Code::DriveNotFollowing],
        "a drive does not run while it is faulted",
    ),
    // A node by itself.
    rule(Code::NodeLeft, Reach::SameNode, WHILE_AWAY, "it was not there"),
    rule(
        Code::NodeRestarted,
        Reach::SameNode,
        &[Code::MissedPolls, Code::ConnectionTimedOut, Code::AllocatedAgain],
        "it does not answer while it starts",
    ),
    rule(
        Code::SlowAnswers,
        Reach::SameNode,
        &[Code::MissedPolls],
        "an answer that comes too late is a missed one",
    ),
    rule(
        Code::LoadHigh,
        Reach::Everybody,
        &[Code::LoadOverPlan, Code::ConnectionTimedOut, Code::MissedPolls],
        "on a full bus frames wait",
    ),
    // The plan.
    rule(
        Code::NodeUnplanned,
        Reach::Everybody,
        &[Code::LoadOverPlan],
        "its frames are not in the plan's load",
    ),
    rule(
        Code::IntervalOverPlan,
        Reach::Alike,
        &[Code::IntervalOverPlan],
        "the whole scan takes longer than planned, not this node",
    ),
];

/// What happens at the edge of a cause may be a little outside it: a poll before the node was
/// missed, the answer after it came back.
const EDGE: Nanos = Nanos::from_millis(2000);

/// Says of each finding what explains it, and puts them in order: each cause with what it explains
/// behind it, first the cause with the gravest among them, of equally grave ones the nearest to a
/// cause.
pub(super) fn explain(trunk: &Trunk, found: Vec<Finding>) -> Vec<Finding> {
    let mut found = found;
    // The gravest first, of equally grave ones the nearest to a cause, then the earliest.
    found.sort_by_key(|finding| {
        let rank = finding.code.entry().rank;
        let grave_first = Reverse((finding.severity, rank));
        (grave_first, finding.first.is_none(), finding.first, finding.mac_id, finding.code)
    });
    let explanations: Vec<Option<Explanation>> =
        (0..found.len()).map(|index| explanation_of(trunk, &found, index)).collect();
    for (finding, explanation) in found.iter_mut().zip(explanations) {
        finding.explained_by = explanation;
    }
    let explained: Vec<_> =
        found.iter().map(|f| (f.code, f.mac_id, f.explained_by.as_ref())).collect();
    let roots = roots(&explained);
    let gravest = |of: usize| {
        let members = roots.iter().zip(&found).filter(|(root, _)| **root == of);
        members.map(|(_, finding)| finding.severity).max()
    };
    let gravest: Vec<Option<Severity>> = (0..found.len()).map(gravest).collect();
    let mut order: Vec<usize> = (0..found.len()).collect();
    // Stable: within a group and among equally grave ones the order is that of before.
    order.sort_by_key(|&index| {
        let root = roots[index];
        let rank = found[root].code.entry().rank;
        (Reverse((gravest[root], rank)), root, index != root)
    });
    let mut found: Vec<Option<Finding>> = found.into_iter().map(Some).collect();
    order.into_iter().filter_map(|index| found[index].take()).collect()
}

/// Of each finding, given by code, node and explanation, the one that explains it in the end:
/// itself, if nothing does.
pub(crate) fn roots(findings: &[(Code, Option<MacId>, Option<&Explanation>)]) -> Vec<usize> {
    let by = |explanation: &Explanation| {
        let is_it = |(code, mac_id, _): &(Code, Option<MacId>, _)| {
            (*code, *mac_id) == (explanation.code, explanation.mac_id)
        };
        findings.iter().position(is_it)
    };
    let root = |mut index: usize| {
        // The table has no circle; a chain is as long as there are findings at most.
        for _ in 0..findings.len() {
            match findings[index].2.and_then(by) {
                Some(cause) => index = cause,
                None => break,
            }
        }
        index
    };
    (0..findings.len()).map(root).collect()
}

/// The first cause in the order of the table that explains this finding. A note explains nothing
/// that is graver, and needs no explanation.
fn explanation_of(trunk: &Trunk, found: &[Finding], index: usize) -> Option<Explanation> {
    let finding = &found[index];
    if finding.severity == Severity::Note {
        return None;
    }
    RULES.iter().filter(|rule| rule.leads_to.contains(&finding.code)).find_map(|rule| {
        let explains = |(cause, candidate): (usize, &Finding)| {
            let fits = cause != index
                && candidate.code == rule.cause
                && candidate.severity > Severity::Note
                && reaches(trunk, rule, (cause, candidate), (index, finding))
                && is_while(trunk, candidate, finding)
                && is_enough(trunk, candidate, finding);
            let (code, mac_id, reason) =
                (candidate.code, candidate.mac_id, rule.reason.to_string());
            fits.then_some(Explanation { code, mac_id, reason })
        };
        found.iter().enumerate().find_map(explains)
    })
}

fn reaches(
    trunk: &Trunk,
    rule: &Rule,
    (cause_index, cause): (usize, &Finding),
    (index, finding): (usize, &Finding),
) -> bool {
    match rule.reach {
        Reach::SameNode => {
            // A newcomer that was refused keeps away from the address.
            let was_refused = matches!(
                cause.evidence,
                Evidence::AddressClash { outcome: ClashOutcome::Refused, .. }
            );
            cause.mac_id.is_some() && cause.mac_id == finding.mac_id && !was_refused
        }
        Reach::Everybody => true,
        Reach::NamedNodes => match &cause.evidence {
            Evidence::GroupDropout { mac_ids, .. } => {
                finding.mac_id.is_some_and(|mac_id| mac_ids.contains(&mac_id))
            }
            _ => false,
        },
        Reach::Master => finding.mac_id.is_some_and(|mac_id| !trunk.owned_by(mac_id).is_empty()),
        // The first of them stands for all.
        Reach::Alike => cause_index < index,
    }
}

/// Whether the finding happened while the cause did. What has no time is taken as if it did.
fn is_while(trunk: &Trunk, cause: &Finding, finding: &Finding) -> bool {
    let Some(from) = cause.first else { return true };
    let until = end(trunk, cause);
    let not_before = finding.first.is_none_or(|first| first.plus(EDGE) >= from);
    let not_after = finding.last.is_none_or(|last| last <= until.plus(EDGE));
    not_before && not_after
}

/// Whether a cause is enough to explain so much. Blind errors strike a node's exchanges in proportion
/// to their bits: twice that, and a few, are allowed for chance. A bus that has room left makes
/// nobody miss a poll.
fn is_enough(trunk: &Trunk, cause: &Finding, finding: &Finding) -> bool {
    const CHANCE: f64 = 3.0;
    let is_plan = finding.code == Code::LoadOverPlan;
    if cause.code == Code::LoadHigh && cause.severity < Severity::Fault && !is_plan {
        return false;
    }
    let strikes = matches!(
        cause.code,
        Code::BusErrors
            | Code::DenseBursts
            | Code::ErrorsInRhythm
            | Code::ErrorsWithDrive
            | Code::ErrorsWithLength
            | Code::ErrorsStrikeNode
            | Code::NodeBusOff
    );
    let (true, Code::MissedPolls, Some(mac_id)) = (strikes, finding.code, finding.mac_id) else {
        return true;
    };
    let share =
        trunk.error_attribution.bits_for(mac_id).0 as f64 / trunk.load.total().0.max(1) as f64;
    let expected = trunk.errors.with_cause().count() as f64 * share;
    cause.mac_id == finding.mac_id || finding.count as f64 <= 2.0 * expected + CHANCE
}

/// When a cause ended, by its evidence; the end of the capture where it goes on.
fn end(trunk: &Trunk, cause: &Finding) -> Nanos {
    let last = cause.last.or(cause.first).unwrap_or(trunk.now());
    match &cause.evidence {
        // What a master that starts again does takes its time, and a scan list has many nodes.
        Evidence::DriveFaults { .. } => trunk.now(),
        Evidence::PollingPause { from_ns, span_ns, .. } => from_ns.plus(*span_ns).plus(EDGE),
        Evidence::Absence { returned_ns, .. } => returned_ns.unwrap_or(trunk.now()),
        // How long each was away stands with the node.
        Evidence::GroupDropout { mac_ids, to_ns, .. } => {
            let back = mac_ids.iter().filter_map(|mac_id| {
                let absence = trunk.node(*mac_id).presence.recent().last()?;
                Some(absence.to.unwrap_or(trunk.now()))
            });
            back.max().unwrap_or(*to_ns).max(*to_ns)
        }
        // These go on.
        Evidence::AddressClash { outcome: ClashOutcome::Contested, .. }
        | Evidence::IoSizes { .. }
        | Evidence::NotPolled { .. }
        | Evidence::SlowAnswers { .. }
        | Evidence::NodePeak { .. }
        | Evidence::PeakLoad { .. }
        | Evidence::ScanOverrun { .. }
        | Evidence::Interval { .. }
        | Evidence::Unplanned { .. } => trunk.now(),
        _ => last,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whatever leads to another stands before everything that leads to it.
    #[test]
    fn nothing_explains_itself_in_a_circle() {
        let mut codes: Vec<Code> = RULES.iter().map(|rule| rule.cause).collect();
        codes.dedup();
        let mut path = Vec::new();
        fn walk(code: Code, path: &mut Vec<Code>) {
            assert!(!path.contains(&code), "{path:?} leads back to {code:?}");
            path.push(code);
            let alike = |rule: &&Rule| rule.cause == code && rule.reach != Reach::Alike;
            for rule in RULES.iter().filter(alike) {
                rule.leads_to
                    .iter()
                    .filter(|next| **next != code)
                    .for_each(|&next| walk(next, path));
            }
            path.pop();
        }
        codes.into_iter().for_each(|code| walk(code, &mut path));
    }
}
