//! The numbers of a summary, computed again from their definitions by the plainest means:
//! all records in memory, sorted lists instead of histograms, one pass for each number.

use std::collections::BTreeMap;

use dropline::Record;
use dropline::record::{Id, What};
use serde_json::{Value, json};

use super::plain_bits::wire_bits_bit_by_bit;

/// Computes what the definitions say for these records.
pub fn numbers(records: &[Record], bitrate: u64) -> Value {
    let duration = records.last().map_or(0, |record| record.t.0).max(0);
    let frames: Vec<_> = records
        .iter()
        .filter_map(|record| match &record.what {
            What::Frame(frame) => Some((record.t.0, *frame)),
            _ => None,
        })
        .collect();
    let bits: Vec<(i64, u64)> =
        frames.iter().map(|(t, frame)| (*t, wire_bits_bit_by_bit(frame))).collect();
    let total: u64 = bits.iter().map(|(_, n)| n).sum();
    let second = 1_000_000_000;
    let whole = duration / second;
    let mut windows: BTreeMap<i64, u64> = BTreeMap::new();
    for (t, n) in &bits {
        *windows.entry(t.div_euclid(second)).or_default() += n;
    }
    let peak = windows.iter().filter(|(w, _)| **w < whole).map(|(_, n)| *n).max().unwrap_or(0);
    let share = |n: u64, ns: i64| n as f64 / (bitrate as f64 * (ns as f64 / 1e9));

    let mut groups: BTreeMap<&str, u64> =
        ["group1", "group2", "group3", "group4", "invalid", "extended", "remote"]
            .map(|name| (name, 0))
            .into();
    for (_, frame) in &frames {
        let name = match frame.id() {
            Id::Extended(_) => "extended",
            Id::Standard(_) if frame.is_remote() => "remote",
            Id::Standard(id) => match id.as_raw() {
                0x000..=0x3FF => "group1",
                0x400..=0x5FF => "group2",
                0x600..=0x7BF => "group3",
                0x7C0..=0x7EF => "group4",
                _ => "invalid",
            },
        };
        *groups.entry(name).or_default() += 1;
    }
    let lost: u64 =
        records.iter().map(|record| if let What::Lost(n) = record.what { n } else { 0 }).sum();
    let count = |is: fn(&What) -> bool| records.iter().filter(|r| is(&r.what)).count();
    let steps = records.windows(2).filter(|pair| pair[1].t < pair[0].t).count();
    let early = records.first().is_some_and(|record| record.t.0 < 0);
    json!({
        "source": {
            "duration_s": duration as f64 / 1e9,
            "frames": frames.len(),
            "error_frames": count(|what| matches!(what, What::Error(_))),
            "lost_frames": lost,
            "link_downs": count(|what| matches!(what, What::LinkDown(_))),
            "clock_steps": steps + usize::from(early),
            "complete": matches!(records.last().map(|r| &r.what), Some(What::End(_))),
        },
        "load": {
            "wire_bits": total,
            "mean": (duration > 0).then(|| share(total, duration)),
            "peak": (whole > 0).then(|| share(peak, second)),
        },
        "groups": groups,
        "nodes": (0..64).filter_map(|mac| node(records, mac)).collect::<Vec<_>>(),
        "errors": { "causes": causes(records) },
    })
}

fn node(records: &[Record], mac: u16) -> Option<Value> {
    let (command, response) = (0x405 | mac << 3, 0x3C0 | mac);
    let mut sent = Vec::new();
    let mut commands = Vec::new();
    // the last command, unless something may have been missed since
    let mut before = None;
    let mut intervals = Vec::new();
    let mut latencies = Vec::new();
    let (mut responses, mut missed, mut unsolicited, mut uncertain) = (0, 0, 0, 0);
    // Some(time): open; the flag: it became uncertain
    let mut open: Option<(i64, bool)> = None;
    for record in records {
        let t = record.t.0;
        match &record.what {
            What::Lost(0) => {}
            What::Lost(_) | What::LinkDown(_) => {
                doubt(&mut open, &mut uncertain);
                before = None;
            }
            // the adapter's receive buffer overflowed
            What::Error(error) if error.class() & 4 != 0 && error.data()[1] & 1 != 0 => {
                doubt(&mut open, &mut uncertain);
                before = None;
            }
            // bus-off
            What::Error(error) if error.class() & 0x40 != 0 => before = None,
            What::Frame(frame) if !frame.is_remote() => {
                let Id::Standard(id) = frame.id() else { continue };
                let id = id.as_raw();
                let source = match id {
                    0..=0x3FF | 0x600..=0x7BF => Some(id & 0x3F),
                    0x400..=0x5FF if matches!(id & 7, 0 | 3 | 7) => Some(id >> 3 & 0x3F),
                    _ => None,
                };
                if source == Some(mac) {
                    sent.push(t);
                }
                if id == command {
                    if matches!(open, Some((_, false))) {
                        missed += 1;
                    }
                    commands.push(t);
                    intervals.extend(before.replace(t).map(|from: i64| t - from));
                    open = Some((t, false));
                } else if id == response {
                    match open.take() {
                        Some((asked, false)) => {
                            responses += 1;
                            latencies.extend((t >= asked).then_some(t - asked));
                        }
                        Some((_, true)) => {}
                        None => unsolicited += 1,
                    }
                }
            }
            _ => {}
        }
    }
    if sent.is_empty() && commands.is_empty() {
        return None;
    }
    intervals.retain(|&span| span >= 0);
    Some(json!({
        "mac_id": mac,
        "frames_sent": sent.len(),
        "first_seen_s": sent.first().map(|&t| t as f64 / 1e9),
        "last_seen_s": sent.last().map(|&t| t as f64 / 1e9),
        "poll": {
            "commands": commands.len(),
            "responses": responses,
            "missed": missed,
            "unsolicited": unsolicited,
            "uncertain": uncertain,
            "latency_us": spans(latencies),
            "interval_us": spans(intervals),
        },
    }))
}

