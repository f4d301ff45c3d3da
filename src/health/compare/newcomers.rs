//! The acceptance of each newcomer worked out.
//!
//! Nothing is measured anew: a point is what the summary of the visit says of the node, and the
//! findings about it. A fault of somebody else fails no point but the last.

use std::collections::BTreeSet;

use super::acceptance::{Acceptance, AcceptancePoint, AcceptanceResult, Point, over_all};
use super::comparison_line::{ComparisonLine, ExchangeKind, Judgement, JudgementCounts};
use super::nodes::{frames_but_checks, identity_text, used};
use super::tolerance::Tolerance;
use crate::fieldbus::MacId;
use crate::health::summary::{
    DataSheetVerdict, ExchangeCounts, FindingSummary, NodeSummary, Summary,
};
use crate::health::{Code, Evidence, Severity};
use crate::trunk::{ClashOutcome, Known, Origin};
use crate::words::numbers::{at, grouped, number, percent, sizes, times};

/// So many exchanges without a miss show, at 95 %, that fewer than one in a hundred is missed,
/// which is where misses become a fault. Source: the rule of three, Hanley and Lippman-Hand, "If
/// nothing goes wrong, is everything all right?", JAMA 249 (1983), cited from memory.
const ENOUGH_EXCHANGES: u64 = 300;

/// A change of state or cyclic data come seldom; so many show that the master listens.
const ENOUGH_CHANGES: u64 = 3;

/// The newcomers of a visit, and everything that their acceptance is worked out from.
pub(super) struct Newcomers<'a> {
    pub(super) then: &'a Summary,
    pub(super) now: &'a Summary,
    pub(super) tolerance: &'a Tolerance,
    /// All lines of the comparison.
    pub(super) lines: &'a [ComparisonLine],
    /// The nodes that the baseline does not have.
    pub(super) newcomers: BTreeSet<MacId>,
    /// Those that were named.
    pub(super) expected: &'a [MacId],
}

