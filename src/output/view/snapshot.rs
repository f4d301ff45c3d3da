//! What the view shows, as plain numbers taken from the trunk's state at one moment.

use super::facts::{Facts, Seen};
use crate::fieldbus::{DeviceId, MacId};
use crate::health::{self, Code, Context, Finding, References, Severity, Verdict};
use crate::trunk::{Absence, Burst, Exchange, LatencySeries, LoadWindow, Node, Trunk, WINDOW};
use crate::wire::{Bitrate, ControllerState, ErrorKind, Nanos, Tally};

/// A finding counts as open while it last happened no longer ago than this.
pub const OPEN_FOR: Nanos = Nanos::from_millis(10_000);

/// The edges of the bins of answer times: six to a tenfold, from 0.1 ms to 100 ms.
const BINS_PER_DECADE: usize = 6;
/// How many bins.
pub const BINS: usize = 3 * BINS_PER_DECADE;

/// The trunk at one moment.
#[derive(Debug, Clone, Default)]
pub struct Snapshot {
    /// The time of the last record.
    pub now: Nanos,
    /// Frames, error frames and lost frames so far.
    pub tally: Tally,
    /// Everything found: what is open, what is over, notes; among these the gravest first.
    pub findings: Vec<Found>,
    /// The nodes of which anything is known, by address.
    pub nodes: Vec<NodeRow>,
    /// The load.
    pub load: LoadNow,
    /// Error frames and the adapter's controller.
    pub errors: ErrorsNow,
    /// When each drive ran, by what it said of itself.
    pub drives: Vec<DriveRuns>,
    /// More about the one node that was asked for.
    pub detail: Option<NodeDetail>,
}

/// A finding, and whether it goes on.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// What was found.
    pub finding: Finding,
    /// It goes on, or happened within the last [`OPEN_FOR`].
    pub open: bool,
}

/// How often and how fast one node answers.
#[derive(Debug, Clone, PartialEq)]
pub struct NodeRow {
    /// Its address.
    pub mac_id: MacId,
    /// By what it is asked.
    pub way: Way,
    /// Whether it has left and has not returned.
    pub gone: bool,
    /// What is wrong with it now, the gravest: the index into the findings.
    pub trouble: Option<usize>,
    /// Commands, and responses.
    pub asked: u64,
    /// Responses that closed an exchange.
    pub answered: u64,
    /// Exchanges that were missed; `None` where nobody is expected to answer.
    pub missed: Option<u64>,
    /// Median time from command to command.
    pub every: Option<Nanos>,
    /// Median time from command to response.
    pub median: Option<Nanos>,
    /// The worst time from command to response.
    pub worst: Option<Nanos>,
    /// How many answer times fall into each bin of the histogram.
    pub bins: Vec<u64>,
    /// Sizes of commands and responses, in bytes.
    pub bytes: [Vec<u16>; 2],
    /// Who it told to be.
    pub device: Option<DeviceId>,
    /// Frames that it sent.
    pub sent: u64,
    /// When it was last heard.
    pub last: Option<Nanos>,
    /// How many nodes it owns as their master.
    pub owns: usize,
    /// What was said of it.
    pub facts: Facts,
}

/// By what a node is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Way {
    /// Polled.
    Poll,
    /// Asked by a multicast poll.
    Multicast,
    /// Strobed.
    Strobe,
    /// It sends on change of state or cyclically.
    Change,
    /// No I/O was seen.
    None,
}

/// More about one node, for its page.
#[derive(Debug, Clone)]
pub struct NodeDetail {
    /// Its address.
    pub mac_id: MacId,
    /// Least, median, 99 %, worst answer time.
    pub answers: [Option<Nanos>; 4],
    /// Least, median, 99 %, worst time between commands.
    pub intervals: [Option<Nanos>; 4],
    /// Responses that nobody had asked for.
    pub unsolicited: u64,
    /// Exchanges of which nobody can tell.
    pub uncertain: u64,
    /// When it was first heard.
    pub first: Option<Nanos>,
    /// How often it restarted, and was replaced.
    pub restarts: u64,
    /// Address check requests and responses.
    pub checks: [u64; 2],
    /// The latest absences.
    pub absences: Vec<Absence>,
    /// How often it was gone.
    pub absence_count: u64,
    /// Answer times over time.
    pub over_time: LatencySeries,
}

