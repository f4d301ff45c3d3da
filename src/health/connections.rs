//! Findings about polling and connections: the scan, allocations, time-outs, explicit requests.

use super::bus::peak_share;
use super::evidence::{ConnectionTimeouts, CountedEvent};
use super::{Code, Context, Evidence, Finding, Severity};
use crate::fieldbus::{Choice, ConnectionKind, MacId};
use crate::trunk::{Node, Trunk};
use crate::wire::Nanos;

/// Polls that pause for so many scan intervals, and for `PAUSE`, have stopped.
const SCANS_MISSED: i64 = 10;
const PAUSE: Nanos = Nanos::SECOND;
/// A node that is on line for so long and that nobody allocates is on no scan list.
const SETTLED: Nanos = Nanos::from_millis(10_000);
/// So many allocations are more than a start and a restart.
const MANY_ALLOCATIONS: u64 = 4;
/// So many requests without any answer are no accident.
const MANY_UNANSWERED: u64 = 3;
/// From this load on, a scan that does not keep up is too short for the bus.
const FULL: f64 = 0.85;

pub(super) fn find(trunk: &Trunk, context: &Context, found: &mut Vec<Finding>) {
    found.extend(polling_stopped(trunk));
    found.extend(scan_too_short(trunk, context));
    let masters: Vec<MacId> = MacId::all()
        .filter_map(|mac_id| trunk.node(mac_id).connections.owner)
        .map(|owner| owner.value)
        .collect();
    let absent = MacId::all().map(|mac_id| (mac_id, trunk.node(mac_id)));
    found.extend(absent.filter_map(|(mac_id, node)| Some(never_answered(node)?.at(mac_id))));
    for (mac_id, node) in trunk.nodes() {
        let about_node = [
            never_allocated(trunk, &masters, mac_id, node),
            not_polled(trunk, node),
            packet_rate_short(trunk, node),
            timed_out(node),
            allocated_again(node),
            requests_refused(node),
        ];
        found.extend(about_node.into_iter().flatten().map(|finding| finding.at(mac_id)));
    }
}

/// The time between two polls of a node: the median of all nodes.
fn scan_interval(trunk: &Trunk) -> Option<Nanos> {
    let mut intervals: Vec<Nanos> =
        trunk.nodes().filter_map(|(_, node)| node.poll.interval()?.quantile(0.5)).collect();
    intervals.sort_unstable();
    intervals.get(intervals.len() / 2).copied()
}

fn polling_stopped(trunk: &Trunk) -> Option<Finding> {
    let limit = Nanos(scan_interval(trunk)?.0.saturating_mul(SCANS_MISSED)).max(PAUSE);
    let silent = |from: Nanos, to: Nanos| to.since(from).filter(|&gap| gap > limit);
    let last = trunk.last_poll();
    let (from, gap, resumed) = match last.and_then(|last| Some((last, silent(last, trunk.now())?)))
    {
        Some((from, gap)) => (from, gap, false),
        None => {
            let (from, to) = trunk.poll_gap?;
            (from, silent(from, to)?, true)
        }
    };
    let evidence = Evidence::PollingPause { from_ns: from, span_ns: gap, resumed };
    let finding = Finding::new(Code::PollingStopped, Severity::Fault, evidence);
    Some(finding.with_count(1).with_times(Some(from), Some(from)))
}

fn scan_too_short(trunk: &Trunk, context: &Context) -> Option<Finding> {
    let peak_share = peak_share(trunk, context).filter(|&share| share >= FULL)?;
    // A scan that keeps up polls every node as regularly as before.
    let is_late = |node: &Node| {
        let latency = node.poll.latency().and_then(|l| l.quantile(0.99));
        let interval = node.poll.interval().and_then(|i| i.quantile(0.5));
        let in_second_half = latency
            .zip(interval)
            .is_some_and(|(latency, interval)| latency.0.saturating_mul(2) > interval.0);
        in_second_half || node.poll.missed().count() > 0
    };
    let polled_nodes = trunk.nodes().filter(|(_, node)| node.poll.commands() > 0).count();
    let late_nodes = trunk.nodes().filter(|(_, node)| is_late(node)).count();
    let evidence = Evidence::ScanOverrun { peak_share, late_nodes, polled_nodes };
    let finding = Finding::new(Code::ScanTooShort, Severity::Fault, evidence).with_count(1);
    (polled_nodes > 0 && 2 * late_nodes >= polled_nodes).then_some(finding)
}

/// A node that a master wants and that never sent anything.
fn never_answered(node: &Node) -> Option<Finding> {
    let count = node.allocation_requests;
    let evidence = Evidence::Count { what: CountedEvent::AllocationsNeverAnswered, count };
    let finding = Finding::new(Code::NeverAnswered, Severity::Fault, evidence).with_count(count);
    (count >= MANY_ALLOCATIONS && !node.is_known()).then_some(finding)
}

