//! The parts of the summary about single nodes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::fieldbus::{DeviceId, MacId};
use crate::trunk::{Clash, ClashOutcome, Distribution, Exchange, Node as TrunkNode, Presence};

/// One node.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Node {
    /// The address, 0 to 63.
    pub mac_id: MacId,
    /// Frames whose identifier names the node as their sender.
    pub frames_sent: u64,
    /// When it first sent one.
    pub first_seen_s: Option<f64>,
    /// When it last sent one.
    pub last_seen_s: Option<f64>,
    /// Who the node is, as far as the wire told.
    pub identity: Option<Identity>,
    /// The master's polls and the node's responses.
    pub poll: Poll,
    /// Bit-strobes from the node's first response on; `null` if it never responded to one.
    pub strobe: Option<ExchangeCounts>,
    /// The node's change of state or cyclic data as commands, the master's acknowledges as
    /// responses; `null` if it sent none. With acknowledges suppressed, all count as missed.
    pub change_of_state: Option<ExchangeCounts>,
    /// Address check requests seen for this address.
    pub address_check_requests: u64,
    /// Address check responses seen for this address.
    pub address_check_responses: u64,
    /// Address check messages that could not be read.
    #[serde(default)]
    pub address_checks_malformed: u64,
    /// Times that it ran its address check again after it had been on line.
    pub restarts: u64,
    /// Times that another device took the address after the one before had gone.
    #[serde(default)]
    pub replacements: u64,
    /// Times that it fell silent for four polls or strobes or more.
    #[serde(default)]
    pub absences: u64,
    /// The latest absences.
    #[serde(default)]
    pub absence_spans: Vec<AbsenceSpan>,
    /// What masters and the node said to each other.
    #[serde(flatten)]
    pub said: super::Said,
    /// How it agrees with the data sheet files; `null` if none were given.
    pub data_sheet: Option<super::DataSheetFacts>,
}

/// Who a node is; each part `null` until the wire tells it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[allow(missing_docs, reason = "the names are those of the identity object")]
pub struct Identity {
    pub vendor_id: Option<u16>,
    pub serial: Option<u32>,
    pub device_type: Option<u16>,
    pub product_code: Option<u16>,
    pub major_revision: Option<u8>,
    pub minor_revision: Option<u8>,
    pub product_name: Option<String>,
}

impl From<DeviceId> for Identity {
    fn from(device: DeviceId) -> Identity {
        Identity {
            vendor_id: Some(device.vendor_id),
            serial: Some(device.serial),
            device_type: None,
            product_code: None,
            major_revision: None,
            minor_revision: None,
            product_name: None,
        }
    }
}

/// Exchanges of one kind: commands = responses + missed + uncertain + the one still open.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ExchangeCounts {
    /// Commands seen.
    pub commands: u64,
    /// Responses that closed an exchange.
    pub responses: u64,
    /// Exchanges that the next command found still open.
    pub missed: u64,
    /// Responses with no exchange open.
    pub unsolicited: u64,
    /// Exchanges that were open when frames were lost or the link went down.
    pub uncertain: u64,
    /// End of the command to end of the response.
    pub latency_us: Spans,
    /// Between successive commands, where nothing was lost between them and the adapter heard all
    /// the time.
    pub interval_us: Spans,
}

/// The poll exchanges of a node.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Poll {
    /// Counts and times.
    #[serde(flatten)]
    pub exchange: ExchangeCounts,
    /// Each size of the command that was seen, in bytes; fragments are put together.
    pub command_bytes: Vec<u16>,
    /// Each size of the response that was seen, in bytes; fragments are put together.
    pub response_bytes: Vec<u16>,
    /// Whether the I/O looks fragmented: inferred from the data, not known.
    #[serde(default)]
    pub fragmented_inferred: bool,
}

/// How a span of time is distributed, in microseconds. Percentiles are nearest-rank at three
/// significant digits; the others are exact to the clock, `sd` to three digits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[allow(missing_docs, reason = "the names say it")]
pub struct Spans {
    pub count: u64,
    pub min: Option<f64>,
    pub mean: Option<f64>,
    pub p50: Option<f64>,
    pub p90: Option<f64>,
    pub p99: Option<f64>,
    pub p999: Option<f64>,
    pub max: Option<f64>,
    /// The standard deviation.
    pub sd: Option<f64>,
    /// How many independent spans these are worth, by batch means: neighbours are alike, so
    /// fewer than `count`.
    pub effective_count: Option<f64>,
    /// Within what the true percentile lies, at 99.9 %.
    #[serde(default)]
    pub p50_range: Range,
    #[serde(default)]
    pub p90_range: Range,
    #[serde(default)]
    pub p99_range: Range,
}

