//! Each node, then and now: is it there, which device is it, how do its exchanges go, and how is
//! it driven?

use std::collections::BTreeMap;

use super::comparison_line::{ComparedValue, ComparisonLine, ExchangeKind, Judgement, Quantity};
use super::statistics::{EventShare, SharesToJudge, difference, judge_shift, percentile};
use super::tolerance::Tolerance;
use crate::fieldbus::MacId;
use crate::health::summary::{
    DeviceIdentity, DriveSummary, ExchangeCounts, NodeSummary, SpanStatistics,
};
use crate::health::{Summary, TwoRates};
use crate::trunk::{Known, Origin};

pub(super) fn compare(
    then: &Summary,
    now: &Summary,
    tolerance: &Tolerance,
    lines: &mut Vec<ComparisonLine>,
    shares: &mut SharesToJudge,
) {
    let seconds = [then, now].map(|summary| summary.source.duration_s);
    let others_are_polled = now.nodes.iter().any(|node| node.poll.exchange.commands > 0);
    let mut nodes: BTreeMap<MacId, [Option<&NodeSummary>; 2]> = BTreeMap::new();
    for (side, summary) in [then, now].into_iter().enumerate() {
        for node in &summary.nodes {
            nodes.entry(node.mac_id).or_default()[side] = Some(node);
        }
    }
    for (mac_id, nodes) in nodes {
        let pair = NodePair { mac_id, nodes, seconds, others_are_polled, tolerance, lines, shares };
        pair.compare();
    }
}

/// One address in both visits, and where its lines go.
struct NodePair<'a> {
    mac_id: MacId,
    nodes: [Option<&'a NodeSummary>; 2],
    seconds: [f64; 2],
    /// Whether anybody is polled now.
    others_are_polled: bool,
    tolerance: &'a Tolerance,
    lines: &'a mut Vec<ComparisonLine>,
    shares: &'a mut SharesToJudge,
}

