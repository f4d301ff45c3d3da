//! Findings about what masters do: stop scanning, scan too fast, allocate again and again.

use super::nodes::{at, seconds, times};
use super::{Code, Context, Finding, Severity};
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
        .filter_map(|mac_id| trunk.decoder().node(mac_id).connections.owner)
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
    let (from, gap, over) = match last.and_then(|last| Some((last, silent(last, trunk.now())?))) {
        Some((from, gap)) => (from, gap, false),
        None => {
            let (from, to) = trunk.poll_gap?;
            (from, silent(from, to)?, true)
        }
    };
    let end = if over { "then went on" } else { "and did not go on" };
    let mut seen = Occurrences::default();
    seen.add(from);
    let evidence = format!("no node was polled for {} from {} on, {end}", seconds(gap), at(from));
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
    let evidence = format!(
        "the fullest second used {:.1} % of the wire; {late} of {polled} polled nodes missed \
         polls or answered in the second half of the scan",
        100.0 * peak
    );
    (polled > 0 && 2 * late >= polled).then(|| {
        Finding::new(Code::ScanTooShort, Severity::Fault, &Occurrences::default(), evidence)
            .times(1)
    })
}

fn never_allocated(trunk: &Trunk, masters: &[MacId], mac_id: MacId) -> Option<Finding> {
    let node = trunk.node(mac_id);
    let told = trunk.decoder().node(mac_id);
    let since = node.sent.first()?;
    let waited = trunk.now().since(since).filter(|&waited| waited > SETTLED)?;
    let scanned = trunk.nodes().any(|(_, node)| node.has_io());
    let evidence = format!("ran its address check, then {} without a connection", seconds(waited));
    let unwanted = node.address.requests() >= 2
        && node.address.holder().is_some()
        && !node.has_io()
        && told.connections.allocations == 0
        && !masters.contains(&mac_id);
    (scanned && !masters.is_empty() && unwanted)
        .then(|| Finding::new(Code::NeverAllocated, Severity::Warning, &node.sent, evidence))
}

fn not_polled(trunk: &Trunk, mac_id: MacId) -> Option<Finding> {
    let node = trunk.node(mac_id);
    let connections = &trunk.decoder().node(mac_id).connections;
    let long_ago = |t: Nanos| trunk.now().since(t).filter(|&quiet| quiet > SETTLED);
    let mut seen = Occurrences::default();
    let evidence = match node.poll.last_command() {
        None => {
            let allocated = connections
                .allocated_at
                .filter(|_| connections.allocated.has(Choice::POLL) && node.sent.count() > 0)?;
            seen.add(allocated);
            let waited = seconds(long_ago(allocated)?);
            format!("its poll connection is allocated, and nobody polls it for {waited}")
        }
        // It was polled and answered; where all polls stopped, that is a finding of its own.
        Some(last) if was_polled(node, connections.allocated) => {
            let goes_on = trunk.last_poll().is_some_and(|poll| long_ago(poll).is_none());
            seen.add(last);
            let quiet = seconds(long_ago(last).filter(|_| goes_on)?);
            format!("its polls stopped at {}, for {quiet} now; others are polled on", at(last))
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
    let poll = trunk.decoder().node(mac_id).connections.get(ConnectionKind::Poll);
    let (limit, interval) = (poll.limit()?, scan_interval(trunk)?);
    let evidence = format!(
        "its expected packet rate of {} ms times its poll connection out after {}; the scan takes \
         {} (median of all nodes); it timed out {}",
        poll.rate_ms?,
        seconds(limit),
        seconds(interval),
        times(poll.timeouts)
    );
    (limit < interval && poll.timeouts > 0).then(|| {
        let never = Occurrences::default();
        Finding::new(Code::PacketRateShort, Severity::Fault, &never, evidence)
            .times(poll.timeouts)
            .span(trunk.node(mac_id).poll.missed())
    })
}

/// A node that a master wants, and that never said anything.
fn never_there(trunk: &Trunk, mac_id: MacId) -> Option<Finding> {
    let asked = trunk.decoder().node(mac_id).explicit.io_asked;
    let evidence =
        format!("a master tried to allocate its I/O {}, it was never heard", times(asked));
    (asked >= ALLOCATED && !trunk.node(mac_id).is_known()).then(|| {
        let never = Occurrences::default();
        Finding::new(Code::NeverAnswered, Severity::Fault, &never, evidence).times(asked)
    })
}

fn timed_out(trunk: &Trunk, mac_id: MacId) -> Option<Finding> {
    let connections = &trunk.decoder().node(mac_id).connections;
    let io = [ConnectionKind::Poll, ConnectionKind::Strobe, ConnectionKind::ChangeOfState];
    let late: Vec<String> = io
        .into_iter()
        .map(|kind| (kind, connections.get(kind)))
        .filter(|(_, connection)| connection.timeouts > 0)
        .map(|(kind, connection)| {
            let limit = connection
                .limit()
                .map_or(String::new(), |limit| format!(", {} without a message", seconds(limit)));
            format!("its {kind} connection timed out {}{limit}", times(connection.timeouts))
        })
        .collect();
    let count = io.into_iter().map(|kind| connections.get(kind).timeouts).sum();
    (!late.is_empty()).then(|| {
        let never = Occurrences::default();
        Finding::new(Code::ConnectionTimedOut, Severity::Warning, &never, late.join("; "))
            .times(count)
            .span(trunk.node(mac_id).poll.missed())
    })
}

fn allocated_again(trunk: &Trunk, mac_id: MacId) -> Option<Finding> {
    let count = trunk.decoder().node(mac_id).connections.allocations;
    let evidence = format!("a master allocated it {}", times(count));
    let node = trunk.node(mac_id);
    (count >= ALLOCATED).then(|| {
        Finding::new(Code::AllocatedAgain, Severity::Warning, &Occurrences::default(), evidence)
            .times(count)
            .span(node.address.restarts())
    })
}

fn refused(trunk: &Trunk, mac_id: MacId) -> Option<Finding> {
    let explicit = &trunk.decoder().node(mac_id).explicit;
    let evidence = format!(
        "of {} explicit requests it refused {} and left {} unanswered",
        explicit.requests, explicit.errors, explicit.unanswered
    );
    let silent = explicit.unanswered >= UNANSWERED && trunk.node(mac_id).sent.count() > 0;
    let severity = if silent { Severity::Warning } else { Severity::Note };
    (explicit.errors > 0 || silent).then(|| {
        Finding::new(Code::RequestsRefused, severity, &Occurrences::default(), evidence)
            .times(explicit.errors + explicit.unanswered)
    })
}
