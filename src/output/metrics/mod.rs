//! A watch as metrics, in the OpenMetrics text format, for the monitoring that a plant already
//! runs. Names, types and units follow that standard; the label sets are bounded: addresses 0 to
//! 63, and the codes, severities and causes that dropline knows.

use std::borrow::Cow;
use std::fmt;

use jiff::SignedDuration;
use prometheus_client::collector::Collector;
use prometheus_client::encoding::{
    DescriptorEncoder, MetricEncoder, NoLabelSet, prometheus_text, text,
};
use prometheus_client::metrics::MetricType;
use prometheus_client::registry::{Registry, Unit};
use strum::VariantArray;

use crate::analysis::Analysis;
use crate::fieldbus::MacId;
use crate::health::Severity;
use crate::trunk::{Distribution, Node, Trunk};
use crate::wire::{Cause, Header};

/// Upper bounds of the buckets of spans, in seconds: from the shortest exchange at 500 kbit/s to
/// the expected packet rate of a slow scan.
const BOUNDS: [f64; 13] =
    [0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 5.0];

const CAUSES: [(Cause, &str); 10] = [
    (Cause::Bit, "bit"),
    (Cause::Stuff, "stuff"),
    (Cause::Form, "form"),
    (Cause::Crc, "crc"),
    (Cause::Ack, "ack"),
    (Cause::LostArbitration, "lost_arbitration"),
    (Cause::Overload, "overload"),
    (Cause::ReceiveOverflow, "receive_overflow"),
    (Cause::Transceiver, "transceiver"),
    (Cause::Other, "other"),
];

/// What a reading tells besides the trunk's own state.
#[derive(Debug, Clone, Default)]
pub struct About {
    /// Whether the interface is listened to just now.
    pub listening: bool,
    /// The capture, where there is one.
    pub capture: Option<CaptureState>,
    /// The program that is run on a finding, where there is one.
    pub hook: Option<HookState>,
}

/// How a capture stands.
#[derive(Debug, Clone, Copy, Default)]
pub struct CaptureState {
    /// Bytes in all its files.
    pub bytes: u64,
    /// Frames that are not in it because the disk did not take them.
    pub lost_frames: u64,
    /// Whether the disk takes nothing just now.
    pub failing: bool,
}

/// How often a program was run on a finding.
#[derive(Debug, Clone, Copy, Default)]
pub struct HookState {
    /// Times that it was started, or should have been.
    pub runs: u64,
    /// Of these, how many failed.
    pub failures: u64,
    /// Findings for which it was not run.
    pub passed_over: u64,
}

/// All metrics of one moment.
#[derive(Debug)]
pub struct MetricsSnapshot {
    interface: String,
    families: Vec<Family>,
}

impl MetricsSnapshot {
    /// The analysis as it stands.
    pub fn of(analysis: &Analysis, about: &About) -> MetricsSnapshot {
        let interface = analysis.header().interface.clone().unwrap_or_default();
        let mut families = trunk(analysis.header(), analysis.trunk(), about);
        families.extend(nodes(analysis.trunk()));
        families.extend(findings(analysis));
        families.extend(about.capture.map(capture).into_iter().flatten());
        families.extend(about.hook.map(hook).into_iter().flatten());
        MetricsSnapshot { interface, families }
    }

    /// As text.
    ///
    /// # Errors
    /// Only if the library cannot write to memory.
    pub fn text(self, format: Format) -> Result<String, fmt::Error> {
        encode(self.families, self.interface, format)
    }
}

fn family(name: &'static str, help: &'static str) -> Family {
    Family { name, help, unit: None, samples: Vec::new() }
}

impl Family {
    fn unit(mut self, unit: Unit) -> Family {
        self.unit = Some(unit);
        self
    }

    fn one(self, value: Value) -> Family {
        self.each([(Labels::new(), value)])
    }

    fn each(mut self, samples: impl IntoIterator<Item = (Labels, Value)>) -> Family {
        self.samples.extend(samples);
        self
    }
}