impl NodePair<'_> {
    fn compare(mut self) {
        let frames = self.nodes.map(|node| node.map_or(0, frames_but_checks));
        if let Some(line) = self.presence(frames) {
            self.push(line);
            if frames.contains(&0) {
                return;
            }
        }
        let [Some(then), Some(now)] = self.nodes else { return };
        if let Some(line) = identity(then.identity.as_ref(), now.identity.as_ref()) {
            self.push(line);
        }
        for kind in [ExchangeKind::Poll, ExchangeKind::Strobe, ExchangeKind::ChangeOfState] {
            match (used(then, kind), used(now, kind)) {
                (None, None) => {}
                (Some(then), Some(now)) => self.exchange(kind, then, now),
                (then, now) => self.begun_or_ended(kind, then, now),
            }
        }
        drive(then, now).into_iter().for_each(|line| self.push(line));
    }

    fn push(&mut self, mut line: ComparisonLine) {
        line.mac_id = Some(self.mac_id);
        self.lines.push(line);
    }

    fn push_exchange(&mut self, kind: ExchangeKind, line: Option<ComparisonLine>) {
        if let Some(mut line) = line {
            line.exchange = Some(kind);
            self.push(line);
        }
    }

    /// Whether what was counted in one visit can be missing from the other by chance.
    fn may_be_chance(&self, counts: [u64; 2]) -> bool {
        let [then, now] = [0, 1].map(|side| (counts[side], self.seconds[side]));
        TwoRates::new(now, then).is_none_or(|rates| rates.p_value() >= self.tolerance.significance)
    }

    /// Counts as rates per second; none where nothing was counted.
    fn rates(&self, quantity: Quantity, counts: [u64; 2]) -> ComparisonLine {
        let [then, now] = [0, 1].map(|side| {
            let (count, seconds) = (counts[side], self.seconds[side]);
            (count > 0 && seconds > 0.0).then(|| ComparedValue::Number(count as f64 / seconds))
        });
        ComparisonLine::new(quantity, then, now)
    }

    /// `frames`: without address checks, which only come when a node starts.
    fn presence(&self, frames: [u64; 2]) -> Option<ComparisonLine> {
        let line = self.rates(Quantity::FramesPerS, frames);
        Some(match frames {
            [0, 0] => return None,
            [_, 0] if self.may_be_chance(frames) => {
                let why = "gone, or it sends too seldom for so short a capture";
                line.judged(Judgement::CannotSay, why)
            }
            [_, 0] if self.is_taken_off() => {
                line.judged(Judgement::Changed, "gone, and nobody polls it any more")
            }
            [_, 0] => line.judged(Judgement::Worse, "gone: it sends nothing any more"),
            [0, _] if self.nodes[0].is_some_and(|then| then.poll.exchange.commands > 0) => {
                line.judged(Judgement::Better, "it sends now")
            }
            [0, _] => line.judged(Judgement::Changed, "new: not in the baseline"),
            _ => line,
        })
    }

    /// Whether it was polled and is not any more, while others are. One that is strobed or sends
    /// by itself may be gone as well, and nothing would tell.
    fn is_taken_off(&self) -> bool {
        let [then, now] = self.nodes.map(|node| node.map_or(0, |node| node.poll.exchange.commands));
        then > 0 && now == 0 && self.others_are_polled
    }

    fn begun_or_ended(
        &mut self,
        kind: ExchangeKind,
        then: Option<&ExchangeCounts>,
        now: Option<&ExchangeCounts>,
    ) {
        let counts = [then, now].map(|exchange| exchange.map_or(0, |exchange| exchange.commands));
        let line = self.rates(Quantity::CommandsPerS, counts);
        let line = match now {
            None if self.may_be_chance(counts) => {
                line.judged(Judgement::CannotSay, "none in so short a capture")
            }
            None => line.judged(Judgement::Worse, "none any more"),
            Some(_) => line.judged(Judgement::Changed, "new: the baseline has none"),
        };
        self.push_exchange(kind, Some(line));
    }

    fn exchange(&mut self, kind: ExchangeKind, then: &ExchangeCounts, now: &ExchangeCounts) {
        let tolerance = self.tolerance;
        if let (ExchangeKind::Poll, [Some(a), Some(b)]) = (kind, self.nodes) {
            let (a, b) = (&a.poll, &b.poll);
            let inferred = a.fragmented_inferred || b.fragmented_inferred;
            let (command, response) = (Quantity::CommandBytes, Quantity::ResponseBytes);
            self.push_exchange(kind, bytes(command, &a.command_bytes, &b.command_bytes, inferred));
            let line = bytes(response, &a.response_bytes, &b.response_bytes, inferred);
            self.push_exchange(kind, line);
        }
        if kind != ExchangeKind::ChangeOfState {
            let allowed = (tolerance.interval_share, tolerance.interval_us);
            let (a, b) = (&then.interval_us, &now.interval_us);
            self.push_exchange(kind, spans(Quantity::IntervalP50Us, 0.5, a, b, allowed));
            self.push_exchange(kind, self.pause(then, now));
        }
        for (quantity, share, allowed) in [
            (Quantity::MissedShare, missed as fn(&_) -> EventShare, tolerance.missed_share),
            (Quantity::UnsolicitedShare, unsolicited, tolerance.unsolicited_share),
        ] {
            let (then, now) = (share(then), share(now));
            if (then.of, now.of) != (0, 0) {
                let mut line = ComparisonLine::new(quantity, None, None);
                (line.mac_id, line.exchange) = (Some(self.mac_id), Some(kind));
                line.allowed = Some(allowed);
                self.shares.push(self.lines, line, then, now);
            }
        }
        let allowed = (tolerance.latency_share, tolerance.latency_us);
        let (a, b) = (&then.latency_us, &now.latency_us);
        self.push_exchange(kind, spans(Quantity::LatencyP50Us, 0.5, a, b, allowed));
        // The tail as far out as both captures are long enough to tell.
        let tails = [(Quantity::LatencyP99Us, 0.99), (Quantity::LatencyP90Us, 0.9)];
        let is_known =
            |spans: &SpanStatistics, q| percentile(spans, q).is_some_and(|p| p.is_bounded());
        if let Some((quantity, q)) =
            tails.into_iter().find(|&(_, q)| is_known(a, q) && is_known(b, q))
        {
            self.push_exchange(kind, spans(quantity, q, a, b, allowed));
        }
    }

    /// The longest time without a command, or from the node's last frame to the end.
    fn pause(&self, then: &ExchangeCounts, now: &ExchangeCounts) -> Option<ComparisonLine> {
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
        let line = ComparisonLine::from_numbers(Quantity::PauseUs, before, after);
        Some(if after > limit(before, then) {
            line.judged(Judgement::Worse, "polling paused, as it did not at the baseline")
        } else if before > limit(after, now) && self.seconds[1] >= self.seconds[0] {
            line.judged(Judgement::Better, "")
        } else {
            line
        })
    }
}

