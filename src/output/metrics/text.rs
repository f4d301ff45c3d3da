//! Readings as text, by the exporter library.

use std::borrow::Cow;
use std::fmt;

use prometheus_client::collector::Collector;
use prometheus_client::encoding::{
    DescriptorEncoder, MetricEncoder, NoLabelSet, prometheus_text, text,
};
use prometheus_client::metrics::MetricType;
use prometheus_client::registry::{Registry, Unit};

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