fn trunk(header: &Header, trunk: &Trunk, about: &About) -> Vec<Family> {
    let tally = trunk.tally();
    let count = |count| Value::Count(count);
    let controller = &trunk.errors.controller;
    let started = header.started;
    let latest = started.saturating_add(SignedDuration::from_nanos(trunk.now().0));
    let seconds = |time: jiff::Timestamp| Value::Gauge(time.as_nanosecond() as f64 / 1e9);
    let version = vec![("version", env!("CARGO_PKG_VERSION").to_string())];
    let mut families = vec![
        family("build_info", "The dropline that watches").each([(version, Value::Gauge(1.0))]),
        family("listening", "1 while the interface is listened to, 0 while it is down")
            .one(Value::Gauge(f64::from(u8::from(about.listening)))),
        family("start_timestamp", "When the watch began").unit(Unit::Seconds).one(seconds(started)),
        family("last_record_timestamp", "When something was received last")
            .unit(Unit::Seconds)
            .one(seconds(latest.unwrap_or(started))),
        family("frames", "Good frames received").one(count(tally.frames)),
        family("error_frames", "Error frames received").one(count(tally.error_frames)),
        family("lost_frames", "Frames that the computer or the adapter dropped")
            .one(count(tally.lost_frames)),
        family("error_causes", "Error frames that name this cause; one can name several").each(
            CAUSES.map(|(cause, name)| {
                (vec![("cause", name.to_string())], count(trunk.errors.count(cause)))
            }),
        ),
        family("link_downs", "Times that the interface went down")
            .one(count(trunk.link_downs.count())),
        family("clock_steps", "Times that the clock stepped back")
            .one(count(trunk.clock_steps.count())),
        family("controller_warnings", "Times that the adapter's controller went to warning")
            .one(count(controller.warnings().count())),
        family("controller_passives", "Times that it went to error-passive")
            .one(count(controller.passives().count())),
        family("controller_bus_offs", "Times that it went bus-off")
            .one(count(controller.bus_offs().count())),
        family("address_clashes", "Times that two devices wanted one address")
            .one(count(trunk.clashes().len() as u64 + trunk.unlisted_clashes())),
    ];
    if let Some(bitrate) = header.bitrate {
        let busy = trunk.load.total().0 as f64 / f64::from(bitrate.get());
        families.push(
            family("wire_busy", "Time that good frames took on the wire; its rate is the bus load")
                .unit(Unit::Seconds)
                .one(Value::Sum(busy)),
        );
    }
    families
}

fn nodes(trunk: &Trunk) -> Vec<Family> {
    let each = |name, help, value: &dyn Fn(&Node) -> Option<Value>| {
        let samples = trunk.nodes().filter_map(|(mac_id, node)| {
            value(node).map(|value| (vec![("node", mac_id.to_string())], value))
        });
        family(name, help).each(samples)
    };
    let polled = |count: fn(&Node) -> u64| {
        move |node: &Node| (node.poll.commands() > 0).then(|| Value::Count(count(node)))
    };
    vec![
        each("node_frames", "Frames that the node sent", &|node| {
            Some(Value::Count(node.sent.count()))
        }),
        each("node_present", "1 while the node is there, 0 once it fell silent", &|node| {
            let there = node.sent.count() > 0 && !node.presence.is_gone();
            Some(Value::Gauge(f64::from(u8::from(there))))
        }),
        each("node_restarts", "Times that the node ran its address check again", &|node| {
            Some(Value::Count(node.address.restarts().count()))
        }),
        each("poll_commands", "Polls to the node", &polled(|node| node.poll.commands())),
        each(
            "poll_responses",
            "Polls that the node answered",
            &polled(|node| node.poll.responses()),
        ),
        each(
            "poll_missed",
            "Polls that the node did not answer",
            &polled(|node| node.poll.missed().count()),
        ),
        each(
            "poll_uncertain",
            "Polls of which frames were lost",
            &polled(|node| node.poll.uncertain()),
        ),
        each("poll_latency", "From the poll to its answer, ends of frames", &|node| {
            node.poll.latency().map(spread)
        })
        .unit(Unit::Seconds),
        each("poll_interval", "From one poll to the next", &|node| {
            node.poll.interval().map(spread)
        })
        .unit(Unit::Seconds),
    ]
}

fn spread(distribution: &Distribution) -> Value {
    let mut buckets: Vec<(f64, u64)> =
        BOUNDS.into_iter().chain([f64::INFINITY]).map(|bound| (bound, 0)).collect();
    let last = buckets.len() - 1;
    for (span, count) in distribution.counts() {
        let at = BOUNDS.partition_point(|&bound| bound < span.as_secs());
        buckets[at.min(last)].1 += count;
    }
    let count = distribution.count();
    let sum = distribution.mean_ns().unwrap_or_default() / 1e9 * count as f64;
    Value::Spread { sum, count, buckets }
}

fn findings(analysis: &Analysis) -> Vec<Family> {
    let found = analysis.findings();
    let label = |code: crate::health::Code, mac_id: Option<MacId>| {
        let node = mac_id.map(|mac_id| mac_id.to_string()).unwrap_or_default();
        vec![("code", code.name().to_string()), ("node", node)]
    };
    let by_severity = [Severity::Note, Severity::Warning, Severity::Fault].map(|severity| {
        let count = found.iter().filter(|finding| finding.severity == severity).count();
        (vec![("severity", severity.to_string())], Value::Gauge(count as f64))
    });
    let number = |severity| match severity {
        Severity::Note => 1.0,
        Severity::Warning => 2.0,
        Severity::Fault => 3.0,
    };
    // A code stands once for each node.
    debug_assert!(found.len() <= crate::health::Code::VARIANTS.len() * (MacId::COUNT + 1));
    vec![
        family("findings", "Findings since the watch began, by severity").each(by_severity),
        family("finding_severity", "What was found: 1 a note, 2 a warning, 3 a fault").each(
            found.iter().map(|f| (label(f.code, f.mac_id), Value::Gauge(number(f.severity)))),
        ),
        family("finding_occurrences", "How often it happened")
            .each(found.iter().map(|f| (label(f.code, f.mac_id), Value::Gauge(f.count as f64)))),
    ]
}