/// Frames that the node sent, without address checks.
pub(super) fn frames_but_checks(node: &NodeSummary) -> u64 {
    let checks = node.address_check_requests + node.address_check_responses;
    node.frames_sent.saturating_sub(checks)
}

pub(super) fn used(node: &NodeSummary, kind: ExchangeKind) -> Option<&ExchangeCounts> {
    let exchange = match kind {
        ExchangeKind::Poll => Some(&node.poll.exchange),
        ExchangeKind::Strobe => node.strobe.as_ref(),
        ExchangeKind::ChangeOfState => node.change_of_state.as_ref(),
    };
    exchange.filter(|exchange| exchange.commands > 0)
}

fn missed(exchange: &ExchangeCounts) -> EventShare {
    EventShare { events: exchange.missed, of: exchange.missed + exchange.responses }
}

fn unsolicited(exchange: &ExchangeCounts) -> EventShare {
    EventShare { events: exchange.unsolicited, of: exchange.commands }
}

/// `inferred`: that the I/O is fragmented is inferred, which now and then takes whole messages
/// for fragments or the other way round. Then one common size is enough.
fn bytes(quantity: Quantity, then: &[u16], now: &[u16], inferred: bool) -> Option<ComparisonLine> {
    if then.is_empty() || now.is_empty() {
        return None;
    }
    let value = |sizes: &[u16]| Some(ComparedValue::Bytes(sizes.to_vec()));
    let line = ComparisonLine::new(quantity, value(then), value(now));
    let known = |size: &u16| then.contains(size);
    Some(if now.iter().all(known) || inferred && now.iter().any(known) {
        line
    } else if let ([_], [_]) = (then, now) {
        line.judged(Judgement::Changed, "another size: is it set so at both ends?")
    } else {
        line.judged(Judgement::Worse, "a size that the baseline does not have")
    })
}

/// A percentile, which may shift by the greater of a share of the baseline and a span in µs.
fn spans(
    quantity: Quantity,
    q: f64,
    then: &SpanStatistics,
    now: &SpanStatistics,
    (share, least_us): (f64, f64),
) -> Option<ComparisonLine> {
    let (then, now) = (percentile(then, q)?, percentile(now, q)?);
    let mut line = ComparisonLine::from_numbers(quantity, then.value, now.value);
    let allowed = least_us.max(share * then.value);
    line.allowed = Some(allowed);
    if then == now {
        return Some(line);
    }
    let (low, high) = difference(then, now);
    let judgement = judge_shift(now.value - then.value, (low, high), allowed);
    (line.difference_low, line.difference_high) = (low, high);
    let why = match judgement {
        Judgement::CannotSay => "too short a capture to tell from chance",
        _ => "",
    };
    Some(line.judged(judgement, why))
}

/// Which device has the address; `None` if nothing is known of one of them.
fn identity(then: Option<&DeviceIdentity>, now: Option<&DeviceIdentity>) -> Option<ComparisonLine> {
    let (then, now) = (then?, now?);
    let value = |identity| Some(ComparedValue::Text(identity_text(identity)));
    let (judgement, why) = judge_identity(then, now);
    Some(ComparisonLine::new(Quantity::Identity, value(then), value(now)).judged(judgement, why))
}

fn judge_identity(then: &DeviceIdentity, now: &DeviceIdentity) -> (Judgement, &'static str) {
    let kind = [
        then.vendor_id.zip(now.vendor_id).map(|(a, b)| a == b),
        then.device_type.zip(now.device_type).map(|(a, b)| a == b),
        then.product_code.zip(now.product_code).map(|(a, b)| a == b),
    ];
    let revision = [
        then.major_revision.zip(now.major_revision).map(|(a, b)| a == b),
        then.minor_revision.zip(now.minor_revision).map(|(a, b)| a == b),
    ];
    if kind.contains(&Some(false)) {
        return (Judgement::Worse, "another kind of device has this address");
    }
    if revision.contains(&Some(false)) {
        let why = "another revision: do its data sheet file and its settings still fit?";
        return (Judgement::Worse, why);
    }
    if then.serial.zip(now.serial).is_none_or(|(a, b)| a == b) {
        return (Judgement::Same, "");
    }
    if kind.iter().chain(&revision).all(|same| *same == Some(true)) {
        return (Judgement::Same, "replaced by one of the same kind and revision");
    }
    (Judgement::CannotSay, "another device; the wire does not tell whether it is of the same kind")
}

