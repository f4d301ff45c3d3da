//! Findings about what masters do: stop scanning, scan too fast, allocate again and again.

use super::evidence::{ConnectionTimeouts, Counted};
use super::{Code, Context, Evidence, Finding, Severity};
use crate::fieldbus::{Choice, ConnectionKind, MacId};
use crate::trunk::{Node, Occurrences, Trunk, WINDOW};
use crate::wire::Nanos;

/// Polls that pause for so many scan intervals, and for a second, have stopped.
const SCANS_MISSED: i64 = 10;
const PAUSE: Nanos = Nanos::SECOND;
/// A node on line for so long that nobody allocates is not wanted.
const SETTLED: Nanos = Nanos::from_millis(10_000);
/// From so many allocations on it is again and again.
const ALLOCATED: u64 = 4;
/// From so many requests without any answer on it is no accident.
const UNANSWERED: u64 = 3;
/// The load from which on a scan that does not keep up is too short for the bus.
const FULL: f64 = 0.85;

pub(super) fn find(trunk: &Trunk, context: &Context, found: &mut Vec<Finding>) {
    found.extend(polling_stopped(trunk));
    found.extend(scan_too_short(trunk, context));
    let masters: Vec<MacId> = MacId::all()
        .filter_map(|mac_id| trunk.node(mac_id).connections.owner)
        .map(|owner| owner.value)
        .collect();
    found.extend(MacId::all().filter_map(|mac_id| Some(never_there(trunk, mac_id)?.at(mac_id))));
    for (mac_id, _) in trunk.nodes() {
        let about_node = [
            never_allocated(trunk, &masters, mac_id),
            not_polled(trunk, mac_id),
            packet_rate_short(trunk, mac_id),
            timed_out(trunk, mac_id),
            allocated_again(trunk, mac_id),
            refused(trunk, mac_id),
        ];
        found.extend(about_node.into_iter().flatten().map(|finding| finding.at(mac_id)));
    }
}

/// The time between polls of a node, in the middle of all nodes.
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
    let mut seen = Occurrences::default();
    seen.add(from);
    let evidence = Evidence::PollingPause { from_ns: from, span_ns: gap, resumed };
    Some(Finding::new(Code::PollingStopped, Severity::Fault, &seen, evidence))
}

fn scan_too_short(trunk: &Trunk, context: &Context) -> Option<Finding> {
    let rate = f64::from(context.bitrate?.get());
    let peak = trunk.load.peak(trunk.now())?.0 as f64 / (rate * WINDOW.as_secs());
    if peak < FULL {
        return None;
    }
    // A scan that keeps up polls everybody as regularly as ever.
    let polled = trunk.nodes().filter(|(_, node)| node.poll.commands() > 0).count();
    let late = trunk
        .nodes()
        .filter(|(_, node)| {
            let latency = node.poll.latency().and_then(|l| l.quantile(0.99));
            let interval = node.poll.interval().and_then(|i| i.quantile(0.5));
            latency
                .zip(interval)
                .is_some_and(|(latency, interval)| latency.0.saturating_mul(2) > interval.0)
                || node.poll.missed().count() > 0
        })
        .count();
    let evidence =
        Evidence::ScanOverrun { peak_share: peak, late_nodes: late, polled_nodes: polled };
    (polled > 0 && 2 * late >= polled).then(|| {
        Finding::new(Code::ScanTooShort, Severity::Fault, &Occurrences::default(), evidence)
            .times(1)
    })
}

fn never_allocated(trunk: &Trunk, masters: &[MacId], mac_id: MacId) -> Option<Finding> {
    let node = trunk.node(mac_id);
    let since = node.sent.first()?;
    let waited = trunk.now().since(since).filter(|&waited| waited > SETTLED)?;
    let scanned = trunk.nodes().any(|(_, node)| node.has_io());
    let evidence = Evidence::NotAllocated { span_ns: waited };
    let unwanted = node.address.requests() >= 2
        && node.address.holder().is_some()
        && !node.has_io()
        && node.connections.allocations == 0
        && !masters.contains(&mac_id);
    (scanned && !masters.is_empty() && unwanted)
        .then(|| Finding::new(Code::NeverAllocated, Severity::Warning, &node.sent, evidence))
}