/// Within what a percentile lies; an end beyond all that was measured is not known.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[allow(missing_docs, reason = "the names say it")]
pub struct Range {
    pub low: Option<f64>,
    pub high: Option<f64>,
}

/// When a node was gone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AbsenceSpan {
    /// When it was last heard.
    pub from_s: f64,
    /// When it was heard again; `null` if it was not.
    pub to_s: Option<f64>,
}

/// Two devices that wanted one address.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AddressClash {
    /// When the newcomer first asked.
    pub t_s: f64,
    /// The address.
    pub mac_id: MacId,
    /// How it ended.
    pub outcome: ClashOutcome,
    /// Who held or claimed it; `null` if it never told.
    pub holder: Option<DeviceId>,
    /// Who asked.
    pub newcomer: DeviceId,
}

impl Node {
    pub(super) fn of(mac_id: MacId, node: &TrunkNode) -> Node {
        let used =
            |exchange: &Exchange| (!exchange.is_unused()).then(|| ExchangeCounts::of(exchange));
        let presence: &Presence = &node.presence;
        Node {
            mac_id,
            frames_sent: node.sent.count(),
            first_seen_s: node.sent.first().map(|t| t.as_secs()),
            last_seen_s: node.sent.last().map(|t| t.as_secs()),
            identity: node.address.holder().map(Identity::from),
            poll: Poll {
                exchange: ExchangeCounts::of(&node.poll),
                command_bytes: node.command_sizes.sizes(),
                response_bytes: node.response_sizes.sizes(),
                fragmented_inferred: node.command_sizes.is_fragmented()
                    || node.response_sizes.is_fragmented(),
            },
            strobe: used(&node.strobe),
            change_of_state: used(&node.change_of_state),
            address_check_requests: node.address.requests(),
            address_check_responses: node.address.responses(),
            address_checks_malformed: node.malformed_checks.count(),
            restarts: node.address.restarts().count(),
            replacements: node.address.replaced().count(),
            absences: presence.count(),
            absence_spans: presence
                .recent()
                .map(|absence| AbsenceSpan {
                    from_s: absence.from.as_secs(),
                    to_s: absence.to.map(|t| t.as_secs()),
                })
                .collect(),
            said: super::Said::default(),
            data_sheet: None,
        }
    }
}

impl ExchangeCounts {
    fn of(exchange: &Exchange) -> ExchangeCounts {
        ExchangeCounts {
            commands: exchange.commands(),
            responses: exchange.responses(),
            missed: exchange.missed().count(),
            unsolicited: exchange.unsolicited().count(),
            uncertain: exchange.uncertain(),
            latency_us: Spans::of(exchange.latency()),
            interval_us: Spans::of(exchange.interval()),
        }
    }
}

impl Spans {
    fn of(spans: Option<&Distribution>) -> Spans {
        let quantile = |q| spans.and_then(|s| s.quantile(q)).map(|v| v.as_micros());
        let range = |q| {
            let (low, high) = spans.map_or((None, None), |s| s.quantile_range(q));
            Range { low: low.map(|v| v.as_micros()), high: high.map(|v| v.as_micros()) }
        };
        Spans {
            count: spans.map_or(0, Distribution::count),
            min: spans.and_then(Distribution::min).map(|v| v.as_micros()),
            mean: spans.and_then(Distribution::mean_ns).map(|ns| ns / 1e3),
            p50: quantile(0.5),
            p90: quantile(0.9),
            p99: quantile(0.99),
            p999: quantile(0.999),
            max: spans.and_then(Distribution::max).map(|v| v.as_micros()),
            sd: spans.and_then(Distribution::deviation_ns).map(|ns| ns / 1e3),
            effective_count: spans.and_then(Distribution::effective_count),
            p50_range: range(0.5),
            p90_range: range(0.9),
            p99_range: range(0.99),
        }
    }
}

impl From<&Clash> for AddressClash {
    fn from(clash: &Clash) -> AddressClash {
        AddressClash {
            t_s: clash.t.as_secs(),
            mac_id: clash.mac_id,
            outcome: clash.outcome,
            holder: clash.holder,
            newcomer: clash.newcomer,
        }
    }
}