pub(super) fn identity_text(identity: &DeviceIdentity) -> String {
    let number = |value: Option<u32>| value.map_or("?".to_string(), |value| value.to_string());
    let mut text = format!(
        "vendor {} serial {}",
        number(identity.vendor_id.map(u32::from)),
        number(identity.serial)
    );
    if let Some(product) = identity.product_code {
        text += &format!(" product {product}");
    }
    if let Some(major) = identity.major_revision {
        let minor = number(identity.minor_revision.map(u32::from));
        text += &format!(" revision {major}.{minor}");
    }
    text
}

/// How an AC drive is driven, as it stood at the end of each visit.
fn drive(then: &NodeSummary, now: &NodeSummary) -> Vec<ComparisonLine> {
    let (Some(then), Some(now)) = (&then.drive, &now.drive) else { return Vec::new() };
    let mut lines: Vec<ComparisonLine> = Vec::new();
    lines.extend(drive_assemblies(then, now));
    let status = |drive: &DriveSummary| drive.status;
    let (Some(then), Some(now)) = (status(then), status(now)) else { return lines };
    let yes = |value: Option<bool>| {
        value.map(|yes| ComparedValue::Text(if yes { "yes" } else { "no" }.to_string()))
    };
    for (quantity, then, now, good, why) in [
        (
            Quantity::DriveFaulted,
            Some(then.faulted),
            Some(now.faulted),
            false,
            "the drive reports a fault at the end",
        ),
        (
            Quantity::DriveControlFromNetwork,
            then.control_from_network,
            now.control_from_network,
            true,
            "at the end it does not take run and stop from the network",
        ),
        (
            Quantity::DriveReferenceFromNetwork,
            then.reference_from_network,
            now.reference_from_network,
            true,
            "at the end it does not take its speed from the network",
        ),
    ] {
        let line = ComparisonLine::new(quantity, yes(then), yes(now));
        match (then, now) {
            (Some(then), Some(now)) if then == now => lines.push(line),
            (Some(_), Some(now)) if now == good => lines.push(line.judged(Judgement::Better, "")),
            (Some(_), Some(_)) => lines.push(line.judged(Judgement::Worse, why)),
            _ => {}
        }
    }
    lines
}

/// `None` unless both are known.
fn drive_assemblies(then: &DriveSummary, now: &DriveSummary) -> Option<ComparisonLine> {
    let pair = |drive: &DriveSummary| Some([drive.output_assembly?, drive.input_assembly?]);
    let (then, now) = (pair(then)?, pair(now)?);
    let words = |[output, input]: [Known<u16>; 2]| {
        Some(ComparedValue::Text(format!("{} / {}", output.value, input.value)))
    };
    let line = ComparisonLine::new(Quantity::DriveAssemblies, words(then), words(now));
    let inferred = then.iter().chain(&now).any(|known| known.origin == Origin::Inferred);
    Some(if then.map(|known| known.value) == now.map(|known| known.value) {
        line
    } else if inferred {
        let why = "the data look like other assemblies: do both ends still use the same pair?";
        line.judged(Judgement::Changed, why)
    } else {
        line.judged(Judgement::Changed, "other assemblies: do both ends still use the same pair?")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn device(serial: u32, product: Option<u16>, minor: Option<u8>) -> DeviceIdentity {
        DeviceIdentity {
            vendor_id: Some(900),
            serial: Some(serial),
            device_type: product.map(|_| 2),
            product_code: product,
            major_revision: minor.map(|_| 2),
            minor_revision: minor,
            product_name: None,
        }
    }

    #[test]
    fn the_same_of_its_kind_or_another() {
        let judged = |then: &DeviceIdentity, now: &DeviceIdentity| judge_identity(then, now).0;
        let known = device(1, Some(17), Some(3));
        assert_eq!(judged(&known, &known), Judgement::Same);
        // less is known, nothing differs
        assert_eq!(judged(&known, &device(1, None, None)), Judgement::Same);
        assert_eq!(judged(&known, &device(2, Some(17), Some(3))), Judgement::Same);
        assert_eq!(judged(&known, &device(2, None, None)), Judgement::CannotSay);
        assert_eq!(judged(&known, &device(1, Some(17), Some(4))), Judgement::Worse);
        assert_eq!(judged(&known, &device(2, Some(18), Some(3))), Judgement::Worse);
    }

    #[test]
    fn says_what_is_known() {
        assert_eq!(
            identity_text(&device(1, Some(17), Some(3))),
            "vendor 900 serial 1 product 17 revision 2.3"
        );
        assert_eq!(identity_text(&device(1, None, None)), "vendor 900 serial 1");
        assert!(identity(None, Some(&device(1, None, None))).is_none());
    }
}