/// How full the bus is. Shares are 0 to 1 and need a bit rate.
#[derive(Debug, Clone, Default)]
pub struct LoadNow {
    /// The trunk's bit rate.
    pub bitrate: Option<Bitrate>,
    /// In the last whole second.
    pub last: Option<f64>,
    /// Over all.
    pub mean: Option<f64>,
    /// The fullest whole second.
    pub peak: Option<f64>,
    /// Whole windows, oldest first.
    pub over_time: Vec<LoadWindow>,
}

/// When a drive ran.
#[derive(Debug, Clone)]
pub struct DriveRuns {
    /// The drive.
    pub mac_id: MacId,
    /// From when to when, oldest first.
    pub runs: Vec<(Nanos, Nanos)>,
}

/// Error frames, and how the adapter's controller is.
#[derive(Debug, Clone, Default)]
pub struct ErrorsNow {
    /// Error frames of every kind.
    pub frames: u64,
    /// Kinds that occurred, and how often.
    pub kinds: Vec<(ErrorKind, u64)>,
    /// How many bursts.
    pub bursts: u64,
    /// The largest one.
    pub largest: Option<Burst>,
    /// When the last error came.
    pub last: Option<Nanos>,
    /// The controller's state.
    pub controller: Option<ControllerState>,
    /// Its transmit and receive counters.
    pub counters: Option<(u8, u8)>,
    /// How often it went to warning, error-passive, bus-off; was restarted.
    pub changes: [u64; 4],
}

impl Found {
    /// Its place in the list: a fault that is over says more of a node than a note.
    fn rank(&self) -> (bool, bool) {
        (self.finding.severity == Severity::Note, !self.open)
    }
}

impl Snapshot {
    /// Takes it. `ended`: nothing more will come, so a missing end counts; `page`: the node that
    /// more is wanted of.
    pub fn of(seen: Seen, context: &Context, ended: bool, page: Option<MacId>) -> Snapshot {
        let Seen { trunk, plan, sheets } = seen;
        let references = References { plan, sheets };
        let now = trunk.now();
        let mut findings: Vec<Found> = health::findings(trunk, context, references)
            .into_iter()
            // What goes on has no end yet.
            .filter(|finding| ended || finding.code != Code::CaptureCutOff)
            .map(|finding| Found { open: is_open(&finding, trunk), finding })
            .collect();
        keep_causes_open(&mut findings);
        findings.sort_by_key(Found::rank);
        let nodes = trunk
            .nodes()
            .map(|(mac_id, node)| NodeRow {
                facts: Facts::of(&seen, mac_id, page == Some(mac_id)),
                owns: trunk.owned_by(mac_id).len(),
                ..row(trunk, mac_id, node, &findings)
            })
            .collect();
        let detail = page
            .map(|mac_id| (mac_id, trunk.node(mac_id)))
            .filter(|(_, node)| node.is_known())
            .map(|(mac_id, node)| detail(mac_id, node));
        Snapshot {
            now,
            tally: trunk.tally(),
            findings,
            nodes,
            load: load(trunk, context.bitrate),
            errors: errors(trunk),
            drives: drives(trunk),
            detail,
        }
    }

    /// The verdict over what is open, and what is known from earlier beside it.
    pub fn verdict(&self) -> (Verdict, Verdict) {
        let part = |open: bool| {
            // What is over and follows from something else is not counted again.
            let counts = |found: &&Found| open || found.finding.explained_by.is_none();
            let some = self.findings.iter().filter(|found| found.open == open).filter(counts);
            some.map(|found| found.finding.clone()).collect::<Vec<_>>()
        };
        (Verdict::from_findings(&part(true)), Verdict::from_findings(&part(false)))
    }

    /// The row of a node.
    pub fn node(&self, mac_id: MacId) -> Option<&NodeRow> {
        self.nodes.iter().find(|row| row.mac_id == mac_id)
    }
}

