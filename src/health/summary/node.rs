//! One node in the summary: its identity, frames, exchanges, connections and drive.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::fieldbus::eds::{SheetIndex, SheetMatch};
use crate::fieldbus::{
    Assembly, Choice, Class, ConnectionKind, ConnectionState, DeviceId, DriveCommand, DriveStatus,
    IdentityObject, Light, MacId, Target, WatchdogAction,
};
use crate::health::evidence::NotOffered;
use crate::health::expectation::{References, not_offered};
use crate::trunk::{
    self, Clash, ClashOutcome, Distribution, Exchange, ExplicitCounts, FragmentCounts, Known, Node,
    PredefinedConnection, Trunk,
};
use crate::wire::Nanos;

/// One node.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NodeSummary {
    /// The address, 0 to 63.
    pub mac_id: MacId,
    /// What it is called: in the plan, else by itself, else in its data sheet file.
    #[serde(default)]
    pub name: Option<String>,
    /// Exact bits on the wire of the frames that it sent and of those that were for it alone;
    /// `null` in an older summary.
    #[serde(default)]
    pub wire_bits: Option<u64>,
    /// Frames whose identifier names the node as their sender.
    pub frames_sent: u64,
    /// When it first sent one.
    pub first_seen_s: Option<f64>,
    /// When it last sent one.
    pub last_seen_s: Option<f64>,
    /// Which device it is, as far as the wire tells.
    pub identity: Option<DeviceIdentity>,
    /// The master's polls and the node's responses.
    pub poll: PollCounts,
    /// Bit-strobes from the node's first response on; `null` if it never responded to one.
    pub strobe: Option<ExchangeCounts>,
    /// Multicast polls and responses; `null` if there were none.
    #[serde(default)]
    pub multicast_poll: Option<ExchangeCounts>,
    /// The node's change of state or cyclic data as commands, the master's acknowledges as
    /// responses; `null` if it sent none. With acknowledges suppressed, none counts as missed.
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
    /// The predefined connections that are allocated now, as far as the wire tells.
    #[serde(default)]
    pub allocated: Choice,
    /// Explicit requests that it sent to others, as a master or a tool does.
    #[serde(default)]
    pub requests_sent: u64,
    /// The master that owns the node.
    pub owner: Option<Known<MacId>>,
    /// The nodes that it owns as their master.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub owns: Vec<MacId>,
    /// How often it scans those, as the median of their medians.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scan_interval_us: Option<f64>,
    /// Times that a master allocated connections.
    #[serde(default)]
    pub allocations: u64,
    /// Times that connections were released.
    #[serde(default)]
    pub releases: u64,
    /// The predefined connections of which anything is known.
    #[serde(default)]
    pub connections: Vec<ConnectionSummary>,
    /// What the status lights should show at the end; to compare with what is seen.
    #[serde(default)]
    pub lights: StatusLights,
    /// Explicit messages to and from the node.
    #[serde(default)]
    pub explicit: ExplicitCounts,
    /// Fragmented I/O messages to and from the node.
    #[serde(default)]
    pub io_fragments: FragmentCounts,
    /// How it is driven, if it is an AC drive; `null` otherwise.
    pub drive: Option<DriveSummary>,
    /// How it agrees with the data sheet files; `null` if none were given.
    #[serde(rename = "data_sheet")]
    pub data_sheet_check: Option<DataSheetCheck>,
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
    pub latency_us: SpanStatistics,
    /// Between successive commands, but for those between which frames were lost or the adapter
    /// did not receive.
    pub interval_us: SpanStatistics,
}

/// The poll exchanges of a node.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct PollCounts {
    /// Counts and times.
    #[serde(flatten)]
    pub exchange: ExchangeCounts,
    /// Each size of the command, in bytes, after reassembly.
    pub command_bytes: Vec<u16>,
    /// Each size of the response, in bytes, after reassembly.
    pub response_bytes: Vec<u16>,
    /// Whether the I/O looks fragmented: inferred from the data, not known.
    #[serde(default)]
    pub fragmented_inferred: bool,
}

