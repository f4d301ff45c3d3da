//! Findings about how nodes answer: too late, twice, in the wrong size.

use super::evidence::{IoDirection, SlowAgainstPeers, SlowStretch};
use super::{Code, Evidence, Finding, Severity};
use crate::fieldbus::MacId;
use crate::trunk::{IoSizes, Known, Node, Trunk};
use crate::wire::Nanos;

/// A stretch of answers that takes this many times as long as the node's fastest is slow, and
/// so is a node that takes this many times as long as its peers. Common practice, no source.
const SLOWER: f64 = 2.5;
const SLOWER_THAN_PEERS: f64 = 4.0;
/// Differences below this are the bus, not the node: another node's frame waited for.
const NOTICEABLE: Nanos = Nanos::from_micros(1500);
/// Fewer peers make no comparison.
const PEERS: usize = 3;
/// From this share of answers on, answers beyond the first one are no accident.
const TWICE: f64 = 0.01;
const TWICE_AT_LEAST: u64 = 3;

pub(super) fn find(trunk: &Trunk, found: &mut Vec<Finding>) {
    let medians: Vec<(MacId, Nanos)> = trunk
        .nodes()
        .filter_map(|(mac_id, node)| Some((mac_id, node.poll.latency()?.quantile(0.5)?)))
        .collect();
    for (mac_id, node) in trunk.nodes() {
        let about_node = [
            slow(mac_id, node, &medians),
            twice(node),
            size(
                IoDirection::Response,
                &node.response_sizes,
                node.response_size(),
                Code::ResponseSize,
            ),
            size(IoDirection::Command, &node.command_sizes, node.command_size(), Code::CommandSize),
        ];
        found.extend(about_node.into_iter().flatten().map(|finding| finding.at(mac_id)));
    }
}

fn slow(mac_id: MacId, node: &Node, medians: &[(MacId, Nanos)]) -> Option<Finding> {
    let latency = node.poll.latency()?;
    let slower = |a: Nanos, b: Nanos, factor: f64| {
        a.0 as f64 > factor * b.0 as f64 && a.0 - b.0 > NOTICEABLE.0
    };
    let mut against_own = None;
    let (mut first, mut count) = (None, 0);
    if let (Some(fast), Some(slow)) = (node.pace.fastest(), node.pace.slowest())
        && slower(slow.median, fast.median, SLOWER)
    {
        against_own = Some(SlowStretch {
            answers: crate::trunk::Pace::STRETCH,
            slowest_ns: slow.median,
            fastest_ns: fast.median,
        });
        first = Some(slow.from);
        count = node.pace.stretches().1;
    }
    let own = latency.quantile(0.5)?;
    let mut peers: Vec<Nanos> =
        medians.iter().filter(|(peer, _)| *peer != mac_id).map(|(_, median)| *median).collect();
    peers.sort_unstable();
    let mut against_peers = None;
    if peers.len() >= PEERS && slower(own, peers[peers.len() / 2], SLOWER_THAN_PEERS) {
        against_peers = Some(SlowAgainstPeers {
            median_ns: own,
            peers_median_ns: peers[peers.len() / 2],
            peers: peers.len(),
        });
        count = count.max(1);
    }
    // Answers that come later than the next poll is due are as good as missed.
    let late = node.poll.interval().and_then(|i| i.quantile(0.5)).is_some_and(|interval| {
        latency.quantile(0.99).is_some_and(|slowest| slowest.0.saturating_mul(2) > interval.0)
    });
    (against_own.is_some() || against_peers.is_some()).then(|| Finding {
        code: Code::SlowAnswers,
        severity: if late { Severity::Fault } else { Severity::Warning },
        mac_id: None,
        count,
        first,
        last: first,
        evidence: Evidence::SlowAnswers { own: against_own, peers: against_peers },
    })
}

fn twice(node: &Node) -> Option<Finding> {
    let more = node.poll.unsolicited();
    let answers = node.poll.responses();
    let share = more.count() as f64 / (answers + more.count()).max(1) as f64;
    let evidence = Evidence::ExtraAnswers { extra: more.count(), answered: answers, share };
    (answers > 0 && more.count() >= TWICE_AT_LEAST && share >= TWICE)
        .then(|| Finding::new(Code::TwoAnswer, Severity::Fault, more, evidence))
}

fn size(
    direction: IoDirection,
    seen: &IoSizes,
    told: Option<Known<u16>>,
    code: Code,
) -> Option<Finding> {
    use crate::trunk::Origin;
    let sizes = seen.sizes();
    let by = |origin| told.filter(|known| known.origin == origin).map(|known| known.value);
    // What differs from a plan alone is a finding about the plan.
    let (told, planned) = (by(Origin::Learnt), by(Origin::Planned));
    let other: Vec<u16> =
        sizes.iter().copied().filter(|&size| told.is_some_and(|told| told != size)).collect();
    let count = other.len().max(sizes.len().saturating_sub(1)) as u64;
    let (seen_bytes, planned_bytes) = match told {
        Some(_) if !other.is_empty() => (other, None),
        None if sizes.len() > 1 => (sizes, planned),
        _ => return None,
    };
    Some(Finding {
        code,
        severity: Severity::Fault,
        mac_id: None,
        count,
        first: None,
        last: None,
        evidence: Evidence::IoSizes {
            direction,
            seen_bytes,
            connection_bytes: told,
            planned_bytes,
        },
    })
}