/// The edges between the bins of answer times, [`BINS`] + 1 of them.
pub fn bin_edges() -> Vec<Nanos> {
    let edge = |n: usize| 1e5 * 10_f64.powf(n as f64 / BINS_PER_DECADE as f64);
    (0..=BINS).map(|n| Nanos(edge(n).round() as i64)).collect()
}

/// A cause goes on as long as something that it explains does: what is folded under it is not shown
/// by itself.
fn keep_causes_open(findings: &mut [Found]) {
    let explained: Vec<_> = findings
        .iter()
        .map(|f| (f.finding.code, f.finding.mac_id, f.finding.explained_by.as_ref()))
        .collect();
    let roots = health::roots(&explained);
    let open: Vec<usize> = roots
        .iter()
        .zip(&*findings)
        .filter(|(_, found)| found.open)
        .map(|(root, _)| *root)
        .collect();
    for root in open {
        findings[root].open = true;
    }
}

fn is_open(finding: &Finding, trunk: &Trunk) -> bool {
    match (finding.code, finding.last) {
        (Code::NodeLeft, _) => finding.severity == Severity::Fault,
        _ if finding.evidence.is_ongoing() => true,
        (_, Some(last)) => trunk.now().since(last).is_none_or(|ago| ago <= OPEN_FOR),
        (_, None) => true,
    }
}

fn exchange(node: &Node) -> (Way, &Exchange) {
    let ways = [
        (Way::Poll, &node.poll),
        (Way::Strobe, &node.strobe),
        (Way::Multicast, &node.multicast_poll),
        (Way::Change, &node.change_of_state),
    ];
    // The polls of a node that also sends on change are what its master waits for.
    let used = ways.into_iter().find(|(_, exchange)| !exchange.is_unused());
    used.unwrap_or((Way::None, &node.poll))
}

fn row(trunk: &Trunk, mac_id: MacId, node: &Node, findings: &[Found]) -> NodeRow {
    let (way, exchange) = exchange(node);
    let latency = exchange.latency();
    // Without any answer a change of state is not meant to be acknowledged.
    let expected = way != Way::Change || exchange.responses() > 0;
    NodeRow {
        mac_id,
        way,
        gone: node.presence.is_gone(),
        trouble: trouble(mac_id, findings),
        asked: exchange.commands(),
        answered: exchange.responses(),
        missed: (expected && way != Way::None).then(|| exchange.missed().count()),
        every: exchange.interval().and_then(|d| d.quantile(0.5)).or(trunk.scan_interval(mac_id)),
        median: latency.and_then(|d| d.quantile(0.5)),
        worst: latency.and_then(|d| d.max()),
        bins: latency.map(|d| d.bins(&bin_edges())).unwrap_or_default(),
        bytes: [
            node.command_sizes().as_slice().to_vec(),
            node.response_sizes().as_slice().to_vec(),
        ],
        device: node.address.holder(),
        sent: node.sent.count(),
        last: node.sent.last(),
        owns: 0,
        facts: Facts::default(),
    }
}

impl Snapshot {
    /// What the node at an address is called.
    pub fn name(&self, mac_id: MacId) -> Option<&str> {
        self.nodes.iter().find(|row| row.mac_id == mac_id)?.facts.name.as_deref()
    }
}

/// The first finding about the node, but for notes that are over.
fn trouble(mac_id: MacId, findings: &[Found]) -> Option<usize> {
    let note = |found: &Found| found.finding.severity == Severity::Note;
    let counts =
        |found: &Found| found.finding.mac_id == Some(mac_id) && (found.open || !note(found));
    findings.iter().position(counts)
}