/// How a span of time is distributed, in microseconds. Percentiles are nearest-rank at three
/// significant digits; the others are exact to the clock, `sd` to three digits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[allow(missing_docs, reason = "the names say it")]
pub struct SpanStatistics {
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
    pub p50_range: QuantileRange,
    #[serde(default)]
    pub p90_range: QuantileRange,
    #[serde(default)]
    pub p99_range: QuantileRange,
}

/// Within what a percentile lies; an end beyond all that was measured is not known.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[allow(missing_docs, reason = "the names say it")]
pub struct QuantileRange {
    pub low: Option<f64>,
    pub high: Option<f64>,
}

/// One predefined connection.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ConnectionSummary {
    /// Which one.
    pub kind: ConnectionKind,
    /// Its state at the end, as far as the wire shows.
    pub state: ConnectionState,
    /// Expected packet rate; 0 is no watchdog. It times out after four times this.
    pub expected_packet_rate_ms: Option<u16>,
    /// What it does when it times out.
    pub watchdog_action: Option<WatchdogAction>,
    /// Least time between two messages of the node.
    pub inhibit_ms: Option<u16>,
    /// Bytes that the node sends.
    pub produced_bytes: Option<Known<u16>>,
    /// Bytes that the node receives.
    pub consumed_bytes: Option<Known<u16>>,
    /// The assembly that the node sends, where its path was set or read.
    pub produced_assembly: Option<u16>,
    /// The assembly that the node receives, where its path was set or read.
    pub consumed_assembly: Option<u16>,
    /// Times that it timed out.
    pub timeouts: u64,
}

/// What the status lights should show; `null` where the wire does not tell.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema, Default)]
#[serde(default)]
pub struct StatusLights {
    /// Module light.
    pub module: Option<Light>,
    /// Network light.
    pub network: Option<Light>,
    /// A second device that was refused this address.
    pub refused_device: Option<DeviceId>,
    /// The network light of that device.
    pub refused_network: Option<Light>,
}

/// How an AC drive is driven.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DriveSummary {
    /// The assembly that it is sent, and how it is known; inferred is a guess.
    pub output_assembly: Option<Known<u16>>,
    /// The assembly that it sends, and how it is known; inferred is a guess.
    pub input_assembly: Option<Known<u16>>,
    /// Its speeds are in rpm / 2^this, where that was read or set; otherwise in rpm, as far as is known.
    #[serde(default)]
    pub speed_scale: Option<i8>,
    /// What it does when the network is lost, where that was read or set: 0 fault and stop, 1 ignore.
    #[serde(default)]
    pub network_fault_mode: Option<u8>,
    /// The last command.
    pub command: Option<DriveCommand>,
    /// The last status that the drive sent.
    pub status: Option<DriveStatus>,
    /// Whether it was ever asked to run, as far as its assemblies were known then.
    #[serde(default)]
    pub run_asked: bool,
    /// Whether it ever ran when asked to.
    #[serde(default)]
    pub ran: bool,
}

/// When a node was gone.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AbsenceSpan {
    /// When it last sent before.
    pub from_s: f64,
    /// When it sent again; `null` if it did not.
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
    /// Who held or claimed it; `null` if it is not known.
    pub holder: Option<DeviceId>,
    /// Who asked.
    pub newcomer: DeviceId,
}