impl Newcomers<'_> {
    /// The acceptance of every newcomer, and of every one that was expected and is none.
    pub(super) fn all(&self) -> Vec<Acceptance> {
        let named = self.expected.iter().copied();
        let all: BTreeSet<MacId> = self.newcomers.iter().copied().chain(named).collect();
        all.into_iter().map(|mac_id| self.acceptance(mac_id)).collect()
    }

    fn acceptance(&self, mac_id: MacId) -> Acceptance {
        let node = self.now.node(mac_id).filter(|node| frames_but_checks(node) > 0);
        let mut points = vec![self.on_line(mac_id, node)];
        if let Some(node) = node {
            let exchange = main_exchange(node);
            points.extend([self.address(node), self.device(node), self.allocation(node)]);
            points.extend([scan(exchange), self.answers(node, exchange)]);
            points.extend(answer_time(exchange));
            points.extend(io_sizes(node));
            points.push(presence(node));
            points.extend(drive_run(node));
            points.push(self.errors());
        } else if let Some(clash) = self.clash(mac_id) {
            points.push(clash);
        }
        points.push(self.others(mac_id));
        self.apply_findings(mac_id, &mut points);
        Acceptance {
            mac_id,
            name: self.now.name(mac_id).or(self.then.name(mac_id)).map(str::to_string),
            expected: self.expected.contains(&mac_id),
            result: over_all(&points),
            points,
        }
    }

    /// A finding about the newcomer fails its point, with what was seen.
    fn apply_findings(&self, mac_id: MacId, points: &mut Vec<AcceptancePoint>) {
        let about = |finding: &&FindingSummary| {
            finding.mac_id == Some(mac_id) && finding.severity > Severity::Note
        };
        for finding in self.now.findings.iter().filter(about) {
            let Some(point) = Point::of(finding.code) else { continue };
            if point == Point::Answers && self.passes_for_answers(finding) {
                continue;
            }
            let index = points.iter().position(|known| known.point == point);
            let index = index.unwrap_or_else(|| {
                points.push(AcceptancePoint::pass(point, "", "no finding about it"));
                points.len() - 1
            });
            let known = &mut points[index];
            if known.result == AcceptanceResult::Fail {
                known.measured = format!("{}; {}", known.measured, finding.text);
            } else {
                known.measured.clone_from(&finding.text);
            }
            known.result = AcceptanceResult::Fail;
        }
    }

    /// Whether so few misses pass.
    fn passes_for_answers(&self, finding: &FindingSummary) -> bool {
        matches!(
            finding.evidence,
            Some(Evidence::MissedPolls { share, .. }) if share <= self.tolerance.missed_share
        )
    }

    fn on_line(&self, mac_id: MacId, node: Option<&NodeSummary>) -> AcceptancePoint {
        const LIMIT: &str = "sends, and did not at the baseline";
        let was_there = self.then.node(mac_id).is_some_and(|then| then.frames_sent > 0);
        match node {
            Some(_) if was_there => {
                AcceptancePoint::fail(Point::OnLine, "it was there at the baseline", LIMIT)
            }
            Some(node) => {
                let since =
                    node.first_seen_s.map_or(String::new(), |t| format!(" since {}", at(t)));
                let frames = number(node.frames_sent, "frame");
                AcceptancePoint::pass(Point::OnLine, format!("{frames}{since}"), LIMIT)
            }
            None => {
                let elsewhere = self.elsewhere();
                let elsewhere = elsewhere.map_or(String::new(), |place| format!("; {place}"));
                let measured = format!("nothing of it was heard{elsewhere}");
                AcceptancePoint::fail(Point::OnLine, measured, LIMIT)
            }
        }
    }

    /// Where the newcomer may be instead, if it has another address than it should.
    fn elsewhere(&self) -> Option<String> {
        let refused = self
            .now
            .address_clashes
            .iter()
            .rfind(|clash| clash.outcome == ClashOutcome::Refused)
            .map(|clash| clash.mac_id);
        if let Some(mac_id) = refused {
            return Some(format!(
                "a device was refused at address {mac_id}: is that it, with {mac_id} set?"
            ));
        }
        let stranger = self.newcomers.iter().find(|other| !self.expected.contains(other))?;
        Some(format!("{stranger} is new and was not expected: is that it, with {stranger} set?"))
    }

    /// The clash of a newcomer that was refused before it sent anything else.
    fn clash(&self, mac_id: MacId) -> Option<AcceptancePoint> {
        let finding = self
            .now
            .findings
            .iter()
            .find(|found| found.code == Code::AddressClash && found.mac_id == Some(mac_id))?;
        Some(AcceptancePoint::fail(Point::Address, &finding.text, ALONE))
    }

    fn address(&self, node: &NodeSummary) -> AcceptancePoint {
        // A clash is a finding, which fails the point.
        let checks = node.address_check_requests;
        let measured = match checks {
            0 => "no address check in this visit, and no clash".to_string(),
            _ => format!("{}, none refused", number(checks, "address check request")),
        };
        AcceptancePoint::pass(Point::Address, measured, ALONE)
    }

    fn device(&self, node: &NodeSummary) -> AcceptancePoint {
        let is_planned = self.now.source.plan.is_some();
        let sheet = node.data_sheet_check.as_ref().filter(|check| {
            matches!(check.verdict, DataSheetVerdict::Right | DataSheetVerdict::RevisionUnknown)
        });
        let limit = match (is_planned, sheet.and_then(|sheet| sheet.file.as_deref())) {
            (true, Some(file)) => format!("as the plan and {file}"),
            (true, None) => "as the plan".to_string(),
            (false, Some(file)) => format!("as {file}"),
            (false, None) => "as a plan or a data sheet file; none was given".to_string(),
        };
        let is_known = node.identity.is_some() && (is_planned || sheet.is_some());
        let identity = node.identity.as_ref().map(identity_text);
        AcceptancePoint {
            point: Point::Device,
            result: if is_known { AcceptanceResult::Pass } else { AcceptanceResult::NotSeen },
            required: false,
            measured: identity.unwrap_or_else(|| "the wire does not tell who it is".to_string()),
            limit,
        }
    }

    fn allocation(&self, node: &NodeSummary) -> AcceptancePoint {
        const LIMIT: &str = "allocated by a master, and not again and again";
        let by = node.owner.map_or(String::new(), |owner| match owner.origin {
            Origin::Learnt => format!(" by the master at {}", owner.value),
            _ => format!(" by the master at {}, it seems", owner.value),
        });
        if node.allocations > 0 {
            let measured = format!("allocated {}{by}", times(node.allocations));
            AcceptancePoint::pass(Point::Allocation, measured, LIMIT)
        } else if main_exchange(node).is_some_and(|(_, exchange)| exchange.responses > 0) {
            let measured = format!("allocated before this visit{by}: it answers its master");
            AcceptancePoint::pass(Point::Allocation, measured, LIMIT)
        } else {
            AcceptancePoint::not_seen(Point::Allocation, "no allocation in this visit", LIMIT)
        }
    }

    fn answers(
        &self,
        node: &NodeSummary,
        exchange: Option<(ExchangeKind, &ExchangeCounts)>,
    ) -> AcceptancePoint {
        let allowed = self.tolerance.missed_share;
        let limit = format!("at most {} missed", percent(allowed, 2));
        let Some((kind, exchange)) = exchange else {
            return AcceptancePoint::not_seen(Point::Answers, "nothing to answer", limit);
        };
        let of_polls = |finding: &FindingSummary| match finding.evidence {
            Some(Evidence::MissedPolls { missed, .. }) => Some(missed),
            _ => None,
        };
        // Polls while it was gone are a matter of its presence.
        let missed = match kind {
            ExchangeKind::Poll => {
                findings_of(self.now, node.mac_id).find_map(of_polls).unwrap_or(0)
            }
            _ => exchange.missed,
        };
        let enough = match kind {
            ExchangeKind::ChangeOfState => ENOUGH_CHANGES,
            _ => ENOUGH_EXCHANGES,
        };
        let closed = exchange.responses + missed;
        let measured = format!("{} of {} missed", grouped(missed), grouped(closed));
        if closed > 0 && missed as f64 / closed as f64 > allowed {
            AcceptancePoint::fail(Point::Answers, measured, limit)
        } else if closed < enough {
            let limit = format!("{limit}, of at least {enough}");
            AcceptancePoint::not_seen(Point::Answers, measured, limit)
        } else {
            AcceptancePoint::pass(Point::Answers, measured, limit)
        }
    }

    fn errors(&self) -> AcceptancePoint {
        const LIMIT: &str = "no errors come with it";
        let errors = self.now.errors.frames;
        if self.now.source.reports_errors == Some(false) {
            let measured = "the adapter was set not to report errors";
            return AcceptancePoint::not_seen(Point::Errors, measured, LIMIT);
        }
        let measured = match errors {
            0 => "no error frame on the trunk".to_string(),
            _ => format!("{} on the trunk, none tied to it", number(errors, "error frame")),
        };
        AcceptancePoint::pass(Point::Errors, measured, LIMIT)
    }

    fn others(&self, mac_id: MacId) -> AcceptancePoint {
        const LIMIT: &str = "everybody else as at the baseline";
        const NAMED: usize = 3;
        let is_newcomer = |mac_id: MacId| self.newcomers.contains(&mac_id);
        let is_other = |line: &&ComparisonLine| {
            line.mac_id.is_none_or(|other| other != mac_id && !is_newcomer(other))
        };
        let others: Vec<ComparisonLine> = self.lines.iter().filter(is_other).cloned().collect();
        let nodes: BTreeSet<MacId> = others.iter().filter_map(|line| line.mac_id).collect();
        let worse: BTreeSet<Option<MacId>> = others
            .iter()
            .filter(|line| line.judgement == Judgement::Worse)
            .map(|line| line.mac_id)
            .collect();
        let count = number(nodes.len() as u64, "other node");
        let counts = JudgementCounts::new(&others);
        if counts.worse > 0 {
            let word = |other: &Option<MacId>| or_else_trunk(*other);
            let mut named: Vec<String> = worse.iter().take(NAMED).map(word).collect();
            if worse.len() > NAMED {
                named.push(format!("{} more", worse.len() - NAMED));
            }
            let measured = format!("worse than at the baseline: {}", named.join(", "));
            AcceptancePoint::fail(Point::Others, measured, LIMIT)
        } else if 2 * counts.cannot_say >= others.len() {
            let measured = format!("{count}, too little heard to compare them");
            AcceptancePoint::not_seen(Point::Others, measured, LIMIT)
        } else {
            // Of so many lines one or another is always near its limit by chance.
            AcceptancePoint::pass(Point::Others, format!("{count}, nothing worse"), LIMIT)
        }
    }
}

