//! Findings about single nodes: who they are, whether and how they answer, what drives do, and their
//! connections: the scan, allocations, time-outs, explicit requests.

use super::bus::peak_share;
use super::drives;
use super::evidence::{
    ClashDevices, ConnectionTimeouts, CountedEvent, IoDirection, RefusedRequest, SlowAgainstPeers,
    SlowStretch,
};
use super::{Code, Context, Evidence, Finding, Severity};
use crate::fieldbus::{Choice, ConnectionKind, MacId};
use crate::trunk::{
    Clash, ClashOutcome, Distribution, Exchange, IoSizes, Known, LatencyDrift, Node, Occurrences,
    Origin, Trunk,
};
use crate::wire::Nanos;

/// From this share of polls on, misses are a fault and no warning. Common practice, no source.
const MANY_MISSED: f64 = 0.01;
/// A stretch of answers that takes this many times as long as the node's fastest is slow.
/// Common practice, no source.
const SLOWER: f64 = 2.5;
/// So is a node that takes this many times as long as its peers. Common practice, no source.
const SLOWER_THAN_PEERS: f64 = 4.0;
/// Smaller differences come from the bus, not the node: another node's frame had to pass first.
const NOTICEABLE: Nanos = Nanos::from_micros(1500);
/// Fewer peers make no comparison.
const LEAST_PEERS: usize = 3;
/// From this share of answers on, and this many, answers beyond the first one are no accident.
const EXTRA_SHARE: f64 = 0.01;
const LEAST_EXTRA: u64 = 3;