fn doubt(open: &mut Option<(i64, bool)>, uncertain: &mut u64) {
    if let Some((_, doubtful @ false)) = open {
        *doubtful = true;
        *uncertain += 1;
    }
}

fn spans(mut all: Vec<i64>) -> Value {
    all.sort_unstable();
    let rank = |q: f64| {
        let n = (q * all.len() as f64).ceil() as usize;
        all.get(n.max(1) - 1).map(|&ns| ns as f64 / 1e3)
    };
    let mean = all.iter().sum::<i64>() as f64 / all.len() as f64 / 1e3;
    json!({
        "count": all.len(),
        "min": all.first().map(|&ns| ns as f64 / 1e3),
        "mean": (!all.is_empty()).then_some(mean),
        "p50": rank(0.5), "p90": rank(0.9), "p99": rank(0.99), "p999": rank(0.999),
        "max": all.last().map(|&ns| ns as f64 / 1e3),
    })
}

/// linux/can/error.h, by its numbers.
fn causes(records: &[Record]) -> Value {
    let names = [
        "bit",
        "stuff",
        "form",
        "crc",
        "ack",
        "lost_arbitration",
        "overload",
        "receive_overflow",
        "transceiver",
        "other",
    ];
    let mut counts: BTreeMap<&str, u64> = names.map(|name| (name, 0)).into();
    for record in records {
        let What::Error(error) = &record.what else { continue };
        let (class, data) = (error.class(), error.data());
        let at_crc = class & 8 != 0 && matches!(data[3], 0x08 | 0x18);
        let at_ack = class & 8 != 0 && data[3] == 0x19;
        let kind = if class & 8 != 0 && !at_crc && !at_ack { data[2] } else { 0 };
        let mut named = vec![
            ("bit", kind & 0x19 != 0),
            ("form", kind & 0x02 != 0),
            ("stuff", kind & 0x04 != 0),
            ("crc", at_crc),
            ("ack", at_ack || class & 0x20 != 0),
            ("lost_arbitration", class & 2 != 0),
            ("overload", class & 8 != 0 && data[2] & 0x20 != 0),
            ("receive_overflow", class & 4 != 0 && data[1] & 1 != 0),
            ("transceiver", class & 0x10 != 0),
        ];
        let specified = named.iter().any(|(_, is)| *is);
        let other =
            class & 1 != 0 || class & 4 != 0 && data[1] & 2 != 0 || class & 0x88 != 0 && !specified;
        named.push(("other", other));
        for (name, _) in named.iter().filter(|(_, is)| *is) {
            *counts.entry(name).or_default() += 1;
        }
    }
    json!(counts)
}

/// Whether every number of `expected` stands in `actual`; percentiles within three digits,
/// means within 0.1 %, everything else exactly (fractions to the last bits of rounding).
pub fn compare(path: &str, expected: &Value, actual: &Value) -> Result<(), String> {
    let differ = || Err(format!("{path}: expected {expected}, got {actual}"));
    match (expected, actual) {
        (Value::Object(fields), _) => fields.iter().try_for_each(|(name, value)| {
            let there = actual.get(name).unwrap_or(&Value::Null);
            compare(&format!("{path}.{name}"), value, there)
        }),
        (Value::Array(e), Value::Array(a)) if e.len() == a.len() => e
            .iter()
            .zip(a)
            .enumerate()
            .try_for_each(|(index, (e, a))| compare(&format!("{path}[{index}]"), e, a)),
        (Value::Number(e), Value::Number(a)) => {
            let (e, a) = (e.as_f64().unwrap_or(f64::NAN), a.as_f64().unwrap_or(f64::NAN));
            let last = path.rsplit('.').next().unwrap_or_default();
            let tolerance = match last {
                "p50" | "p90" | "p99" | "p999" => e.abs() * 1e-3 + 0.064,
                "mean" if path.ends_with("_us.mean") => e.abs() * 1e-3,
                _ => e.abs() * 1e-12,
            };
            if (e - a).abs() <= tolerance { Ok(()) } else { differ() }
        }
        _ if expected == actual => Ok(()),
        _ => differ(),
    }
}