const ALONE: &str = "nobody else has or wants its address";

fn or_else_trunk(mac_id: Option<MacId>) -> String {
    mac_id.map_or("the trunk".to_string(), |mac_id| mac_id.to_string())
}

fn findings_of(summary: &Summary, mac_id: MacId) -> impl Iterator<Item = &FindingSummary> {
    summary.findings.iter().filter(move |finding| finding.mac_id == Some(mac_id))
}

/// The exchange by which a node does its work.
fn main_exchange(node: &NodeSummary) -> Option<(ExchangeKind, &ExchangeCounts)> {
    [ExchangeKind::Poll, ExchangeKind::Strobe, ExchangeKind::ChangeOfState]
        .into_iter()
        .find_map(|kind| Some((kind, used(node, kind)?)))
}

fn scan(exchange: Option<(ExchangeKind, &ExchangeCounts)>) -> AcceptancePoint {
    const LIMIT: &str = "asked for its data, as often as planned";
    let Some((kind, exchange)) = exchange else {
        return AcceptancePoint::not_seen(Point::Scan, "nobody asked for its data", LIMIT);
    };
    let what = number(
        exchange.commands,
        match kind {
            ExchangeKind::Poll => "poll",
            ExchangeKind::Strobe => "strobe",
            ExchangeKind::ChangeOfState => "change of state or cyclic message",
        },
    );
    let every = exchange.interval_us.p50;
    let every = every.map_or(String::new(), |us| format!(", every {:.1} ms", us / 1e3));
    AcceptancePoint::pass(Point::Scan, format!("{what}{every}"), LIMIT)
}