fn never_allocated(
    trunk: &Trunk,
    masters: &[MacId],
    mac_id: MacId,
    node: &Node,
) -> Option<Finding> {
    let span_ns = trunk.now().since(node.sent.first()?).filter(|&span| span > SETTLED)?;
    let is_scanning = !masters.is_empty() && trunk.nodes().any(|(_, node)| node.has_io());
    let is_unwanted = node.address.requests() >= 2
        && node.address.holder().is_some()
        && !node.has_io()
        && node.connections.allocations == 0
        && !masters.contains(&mac_id);
    let evidence = Evidence::NotAllocated { span_ns };
    let finding = Finding::new(Code::NeverAllocated, Severity::Warning, evidence);
    (is_scanning && is_unwanted).then(|| finding.with_occurrences(&node.sent))
}

fn not_polled(trunk: &Trunk, node: &Node) -> Option<Finding> {
    let connections = &node.connections;
    let long_since = |t: Nanos| trunk.now().since(t).filter(|&span| span > SETTLED);
    let last_poll_ns = node.poll.last_command();
    let since = match last_poll_ns {
        None => connections
            .allocated_at
            .filter(|_| connections.allocated.has(Choice::POLL) && node.sent.count() > 0)?,
        // Where all polls stopped, that is a finding of its own.
        Some(last) => Some(last).filter(|_| {
            was_polled(node, connections.allocated)
                && trunk.last_poll().is_some_and(|poll| long_since(poll).is_none())
        })?,
    };
    let evidence = Evidence::NotPolled { last_poll_ns, span_ns: long_since(since)? };
    let finding = Finding::new(Code::NotPolled, Severity::Warning, evidence);
    Some(finding.with_count(1).with_times(Some(since), Some(since)))
}

/// A node that was polled regularly, answered, and is there.
fn was_polled(node: &Node, allocated: Choice) -> bool {
    let changes = ConnectionKind::ChangeOfState.choice();
    let by_change = allocated.has(changes) && !allocated.has(Choice::POLL);
    let often = node.poll.interval().and_then(|interval| interval.quantile(0.99));
    let often = often.is_some_and(|interval| interval.0.saturating_mul(SCANS_MISSED) < SETTLED.0);
    often
        && !by_change
        && node.change_of_state.is_unused()
        && !node.presence.is_gone()
        && !node.poll.is_open()
}

fn packet_rate_short(trunk: &Trunk, node: &Node) -> Option<Finding> {
    let poll = node.connections.get(ConnectionKind::Poll);
    let (limit_ns, scan_ns) = (poll.limit()?, scan_interval(trunk)?);
    let (packet_rate_ms, timeouts) = (poll.rate_ms?, poll.timeouts);
    let evidence = Evidence::PacketRate { packet_rate_ms, limit_ns, scan_ns, timeouts };
    let finding = Finding::new(Code::PacketRateShort, Severity::Fault, evidence);
    let missed = node.poll.missed();
    (limit_ns < scan_ns && timeouts > 0)
        .then(|| finding.with_occurrences(missed).with_count(timeouts))
}

fn timed_out(node: &Node) -> Option<Finding> {
    let io = [ConnectionKind::Poll, ConnectionKind::Strobe, ConnectionKind::ChangeOfState];
    let timeouts = |kind| {
        let connection = node.connections.get(kind);
        let (timeouts, limit_ns) = (connection.timeouts, connection.limit());
        ConnectionTimeouts { connection: kind, timeouts, limit_ns }
    };
    let connections: Vec<_> = io.into_iter().map(timeouts).filter(|c| c.timeouts > 0).collect();
    let count = connections.iter().map(|connection| connection.timeouts).sum();
    (!connections.is_empty()).then(|| {
        let evidence = Evidence::Timeouts { connections };
        Finding::new(Code::ConnectionTimedOut, Severity::Warning, evidence)
            .with_occurrences(node.poll.missed())
            .with_count(count)
    })
}

fn allocated_again(node: &Node) -> Option<Finding> {
    let count = node.connections.allocations;
    let evidence = Evidence::Count { what: CountedEvent::Allocations, count };
    let finding = Finding::new(Code::AllocatedAgain, Severity::Warning, evidence);
    (count >= MANY_ALLOCATIONS)
        .then(|| finding.with_occurrences(node.address.restarts()).with_count(count))
}

fn requests_refused(node: &Node) -> Option<Finding> {
    let explicit = &node.explicit;
    let (requests, refused, unanswered) = (explicit.requests, explicit.errors, explicit.unanswered);
    let is_silent = unanswered >= MANY_UNANSWERED && node.sent.count() > 0;
    let severity = if is_silent { Severity::Warning } else { Severity::Note };
    let evidence = Evidence::Requests { requests, refused, unanswered };
    let finding = Finding::new(Code::RequestsRefused, severity, evidence);
    (refused > 0 || is_silent).then(|| finding.with_count(refused + unanswered))
}