fn capture(state: CaptureState) -> Vec<Family> {
    vec![
        family("capture_size", "Bytes of the capture in all its files")
            .unit(Unit::Bytes)
            .one(Value::Gauge(state.bytes as f64)),
        family("capture_lost_frames", "Frames that the disk did not take")
            .one(Value::Count(state.lost_frames)),
        family("capture_failing", "1 while the disk takes nothing")
            .one(Value::Gauge(f64::from(u8::from(state.failing)))),
    ]
}

fn hook(state: HookState) -> Vec<Family> {
    vec![
        family("hook_runs", "Times that the program was run on a finding")
            .one(Value::Count(state.runs)),
        family("hook_failures", "Times that it failed").one(Value::Count(state.failures)),
        family("hook_passed_over", "Findings for which it was not run")
            .one(Value::Count(state.passed_over)),
    ]
}

/// One metric: what it is, and its samples, told apart by their labels.
#[derive(Debug, Clone)]
pub(super) struct Family {
    pub(super) name: &'static str,
    pub(super) help: &'static str,
    pub(super) unit: Option<Unit>,
    pub(super) samples: Vec<(Labels, Value)>,
}

/// Names and values of labels.
pub(super) type Labels = Vec<(&'static str, String)>;

#[derive(Debug, Clone)]
pub(super) enum Value {
    /// Only ever grows.
    Count(u64),
    /// The same, with fractions.
    Sum(f64),
    /// What it is now.
    Gauge(f64),
    /// How many of what size: the sum of all, how many, and how many in each bucket up to its
    /// bound.
    Spread { sum: f64, count: u64, buckets: Vec<(f64, u64)> },
}

#[derive(Debug)]
struct Families(Vec<Family>);

/// Which text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// OpenMetrics 1.0.
    OpenMetrics,
    /// The older text format of Prometheus, 0.0.4, for those who do not ask for the other.
    Plain,
}

impl Format {
    /// The content type in HTTP.
    pub fn content_type(self) -> &'static str {
        match self {
            Format::OpenMetrics => "application/openmetrics-text; version=1.0.0; charset=utf-8",
            Format::Plain => "text/plain; version=0.0.4; charset=utf-8",
        }
    }
}

/// All families as text; each sample carries the interface, too.
pub(super) fn encode(
    families: Vec<Family>,
    interface: String,
    format: Format,
) -> Result<String, fmt::Error> {
    let labels = [(Cow::Borrowed("interface"), Cow::Owned(interface))];
    let mut registry = Registry::with_prefix_and_labels("dropline", labels.into_iter());
    registry.register_collector(Box::new(Families(families)));
    let mut text = String::new();
    match format {
        Format::OpenMetrics => text::encode(&mut text, &registry)?,
        Format::Plain => prometheus_text::encode(&mut text, &registry)?,
    }
    Ok(text)
}

impl Collector for Families {
    fn encode(&self, mut encoder: DescriptorEncoder) -> fmt::Result {
        for family in &self.0 {
            let Some((_, first)) = family.samples.first() else { continue };
            let kind = match first {
                Value::Count(_) | Value::Sum(_) => MetricType::Counter,
                Value::Gauge(_) => MetricType::Gauge,
                Value::Spread { .. } => MetricType::Histogram,
            };
            let Family { name, help, unit, .. } = family;
            let mut metric = encoder.encode_descriptor(name, help, unit.as_ref(), kind)?;
            for (labels, value) in &family.samples {
                if labels.is_empty() {
                    sample(&mut metric, value)?;
                } else {
                    sample(&mut metric.encode_family(labels)?, value)?;
                }
            }
        }
        Ok(())
    }
}

fn sample(metric: &mut MetricEncoder, value: &Value) -> fmt::Result {
    match value {
        Value::Count(count) => metric.encode_counter::<NoLabelSet, _, u64>(count, None),
        Value::Sum(sum) => metric.encode_counter::<NoLabelSet, _, f64>(sum, None),
        Value::Gauge(value) => metric.encode_gauge(value),
        Value::Spread { sum, count, buckets } => {
            metric.encode_histogram::<NoLabelSet>(*sum, *count, buckets, None)
        }
    }
}