impl NodeSummary {
    pub(super) fn new(
        mac_id: MacId,
        node: &trunk::Node,
        trunk: &Trunk,
        references: References,
    ) -> NodeSummary {
        let used =
            |exchange: &Exchange| (!exchange.is_unused()).then(|| ExchangeCounts::new(exchange));
        let connections = &node.connections;
        NodeSummary {
            mac_id,
            name: references.name(mac_id, node),
            wire_bits: Some(trunk.error_attribution.bits_for(mac_id).0),
            frames_sent: node.sent.count(),
            first_seen_s: node.sent.first().map(|t| t.as_secs()),
            last_seen_s: node.sent.last().map(|t| t.as_secs()),
            identity: DeviceIdentity::new(node.address.holder(), &node.identity),
            poll: PollCounts {
                exchange: ExchangeCounts::new(&node.poll),
                command_bytes: node.command_sizes().as_slice().to_vec(),
                response_bytes: node.response_sizes().as_slice().to_vec(),
                fragmented_inferred: node.is_inferred_fragmented(),
            },
            strobe: used(&node.strobe),
            multicast_poll: used(&node.multicast_poll),
            change_of_state: used(&node.change_of_state),
            address_check_requests: node.address.requests(),
            address_check_responses: node.address.responses(),
            address_checks_malformed: node.malformed_checks.count(),
            restarts: node.address.restarts().count(),
            replacements: node.address.replaced().count(),
            absences: node.presence.count(),
            absence_spans: node
                .presence
                .recent()
                .map(|absence| AbsenceSpan {
                    from_s: absence.from.as_secs(),
                    to_s: absence.to.map(|t| t.as_secs()),
                })
                .collect(),
            allocated: connections.allocated,
            owner: connections.owner,
            requests_sent: node.requests_sent,
            owns: trunk.owned_by(mac_id),
            scan_interval_us: trunk.scan_interval(mac_id).map(Nanos::as_micros),
            allocations: connections.allocations.count(),
            releases: connections.releases,
            connections: ConnectionKind::ALL
                .into_iter()
                .map(|kind| (kind, connections.get(kind)))
                .filter(|(_, connection)| connection.is_known())
                .map(|(kind, connection)| ConnectionSummary::new(kind, connection))
                .collect(),
            lights: StatusLights::from(trunk.lights(mac_id)),
            explicit: node.explicit,
            io_fragments: node.io_fragments,
            drive: DriveSummary::new(node),
            data_sheet_check: references.sheets.map(|sheets| DataSheetCheck::new(node, sheets)),
        }
    }
}

impl ConnectionSummary {
    fn new(kind: ConnectionKind, connection: &PredefinedConnection) -> ConnectionSummary {
        let assembly = |path: Option<Target>| {
            path.filter(|path| path.class == Class::ASSEMBLY).map(|path| path.instance)
        };
        ConnectionSummary {
            kind,
            state: connection.state,
            expected_packet_rate_ms: connection.rate_ms,
            watchdog_action: connection.watchdog_action,
            inhibit_ms: connection.inhibit_ms,
            produced_bytes: connection.produced,
            consumed_bytes: connection.consumed,
            produced_assembly: assembly(connection.produced_path),
            consumed_assembly: assembly(connection.consumed_path),
            timeouts: connection.timeouts.count(),
        }
    }
}

impl From<trunk::NodeLights> for StatusLights {
    fn from(lights: trunk::NodeLights) -> StatusLights {
        let (refused_device, refused_network) = lights.refused.unzip();
        let (module, network) = (lights.module, lights.network);
        StatusLights { module, network, refused_device, refused_network }
    }
}

impl DriveSummary {
    /// `None` if the node is not known to be a drive.
    fn new(node: &trunk::Node) -> Option<DriveSummary> {
        let drive = &node.drive;
        if drive.output.is_none() && drive.input.is_none() {
            return None;
        }
        let instance = |value, origin| Known { value, origin };
        Some(DriveSummary {
            output_assembly: drive.output.map(|a| instance(a.value.number(), a.origin)),
            input_assembly: drive.input.map(|a| instance(a.value.number(), a.origin)),
            speed_scale: drive.speed_scale,
            network_fault_mode: drive.network_fault_mode,
            command: drive.command(),
            status: drive.status(),
            run_asked: node.following.was_asked(),
            ran: node.following.has_followed(),
        })
    }
}

impl ExchangeCounts {
    fn new(exchange: &Exchange) -> ExchangeCounts {
        ExchangeCounts {
            commands: exchange.commands(),
            responses: exchange.responses(),
            missed: exchange.missed().count(),
            unsolicited: exchange.unsolicited().count(),
            uncertain: exchange.uncertain(),
            latency_us: SpanStatistics::new(exchange.latency()),
            interval_us: SpanStatistics::new(exchange.interval()),
        }
    }
}