fn detail(mac_id: MacId, node: &Node) -> NodeDetail {
    let (_, exchange) = exchange(node);
    let four = |d: Option<&crate::trunk::Distribution>| match d {
        Some(d) => [d.min(), d.quantile(0.5), d.quantile(0.99), d.max()],
        None => [None; 4],
    };
    NodeDetail {
        mac_id,
        answers: four(exchange.latency()),
        intervals: four(exchange.interval()),
        unsolicited: exchange.unsolicited().count(),
        uncertain: exchange.uncertain(),
        first: node.sent.first(),
        restarts: node.address.restarts().count(),
        checks: [node.address.requests(), node.address.responses()],
        absences: node.presence.recent().copied().collect(),
        absence_count: node.presence.count(),
        over_time: exchange.latency_series().cloned().unwrap_or_default(),
    }
}

fn load(trunk: &Trunk, bitrate: Option<Bitrate>) -> LoadNow {
    let now = trunk.now();
    let whole = now.0.div_euclid(WINDOW.0);
    // The second that has just begun is not full yet.
    let over_time: Vec<LoadWindow> =
        trunk.load.over_time().filter(|span| span.first < whole).copied().collect();
    let share = |bits: u64, seconds: f64| {
        let rate = f64::from(bitrate?.get());
        (seconds > 0.0).then_some(bits as f64 / (rate * seconds))
    };
    let last = match over_time.last() {
        Some(span) if span.first + span.windows == whole => span.bits.0 / span.windows as u64,
        _ => 0,
    };
    LoadNow {
        bitrate,
        last: if whole >= 1 { share(last, 1.0) } else { None },
        mean: share(trunk.load.total().0, now.as_secs()),
        peak: trunk.load.peak(now).and_then(|bits| share(bits.0, 1.0)),
        over_time,
    }
}

fn drives(trunk: &Trunk) -> Vec<DriveRuns> {
    let drives = trunk.drive_correlation.drives();
    let drives = drives.map(|(mac_id, drive)| DriveRuns { mac_id, runs: drive.runs().collect() });
    drives.filter(|drive| !drive.runs.is_empty()).collect()
}

fn errors(trunk: &Trunk) -> ErrorsNow {
    let errors = &trunk.errors;
    let controller = &errors.controller;
    ErrorsNow {
        frames: errors.frames(),
        kinds: errors.kinds().collect(),
        bursts: errors.bursts(),
        largest: errors.largest_burst().copied(),
        last: errors.with_cause().last(),
        controller: controller.state(),
        counters: controller.counters(),
        changes: [
            controller.warnings().count(),
            controller.passives().count(),
            controller.bus_offs().count(),
            controller.restarts().count(),
        ],
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::health::{Evidence, Explanation};

    #[test]
    fn a_cause_is_open_as_long_as_what_it_explains() {
        let found = |code, open| Found {
            finding: Finding {
                code,
                severity: Severity::Warning,
                mac_id: None,
                count: 1,
                first: None,
                last: None,
                evidence: Evidence::NoBitRate,
                explained_by: None,
            },
            open,
        };
        let mut findings = [
            found(Code::PollingStopped, false),
            found(Code::ConnectionTimedOut, true),
            found(Code::BusErrors, false),
        ];
        findings[1].finding.explained_by = Some(Explanation {
            code: Code::PollingStopped,
            mac_id: None,
            reason: "nobody polls".into(),
        });
        keep_causes_open(&mut findings);
        assert_eq!(findings.map(|found| found.open), [true, true, false]);
    }

    /// A state that holds is open, however long ago it began.
    #[test]
    fn what_goes_on_is_open() {
        let evidence = |resumed| Evidence::PollingPause {
            from_ns: Nanos::ZERO,
            span_ns: Nanos::SECOND,
            resumed,
        };
        let finding = |resumed| {
            let finding = Finding {
                code: Code::PollingStopped,
                severity: Severity::Fault,
                mac_id: None,
                count: 1,
                first: Some(Nanos::ZERO),
                last: Some(Nanos::ZERO),
                evidence: evidence(resumed),
                explained_by: None,
            };
            let mut trunk = Trunk::default();
            let what = crate::wire::What::Mark("an hour later".into());
            let record = crate::wire::Record { t: Nanos::from_millis(3_600_000), what };
            trunk.take(&record, &mut |_, _| {});
            is_open(&finding, &trunk)
        };
        assert!(finding(false) && !finding(true));
    }
}