/// None for what the node sends of itself: its master's acknowledge is not its answer.
fn answer_time(exchange: Option<(ExchangeKind, &ExchangeCounts)>) -> Option<AcceptancePoint> {
    let (_, exchange) = exchange.filter(|(kind, _)| *kind != ExchangeKind::ChangeOfState)?;
    let latency = &exchange.latency_us;
    // What is later than this is about to be missed.
    let half_scan = exchange.interval_us.p50.map(|interval| interval / 2.0);
    let limit = half_scan.map_or("half of its interval".to_string(), |half| {
        format!("99 % within half of its interval, {:.1} ms", half / 1e3)
    });
    let (Some(median), Some(tail), Some(half)) = (latency.p50, latency.p99, half_scan) else {
        return Some(AcceptancePoint::not_seen(Point::AnswerTime, "no answer yet", limit));
    };
    let (median_ms, tail_ms) = (median / 1e3, tail / 1e3);
    let measured = format!("median {median_ms:.2} ms, 99 % within {tail_ms:.2} ms");
    Some(if latency.count < ENOUGH_EXCHANGES {
        let limit = format!("{limit}, of at least {ENOUGH_EXCHANGES}");
        AcceptancePoint::not_seen(Point::AnswerTime, measured, limit)
    } else if tail > half {
        AcceptancePoint::fail(Point::AnswerTime, measured, limit)
    } else {
        AcceptancePoint::pass(Point::AnswerTime, measured, limit)
    })
}

/// Sizes are known of polls alone. That they are wrong is a finding, which fails the point.
fn io_sizes(node: &NodeSummary) -> Option<AcceptancePoint> {
    used(node, ExchangeKind::Poll)?;
    let poll = &node.poll;
    let (command, response) = (sizes(&poll.command_bytes), sizes(&poll.response_bytes));
    let measured = format!("{command} bytes to it, {response} from it");
    let sheet = node.data_sheet_check.as_ref();
    let in_sheet = sheet.is_some_and(|check| {
        check.verdict >= DataSheetVerdict::WrongMinor && check.not_offered.is_empty()
    });
    let origin = |origin| {
        let is_so = |known: Option<Known<u16>>| known.is_some_and(|known| known.origin == origin);
        node.connections.iter().any(|c| is_so(c.produced_bytes) || is_so(c.consumed_bytes))
    };
    let limit = if in_sheet {
        "as its data sheet file"
    } else if origin(Origin::Learnt) {
        "as the connection has them"
    } else if origin(Origin::Planned) {
        "as the plan"
    } else {
        "one size each way"
    };
    Some(if poll.response_bytes.is_empty() {
        AcceptancePoint::not_seen(Point::IoSizes, measured, limit)
    } else {
        AcceptancePoint::pass(Point::IoSizes, measured, limit)
    })
}

fn presence(node: &NodeSummary) -> AcceptancePoint {
    let measured = match (node.first_seen_s, node.last_seen_s) {
        (Some(first), Some(last)) => format!("there for {:.0} s without a break", last - first),
        _ => "there".to_string(),
    };
    AcceptancePoint::pass(Point::Presence, measured, "does not leave, restart or time out")
}

/// None for what is no drive. Whether it runs is nobody's duty here: it need not be seen.
fn drive_run(node: &NodeSummary) -> Option<AcceptancePoint> {
    let drive = node.drive.as_ref()?;
    let elsewhere = drive.status.is_some_and(|s| s.control_from_network == Some(false));
    let control = match drive.status.and_then(|status| status.control_from_network) {
        Some(true) => "; it takes run and stop from the network",
        Some(false) => "; it does not take run and stop from the network",
        None => "",
    };
    let (result, measured) = match (drive.run_asked, drive.ran) {
        // Its own terminals ran it, or its status is not of the assembly that it is read as.
        (true, true) if elsewhere => {
            let why = "is it set to the same assemblies as its master, and to the network?";
            (AcceptanceResult::Fail, format!("ran{control}: {why}"))
        }
        (true, true) => (AcceptanceResult::Pass, format!("runs when it is asked to{control}")),
        (true, false) => (AcceptanceResult::NotSeen, format!("asked to run just now{control}")),
        (false, _) => (AcceptanceResult::NotSeen, format!("was not asked to run{control}")),
    };
    Some(AcceptancePoint {
        point: Point::DriveRun,
        result,
        required: false,
        measured,
        limit: "follows its run command".to_string(),
    })
}