fn not_polled(trunk: &Trunk, mac_id: MacId) -> Option<Finding> {
    let node = trunk.node(mac_id);
    let connections = &trunk.node(mac_id).connections;
    let long_ago = |t: Nanos| trunk.now().since(t).filter(|&quiet| quiet > SETTLED);
    let mut seen = Occurrences::default();
    let evidence = match node.poll.last_command() {
        None => {
            let allocated = connections
                .allocated_at
                .filter(|_| connections.allocated.has(Choice::POLL) && node.sent.count() > 0)?;
            seen.add(allocated);
            Evidence::NotPolled { last_poll_ns: None, span_ns: long_ago(allocated)? }
        }
        // It was polled and answered; where all polls stopped, that is a finding of its own.
        Some(last) if was_polled(node, connections.allocated) => {
            let goes_on = trunk.last_poll().is_some_and(|poll| long_ago(poll).is_none());
            seen.add(last);
            let quiet = long_ago(last).filter(|_| goes_on)?;
            Evidence::NotPolled { last_poll_ns: Some(last), span_ns: quiet }
        }
        Some(_) => return None,
    };
    Some(Finding::new(Code::NotPolled, Severity::Warning, &seen, evidence))
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

fn packet_rate_short(trunk: &Trunk, mac_id: MacId) -> Option<Finding> {
    let poll = trunk.node(mac_id).connections.get(ConnectionKind::Poll);
    let (limit, interval) = (poll.limit()?, scan_interval(trunk)?);
    let evidence = Evidence::PacketRate {
        packet_rate_ms: poll.rate_ms?,
        limit_ns: limit,
        scan_ns: interval,
        timeouts: poll.timeouts,
    };
    (limit < interval && poll.timeouts > 0).then(|| {
        let never = Occurrences::default();
        Finding::new(Code::PacketRateShort, Severity::Fault, &never, evidence)
            .times(poll.timeouts)
            .span(trunk.node(mac_id).poll.missed())
    })
}

/// A node that a master wants, and that never said anything.
fn never_there(trunk: &Trunk, mac_id: MacId) -> Option<Finding> {
    let asked = trunk.node(mac_id).explicit.io_asked;
    let evidence = Evidence::Count { what: Counted::AllocationsNeverAnswered, count: asked };
    (asked >= ALLOCATED && !trunk.node(mac_id).is_known()).then(|| {
        let never = Occurrences::default();
        Finding::new(Code::NeverAnswered, Severity::Fault, &never, evidence).times(asked)
    })
}

fn timed_out(trunk: &Trunk, mac_id: MacId) -> Option<Finding> {
    let connections = &trunk.node(mac_id).connections;
    let io = [ConnectionKind::Poll, ConnectionKind::Strobe, ConnectionKind::ChangeOfState];
    let late: Vec<ConnectionTimeouts> = io
        .into_iter()
        .map(|kind| (kind, connections.get(kind)))
        .filter(|(_, connection)| connection.timeouts > 0)
        .map(|(kind, connection)| ConnectionTimeouts {
            connection: kind,
            timeouts: connection.timeouts,
            limit_ns: connection.limit(),
        })
        .collect();
    let count = io.into_iter().map(|kind| connections.get(kind).timeouts).sum();
    (!late.is_empty()).then(|| {
        let never = Occurrences::default();
        let evidence = Evidence::Timeouts { connections: late };
        Finding::new(Code::ConnectionTimedOut, Severity::Warning, &never, evidence)
            .times(count)
            .span(trunk.node(mac_id).poll.missed())
    })
}

fn allocated_again(trunk: &Trunk, mac_id: MacId) -> Option<Finding> {
    let count = trunk.node(mac_id).connections.allocations;
    let evidence = Evidence::Count { what: Counted::Allocations, count };
    let node = trunk.node(mac_id);
    (count >= ALLOCATED).then(|| {
        Finding::new(Code::AllocatedAgain, Severity::Warning, &Occurrences::default(), evidence)
            .times(count)
            .span(node.address.restarts())
    })
}

fn refused(trunk: &Trunk, mac_id: MacId) -> Option<Finding> {
    let explicit = &trunk.node(mac_id).explicit;
    let evidence = Evidence::Requests {
        requests: explicit.requests,
        refused: explicit.errors,
        unanswered: explicit.unanswered,
    };
    let silent = explicit.unanswered >= UNANSWERED && trunk.node(mac_id).sent.count() > 0;
    let severity = if silent { Severity::Warning } else { Severity::Note };
    (explicit.errors > 0 || silent).then(|| {
        Finding::new(Code::RequestsRefused, severity, &Occurrences::default(), evidence)
            .times(explicit.errors + explicit.unanswered)
    })
}