pub(super) fn find(trunk: &Trunk, found: &mut Vec<Finding>) {
    let latencies: Vec<(MacId, Nanos)> = trunk
        .nodes()
        .filter_map(|(mac_id, node)| Some((mac_id, node.poll.latency()?.quantile(0.5)?)))
        .collect();
    for (mac_id, node) in trunk.nodes() {
        let about_node = [
            never_answered(node),
            left(node, trunk.now()),
            missed_polls(node),
            Finding::counted(
                Code::NodeRestarted,
                Severity::Warning,
                CountedEvent::Restarts,
                node.address.restarts(),
            ),
            replaced(node),
            clash(trunk, mac_id, node, ClashOutcome::Refused),
            clash(trunk, mac_id, node, ClashOutcome::Contested),
            slow_answers(mac_id, node, &latencies),
            extra_answers(node),
            io_sizes(IoDirection::Response, node),
            io_sizes(IoDirection::Command, node),
            Finding::counted(
                Code::EmptyAnswers,
                Severity::Warning,
                CountedEvent::EmptyAnswers,
                &node.empty_answers,
            ),
        ];
        found.extend(about_node.into_iter().flatten().map(|finding| finding.at(mac_id)));
        found.extend(drives::find(node).map(|finding| finding.at(mac_id)));
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
    let finding = Finding::new(Code::AddressClash, Severity::Fault, evidence);
    (seen.count() > 0).then(|| finding.with_occurrences(seen))
}

/// A node that is polled and never sent anything.
fn never_answered(node: &Node) -> Option<Finding> {
    let missed = node.poll.missed();
    let polls = node.poll.commands();
    let evidence = Evidence::Count { what: CountedEvent::PollsNeverAnswered, count: polls };
    let finding = Finding::new(Code::NeverAnswered, Severity::Fault, evidence);
    (node.sent.count() == 0 && missed.count() > 0)
        .then(|| finding.with_times(missed.first(), missed.last()).with_count(polls))
}

fn left(node: &Node, now: Nanos) -> Option<Finding> {
    let presence = &node.presence;
    let last = presence.recent().last()?;
    let severity = if last.to.is_none() { Severity::Fault } else { Severity::Warning };
    let evidence = Evidence::Absence {
        absences: presence.count(),
        total_ns: presence.total(),
        longest_ns: presence.longest(),
        last_from_ns: last.from,
        returned_ns: last.to,
        away_for_ns: if last.to.is_none() { now.since(last.from) } else { None },
    };
    Some(
        Finding::new(Code::NodeLeft, severity, evidence)
            .with_count(presence.count())
            .with_times(presence.first(), Some(last.from)),
    )
}

fn missed_polls(node: &Node) -> Option<Finding> {
    let poll = &node.poll;
    let missed = poll.missed();
    let while_gone = node.presence.missed_while_gone();
    let count = missed.count().saturating_sub(while_gone);
    if count == 0 || node.sent.count() == 0 {
        return None;
    }
    let polls = poll.commands().saturating_sub(while_gone).max(1);
    let share = count as f64 / polls as f64;
    let severity = if share >= MANY_MISSED { Severity::Fault } else { Severity::Warning };
    let median = |d: Option<&Distribution>| d.and_then(|d| d.quantile(0.5));
    let evidence = Evidence::MissedPolls {
        missed: count,
        polls,
        share,
        latency_ns: median(poll.latency()),
        interval_ns: median(poll.interval()),
    };
    let finding = Finding::new(Code::MissedPolls, severity, evidence);
    Some(finding.with_times(missed.first(), missed.last()).with_count(count))
}

fn replaced(node: &Node) -> Option<Finding> {
    let (seen, device) = (node.address.replaced(), node.address.holder());
    let finding =
        Finding::new(Code::DeviceReplaced, Severity::Note, Evidence::NewDevice { device });
    (seen.count() > 0).then(|| finding.with_occurrences(seen))
}

fn slow_answers(mac_id: MacId, node: &Node, latencies: &[(MacId, Nanos)]) -> Option<Finding> {
    let latency = node.poll.latency()?;
    let slower = |a: Nanos, b: Nanos, factor: f64| {
        a.0 as f64 > factor * b.0 as f64 && a.0 - b.0 > NOTICEABLE.0
    };
    let mut against_own = None;
    let (mut first, mut count) = (None, 0);
    if let (Some(fast), Some(slow)) = (node.latency_drift.fastest(), node.latency_drift.slowest())
        && slower(slow.median, fast.median, SLOWER)
    {
        against_own = Some(SlowStretch {
            answers: LatencyDrift::STRETCH,
            slowest_ns: slow.median,
            fastest_ns: fast.median,
        });
        first = Some(slow.from);
        count = node.latency_drift.stretches().1;
    }
    let own = latency.quantile(0.5)?;
    let mut peers: Vec<Nanos> =
        latencies.iter().filter(|(peer, _)| *peer != mac_id).map(|(_, median)| *median).collect();
    peers.sort_unstable();
    let mut against_peers = None;
    if peers.len() >= LEAST_PEERS && slower(own, peers[peers.len() / 2], SLOWER_THAN_PEERS) {
        against_peers = Some(SlowAgainstPeers {
            median_ns: own,
            peers_median_ns: peers[peers.len() / 2],
            peers: peers.len(),
        });
        count = count.max(1);
    }
    // Answers later than half the scan are about to be missed.
    let late = node.poll.interval().and_then(|i| i.quantile(0.5)).is_some_and(|interval| {
        latency.quantile(0.99).is_some_and(|slowest| slowest.0.saturating_mul(2) > interval.0)
    });
    let severity = if late { Severity::Fault } else { Severity::Warning };
    (against_own.is_some() || against_peers.is_some()).then(|| {
        let evidence = Evidence::SlowAnswers { own: against_own, peers: against_peers };
        Finding::new(Code::SlowAnswers, severity, evidence)
            .with_count(count)
            .with_times(first, first)
    })
}

fn extra_answers(node: &Node) -> Option<Finding> {
    let (answered, extra) = (node.poll.responses(), node.poll.unsolicited());
    let share = extra.count() as f64 / (answered + extra.count()).max(1) as f64;
    let evidence = Evidence::ExtraAnswers { extra: extra.count(), answered, share };
    let finding = Finding::new(Code::TwoAnswer, Severity::Fault, evidence);
    (answered > 0 && extra.count() >= LEAST_EXTRA && share >= EXTRA_SHARE)
        .then(|| finding.with_occurrences(extra))
}

fn io_sizes(direction: IoDirection, node: &Node) -> Option<Finding> {
    let (code, seen, known): (_, &IoSizes, Option<Known<u16>>) = match direction {
        IoDirection::Response => (Code::ResponseSize, node.response_sizes(), node.response_size()),
        IoDirection::Command => (Code::CommandSize, node.command_sizes(), node.command_size()),
    };
    let sizes = seen.as_slice().to_vec();
    let from = |origin| known.filter(|known| known.origin == origin).map(|known| known.value);
    // A difference from the plan alone is a finding about the plan.
    let (connection_bytes, planned_bytes) = (from(Origin::Learnt), from(Origin::Planned));
    let differs = |&size: &u16| connection_bytes.is_some_and(|bytes| bytes != size);
    let different: Vec<u16> = sizes.iter().copied().filter(differs).collect();
    let count = different.len().max(sizes.len().saturating_sub(1)) as u64;
    let (seen_bytes, planned_bytes) = match connection_bytes {
        Some(_) if !different.is_empty() => (different, None),
        None if sizes.len() > 1 => (sizes, planned_bytes),
        _ => return None,
    };
    let evidence = Evidence::IoSizes { direction, seen_bytes, connection_bytes, planned_bytes };
    let finding = Finding::new(code, Severity::Fault, evidence).with_count(count);
    // The first of several sizes, or the first that the connection does not have.
    let first = match connection_bytes {
        Some(_) => seen.first_but(connection_bytes),
        None => seen.first_change(),
    };
    Some(finding.with_times(first, seen.last_change().max(first)))
}

/// Polls that pause for so many scan intervals, and for `PAUSE`, have stopped.
const SCANS_MISSED: i64 = 10;
const PAUSE: Nanos = Nanos::SECOND;
/// A node that is on line for so long and that nobody allocates is on no scan list.
const SETTLED: Nanos = Nanos::from_millis(10_000);
/// So many allocations without an answer, or without a restart between, are no accident.
const MANY_ALLOCATIONS: u64 = 4;
/// So many requests without any answer are no accident.
const MANY_UNANSWERED: u64 = 3;
/// From this load on, a scan that does not keep up is too short for the bus.
const FULL: f64 = 0.85;

pub(super) fn find_on_connections(trunk: &Trunk, context: &Context, found: &mut Vec<Finding>) {
    // Who has explicit connections alone may be a tool.
    let has_io = |node: &&Node| node.has_io() || node.connections.had_io();
    let owned = MacId::all().map(|mac_id| trunk.node(mac_id)).filter(has_io);
    let mut masters: Vec<MacId> =
        owned.filter_map(|node| Some(node.connections.owner?.value)).collect();
    masters.sort_unstable();
    masters.dedup();
    found.extend(polling_stopped(trunk, &masters));
    found.extend(master_idle(trunk));
    found.extend(scan_too_short(trunk, context));
    let absent = MacId::all().map(|mac_id| (mac_id, trunk.node(mac_id)));
    found.extend(
        absent.filter_map(|(mac_id, node)| {
            Some(allocations_never_answered(node, &masters)?.at(mac_id))
        }),
    );
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

/// The time between two polls or strobes of a node: the median of all nodes.
fn scan_interval(trunk: &Trunk) -> Option<Nanos> {
    let scanned = |node: &Node| {
        let exchanges = [&node.poll, &node.strobe, &node.multicast_poll].into_iter();
        exchanges.filter_map(Exchange::interval).find_map(|intervals| intervals.quantile(0.5))
    };
    let mut intervals: Vec<Nanos> = trunk.nodes().filter_map(|(_, node)| scanned(node)).collect();
    intervals.sort_unstable();
    intervals.get(intervals.len() / 2).copied()
}

fn polling_stopped(trunk: &Trunk, masters: &[MacId]) -> Option<Finding> {
    if let Some(from) = trunk.last_acknowledge() {
        return acknowledges_stopped(trunk, from).map(|finding| match *masters {
            [master] => finding.at(master),
            _ => finding,
        });
    }
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
    let finding = finding.with_count(1).with_times(Some(from), Some(from));
    // With several masters the pause is that of all of them.
    Some(match *masters {
        [master] => finding.at(master),
        _ => finding,
    })
}

/// A master that neither polls nor strobes has stopped when nodes send and it acknowledges nothing.
fn acknowledges_stopped(trunk: &Trunk, from: Nanos) -> Option<Finding> {
    let span = trunk.now().since(from).filter(|&span| span > PAUSE)?;
    let waits = |node: &Node| {
        node.change_of_state.is_open()
            && node.change_of_state.last_command().is_some_and(|sent| sent > from)
    };
    let evidence = Evidence::PollingPause { from_ns: from, span_ns: span, resumed: false };
    let finding = Finding::new(Code::PollingStopped, Severity::Fault, evidence);
    let stopped = trunk.nodes().any(|(_, node)| waits(node));
    stopped.then(|| finding.with_count(1).with_times(Some(from), Some(from)))
}

/// A master that polls with no data: its nodes are asked for nothing.
fn master_idle(trunk: &Trunk) -> Option<Finding> {
    let last = trunk.idle.last()?;
    let owner = |mac_id: MacId| trunk.node(mac_id).connections.owner.map(|owner| owner.value);
    let mut owners: Vec<Option<MacId>> = last.nodes().map(owner).collect();
    owners.dedup();
    let severity = if last.to.is_none() { Severity::Warning } else { Severity::Note };
    let evidence = Evidence::IdleMaster {
        mac_ids: last.nodes().collect(),
        from_ns: last.from,
        to_ns: last.to,
        spans: trunk.idle.spans(),
    };
    let finding = Finding::new(Code::MasterIdle, severity, evidence)
        .with_count(trunk.idle.spans())
        .with_times(trunk.idle.first(), Some(last.to.unwrap_or(last.from)));
    Some(match owners[..] {
        [Some(master)] => finding.at(master),
        _ => finding,
    })
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
fn allocations_never_answered(node: &Node, masters: &[MacId]) -> Option<Finding> {
    let requests = node.allocation_requests;
    // A tool looks for who is there; a master asks for whom it misses.
    let by_master = requests.explicit_client.is_some_and(|client| masters.contains(&client));
    let count = requests.io + if by_master { requests.explicit } else { 0 };
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
        && !node.connections.had_io()
        && node.requests_sent == 0
        && !masters.contains(&mac_id);
    let evidence = Evidence::NotAllocated {
        span_ns,
        factory_address: mac_id == MacId::MAX,
        identity_read: node.identity.product_code.is_some(),
    };
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
    let (packet_rate_ms, timeouts) = (poll.rate_ms?, poll.timeouts.count());
    let evidence = Evidence::PacketRate { packet_rate_ms, limit_ns, scan_ns, timeouts };
    let finding = Finding::new(Code::PacketRateShort, Severity::Fault, evidence);
    (limit_ns < scan_ns && timeouts > 0).then(|| finding.with_occurrences(&poll.timeouts))
}

fn timed_out(node: &Node) -> Option<Finding> {
    let io = ConnectionKind::IO;
    let timeouts = |kind| {
        let connection = node.connections.get(kind);
        let (timeouts, limit_ns) = (connection.timeouts.count(), connection.limit());
        ConnectionTimeouts { connection: kind, timeouts, limit_ns }
    };
    let connections: Vec<_> = io.into_iter().map(timeouts).filter(|c| c.timeouts > 0).collect();
    let count = connections.iter().map(|connection| connection.timeouts).sum();
    let all = io.map(|kind| node.connections.get(kind).timeouts);
    (!connections.is_empty()).then(|| {
        let evidence = Evidence::Timeouts { connections };
        Finding::new(Code::ConnectionTimedOut, Severity::Warning, evidence)
            .with_count(count)
            .with_times(first_of(&all), last_of(&all))
    })
}

fn first_of(all: &[Occurrences]) -> Option<Nanos> {
    all.iter().filter_map(Occurrences::first).min()
}

fn last_of(all: &[Occurrences]) -> Option<Nanos> {
    all.iter().filter_map(Occurrences::last).max()
}

fn allocated_again(node: &Node) -> Option<Finding> {
    let repeated = &node.connections.repeated;
    let count = repeated.count() + 1;
    let evidence = Evidence::Count { what: CountedEvent::Allocations, count };
    let finding = Finding::new(Code::AllocatedAgain, Severity::Warning, evidence);
    (count >= MANY_ALLOCATIONS).then(|| finding.with_occurrences(repeated).with_count(count))
}

fn requests_refused(node: &Node) -> Option<Finding> {
    let explicit = &node.explicit;
    let (requests, refused, unanswered) = (explicit.requests, explicit.errors, explicit.unanswered);
    let is_silent = unanswered >= MANY_UNANSWERED && node.sent.count() > 0;
    let severity = if is_silent { Severity::Warning } else { Severity::Note };
    let last_refused = node.last_refusal.map(|(service, target, status)| RefusedRequest {
        service: service.get(),
        class: target.map(|target| target.class.0),
        instance: target.map(|target| target.instance),
        attribute: target.and_then(|target| target.attribute),
        status: status.0,
    });
    let evidence = Evidence::Requests { requests, refused, unanswered, last_refused };
    let finding = Finding::new(Code::RequestsRefused, severity, evidence);
    let failed = &node.failed_requests;
    (refused > 0 || is_silent).then(|| finding.with_occurrences(failed))
}
