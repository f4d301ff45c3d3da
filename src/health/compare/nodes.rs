//! Each node, then and now: is it there, who is it, and how do its exchanges go?

use std::collections::BTreeMap;

use super::line::{ExchangeKind, Judgement, Line, Value, What};
use super::rates::{Rates, Share};
use super::{Tolerance, drive, identity, shift};
use crate::fieldbus::MacId;
use crate::health::Summary;
use crate::health::TwoRates;
use crate::health::summary::{ExchangeCounts, Node, Spans};

pub(super) fn lines(
    then: &Summary,
    now: &Summary,
    tolerance: &Tolerance,
    rates: &mut Rates,
) -> Vec<Line> {
    let seconds = [then, now].map(|summary| summary.source.duration_s);
    let mut nodes: BTreeMap<MacId, [Option<&Node>; 2]> = BTreeMap::new();
    for (side, summary) in [then, now].into_iter().enumerate() {
        for node in &summary.nodes {
            nodes.entry(node.mac_id).or_default()[side] = Some(node);
        }
    }
    let mut lines = Vec::new();
    for (mac_id, pair) in nodes {
        let mut about = Pair { mac_id, nodes: pair, seconds, tolerance, rates, lines: &mut lines };
        about.node();
    }
    lines
}

/// One address, and where its lines go.
struct Pair<'a> {
    mac_id: MacId,
    nodes: [Option<&'a Node>; 2],
    seconds: [f64; 2],
    tolerance: &'a Tolerance,
    rates: &'a mut Rates,
    lines: &'a mut Vec<Line>,
}

impl Pair<'_> {
    fn node(&mut self) {
        let talk = self.nodes.map(|node| node.map_or(0, talk));
        if let Some(line) = self.presence(talk) {
            let both = talk.iter().all(|&frames| frames > 0);
            self.push(line);
            if !both {
                return;
            }
        }
        let [Some(then), Some(now)] = self.nodes else { return };
        if let Some(line) = identity::line(then.identity.as_ref(), now.identity.as_ref()) {
            self.push(line);
        }
        for kind in [ExchangeKind::Poll, ExchangeKind::Strobe, ExchangeKind::ChangeOfState] {
            match (used(then, kind), used(now, kind)) {
                (None, None) => {}
                (Some(then), Some(now)) => self.exchange(kind, then, now),
                (then, now) => self.begun_or_ended(kind, then, now),
            }
        }
        drive::lines(then, now).into_iter().for_each(|line| self.push(line));
    }

    fn push(&mut self, mut line: Line) {
        line.mac_id = Some(self.mac_id);
        self.lines.push(line);
    }

    /// Whether what was seen so often in the one can be missing from the other by chance.
    fn may_be_chance(&self, counts: [u64; 2]) -> bool {
        let [then, now] = [0, 1].map(|side| (counts[side], self.seconds[side]));
        TwoRates::new(now, then).is_none_or(|rates| rates.p_value() >= self.tolerance.significance)
    }

    /// Frames of its own in a second, but for address checks, which only come at its start.
    fn presence(&self, talk: [u64; 2]) -> Option<Line> {
        let rate = |side: usize| {
            let seconds = self.seconds[side];
            (talk[side] > 0 && seconds > 0.0).then(|| Value::Number(talk[side] as f64 / seconds))
        };
        let line = Line::new(What::FramesPerS, rate(0), rate(1));
        Some(match talk {
            [0, 0] => return None,
            [_, 0] if self.may_be_chance(talk) => {
                let why = "gone, or it speaks too seldom for so short a capture";
                line.judged(Judgement::CannotSay, why)
            }
            [_, 0] => line.judged(Judgement::Worse, "gone: not heard any more"),
            [0, _] if self.nodes[0].is_some_and(|then| then.poll.exchange.commands > 0) => {
                line.judged(Judgement::Better, "it is heard now")
            }
            [0, _] => line.judged(Judgement::CannotSay, "new: the baseline does not know it"),
            _ => line,
        })
    }

    fn begun_or_ended(
        &mut self,
        kind: ExchangeKind,
        then: Option<&ExchangeCounts>,
        now: Option<&ExchangeCounts>,
    ) {
        let counts = [then, now].map(|exchange| exchange.map_or(0, |exchange| exchange.commands));
        let rate = |side: usize| {
            let seconds = self.seconds[side];
            (counts[side] > 0 && seconds > 0.0)
                .then(|| Value::Number(counts[side] as f64 / seconds))
        };
        let mut line = Line::new(What::CommandsPerS, rate(0), rate(1));
        line.exchange = Some(kind);
        line = match now {
            None if self.may_be_chance(counts) => {
                line.judged(Judgement::CannotSay, "none in so short a capture")
            }
            None => line.judged(Judgement::Worse, "there are none any more"),
            Some(_) => line.judged(Judgement::CannotSay, "new: the baseline has none"),
        };
        self.push(line);
    }

    fn exchange(&mut self, kind: ExchangeKind, then: &ExchangeCounts, now: &ExchangeCounts) {
        let (mac_id, tolerance) = (self.mac_id, self.tolerance);
        let place = move |mut line: Line| {
            line.mac_id = Some(mac_id);
            line.exchange = Some(kind);
            line
        };
        if let (ExchangeKind::Poll, [Some(a), Some(b)]) = (kind, self.nodes) {
            let (a, b) = (&a.poll, &b.poll);
            let guessed = a.fragmented_inferred || b.fragmented_inferred;
            let sizes = [
                bytes(What::CommandBytes, &a.command_bytes, &b.command_bytes, guessed),
                bytes(What::ResponseBytes, &a.response_bytes, &b.response_bytes, guessed),
            ];
            self.lines.extend(sizes.into_iter().flatten().map(place));
        }
        if kind != ExchangeKind::ChangeOfState {
            let (share, least) = (tolerance.interval_share, tolerance.interval_us);
            let (a, b) = (&then.interval_us, &now.interval_us);
            self.lines.extend(spans(What::IntervalP50Us, 0.5, a, b, share, least).map(place));
            self.lines.extend(self.pause(then, now).map(place));
        }
        for (what, of, allowed) in [
            (What::MissedShare, missed as fn(&ExchangeCounts) -> Share, tolerance.missed_share),
            (What::UnsolicitedShare, unsolicited, tolerance.unsolicited_share),
        ] {
            if (of(then).of, of(now).of) != (0, 0) {
                let line = self.rates.line(what, of(then), of(now), allowed, place);
                self.lines.push(line);
            }
        }
        let (share, least) = (tolerance.latency_share, tolerance.latency_us);
        let (a, b) = (&then.latency_us, &now.latency_us);
        self.lines.extend(spans(What::LatencyP50Us, 0.5, a, b, share, least).map(place));
        // The tail as far out as both captures are long enough to tell.
        let tails = [(What::LatencyP99Us, 0.99), (What::LatencyP90Us, 0.9)];
        let told = |spans: &Spans, q| shift::percentile(spans, q).is_some_and(|m| m.is_bounded());
        if let Some((what, q)) = tails.into_iter().find(|&(_, q)| told(a, q) && told(b, q)) {
            self.lines.extend(spans(what, q, a, b, share, least).map(place));
        }
    }

    /// The longest time without a command, or from the node's last frame to the end.
    fn pause(&self, then: &ExchangeCounts, now: &ExchangeCounts) -> Option<Line> {
        let pause = |side: usize, exchange: &ExchangeCounts| {
            let last = self.nodes[side]?.last_seen_s?;
            let to_end = (self.seconds[side] - last).max(0.0) * 1e6;
            Some(exchange.interval_us.max?.max(to_end))
        };
        let (before, after) = (pause(0, then)?, pause(1, now)?);
        let limit = |longest: f64, exchange: &ExchangeCounts| {
            let interval = exchange.interval_us.p50.unwrap_or(0.0);
            (2.0 * longest).max(self.tolerance.pause_intervals * interval)
        };
        let line = Line::numbers(What::PauseUs, before, after);
        Some(if after > limit(before, then) {
            line.judged(Judgement::Worse, "polling paused, as it did not at the baseline")
        } else if before > limit(after, now) && self.seconds[1] >= self.seconds[0] {
            line.judged(Judgement::Better, "")
        } else {
            line
        })
    }
}