impl SpanStatistics {
    fn new(spans: Option<&Distribution>) -> SpanStatistics {
        let quantile = |q| spans.and_then(|s| s.quantile(q)).map(|v| v.as_micros());
        let range = |q| {
            let (low, high) = spans.map_or((None, None), |s| s.quantile_range(q));
            QuantileRange { low: low.map(|v| v.as_micros()), high: high.map(|v| v.as_micros()) }
        };
        SpanStatistics {
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

/// Who a node is; each part `null` until the wire tells it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[allow(missing_docs, reason = "the names are those of the identity object")]
pub struct DeviceIdentity {
    pub vendor_id: Option<u16>,
    pub serial: Option<u32>,
    pub device_type: Option<u16>,
    pub product_code: Option<u16>,
    pub major_revision: Option<u8>,
    pub minor_revision: Option<u8>,
    pub product_name: Option<String>,
}

impl DeviceIdentity {
    /// The device that holds the address, with what was read of it; `None` if neither is known.
    pub(super) fn new(holder: Option<DeviceId>, read: &IdentityObject) -> Option<DeviceIdentity> {
        if holder.is_none() && *read == IdentityObject::default() {
            return None;
        }
        // What was read may belong to a device that had the address before.
        let is_other = holder.is_some_and(|holder| {
            read.serial.is_some_and(|serial| serial != holder.serial)
                || read.vendor_id.is_some_and(|vendor_id| vendor_id != holder.vendor_id)
        });
        let blank = IdentityObject::default();
        let read = if is_other { &blank } else { read };
        Some(DeviceIdentity {
            vendor_id: holder.map(|holder| holder.vendor_id).or(read.vendor_id),
            serial: holder.map(|holder| holder.serial).or(read.serial),
            device_type: read.device_type,
            product_code: read.product_code,
            major_revision: read.revision.map(|(major, _)| major),
            minor_revision: read.revision.map(|(_, minor)| minor),
            product_name: read.name.as_deref().map(str::to_string),
        })
    }
}

/// How a node and the data sheet files agree.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct DataSheetCheck {
    /// How they agree.
    pub verdict: DataSheetVerdict,
    /// The file that describes the node best.
    pub file: Option<String>,
    /// Major and minor revision that the file is for.
    pub file_revision: Option<(u8, u8)>,
    /// I/O sizes on the wire that the file does not offer.
    pub not_offered: Vec<NotOffered>,
    /// What is wrong with the file itself, with its lines.
    pub problems: Vec<String>,
}

/// How a node and a file agree.
///
/// Without the identity read on the wire nothing is compared. No file of the maker is a note;
/// files of the maker and none of the product is a warning, as is another revision.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum DataSheetVerdict {
    /// The wire does not tell vendor and product code.
    IdentityUnknown,
    /// No file of this maker.
    NoFileOfVendor,
    /// Files of this maker, none of this product.
    WrongProduct,
    /// This maker's product code, another kind of device.
    WrongType,
    /// Another major revision.
    WrongMajor,
    /// The same major revision, another minor one.
    WrongMinor,
    /// The product; the revision is not known.
    RevisionUnknown,
    /// The right file.
    Right,
}

impl DataSheetCheck {
    /// How a node and the files agree.
    pub(super) fn new(node: &Node, sheets: &SheetIndex) -> DataSheetCheck {
        let found = sheets.find(&node.identity);
        let sheet = found.sheet();
        let not_offered = sheet.map_or(Vec::new(), |sheet| not_offered(sheet, node));
        DataSheetCheck {
            verdict: DataSheetVerdict::new(&found),
            file: sheet.map(|sheet| sheet.file.clone()),
            file_revision: sheet.and_then(|s| s.major_revision.zip(s.minor_revision)),
            not_offered,
            problems: sheet.map_or(Vec::new(), |sheet| {
                sheet.problems.iter().map(|p| format!("line {}: {}", p.line, p.what)).collect()
            }),
        }
    }
}

impl DataSheetVerdict {
    fn new(found: &SheetMatch) -> DataSheetVerdict {
        match found {
            SheetMatch::IdentityUnknown => DataSheetVerdict::IdentityUnknown,
            SheetMatch::NoFileOfVendor => DataSheetVerdict::NoFileOfVendor,
            SheetMatch::WrongProduct { .. } => DataSheetVerdict::WrongProduct,
            SheetMatch::WrongType(_) => DataSheetVerdict::WrongType,
            SheetMatch::WrongMajor(_) => DataSheetVerdict::WrongMajor,
            SheetMatch::WrongMinor(_) => DataSheetVerdict::WrongMinor,
            SheetMatch::RevisionUnknown(_) => DataSheetVerdict::RevisionUnknown,
            SheetMatch::Right(_) => DataSheetVerdict::Right,
        }
    }
}