/// Frames of its own, but for address checks.
fn talk(node: &Node) -> u64 {
    let checks = node.address_check_requests + node.address_check_responses;
    node.frames_sent.saturating_sub(checks)
}

fn used(node: &Node, kind: ExchangeKind) -> Option<&ExchangeCounts> {
    let exchange = match kind {
        ExchangeKind::Poll => Some(&node.poll.exchange),
        ExchangeKind::Strobe => node.strobe.as_ref(),
        ExchangeKind::ChangeOfState => node.change_of_state.as_ref(),
    };
    exchange.filter(|exchange| exchange.commands > 0)
}

fn missed(exchange: &ExchangeCounts) -> Share {
    Share { events: exchange.missed, of: exchange.missed + exchange.responses }
}

fn unsolicited(exchange: &ExchangeCounts) -> Share {
    Share { events: exchange.unsolicited, of: exchange.commands }
}

/// `guessed`: fragments were put together by inference, which now and then takes whole
/// messages for fragments or the other way round; one size in common is enough then.
fn bytes(what: What, then: &[u16], now: &[u16], guessed: bool) -> Option<Line> {
    if then.is_empty() || now.is_empty() {
        return None;
    }
    let value = |sizes: &[u16]| Some(Value::Bytes(sizes.to_vec()));
    let line = Line::new(what, value(then), value(now));
    let known = |size: &u16| then.contains(size);
    Some(if now.iter().all(known) || guessed && now.iter().any(known) {
        line
    } else {
        line.judged(Judgement::Worse, "a size that the baseline does not have")
    })
}

/// A percentile, of which up to the greater of a share and a span passes.
fn spans(what: What, q: f64, then: &Spans, now: &Spans, share: f64, least_us: f64) -> Option<Line> {
    let (then, now) = (shift::percentile(then, q)?, shift::percentile(now, q)?);
    let mut line = Line::numbers(what, then.value, now.value);
    let allowed = least_us.max(share * then.value);
    line.allowed = Some(allowed);
    if then == now {
        return Some(line);
    }
    let (low, high) = shift::difference(then, now);
    let judgement = shift::judge(now.value - then.value, (low, high), allowed);
    (line.difference_low, line.difference_high) = (low, high);
    let why = match judgement {
        Judgement::CannotSay => "too short a capture to tell from chance",
        _ => "",
    };
    Some(line.judged(judgement, why))
}
