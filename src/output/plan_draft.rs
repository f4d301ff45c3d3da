//! A plan of a trunk from what was heard on it: sizes, intervals, identities, names. What the wire
//! does not tell, the cabling, is left to fill in and marked.

use std::fmt::{self, Write};

use crate::fieldbus::MacId;
use crate::health::Summary;
use crate::health::summary::{DriveSummary, ExchangeCounts, NodeSummary};
use crate::trunk::Origin;
use crate::words::numbers::{duration, sizes};
use crate::words::one_line;

/// Why a summary gives no plan.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum DraftError {
    /// The load and the times need it.
    #[error("it names no bit rate, which a plan needs")]
    NoBitRate,
    /// No node was polled, strobed or sent by itself often enough to tell an interval.
    #[error("nobody was polled in it, so there is no scan interval")]
    NoScan,
}

/// The text of a plan, which [`Plan::parse`](crate::plan::Plan::parse) reads.
///
/// # Errors
/// If too little was heard.
pub fn plan_draft(summary: &Summary) -> Result<String, DraftError> {
    let bitrate = summary.source.bitrate.ok_or(DraftError::NoBitRate)?;
    let scan_ms = scan_interval_ms(summary).ok_or(DraftError::NoScan)?;
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = write_draft(&mut out, summary, bitrate.get(), scan_ms);
    Ok(out)
}

/// A text in quotes. What JSON escapes, TOML reads likewise.
fn quoted(text: &str) -> String {
    serde_json::Value::String(one_line(text)).to_string()
}

/// The median of the nodes' median intervals.
fn scan_interval_ms(summary: &Summary) -> Option<f64> {
    let polled = |node: &NodeSummary| node.poll.exchange.interval_us.p50;
    let strobed = |node: &NodeSummary| node.strobe.as_ref()?.interval_us.p50;
    let mut intervals: Vec<f64> =
        summary.nodes.iter().filter_map(|node| polled(node).or(strobed(node))).collect();
    intervals.sort_by(f64::total_cmp);
    let median = intervals.get(intervals.len() / 2)?;
    // To a tenth of a millisecond, which is finer than a scan interval is set.
    Some((median / 100.0).round() / 10.0).filter(|ms| *ms >= 0.1)
}

fn write_draft(out: &mut String, summary: &Summary, bitrate: u32, scan_ms: f64) -> fmt::Result {
    let source = &summary.source;
    writeln!(
        out,
        "# A draft from what was heard: {}, from {},",
        one_line(&source.name),
        source.started
    )?;
    writeln!(
        out,
        "# {}, {} frames. Look through it before it is held",
        duration(source.duration_s),
        source.frames
    )?;
    writeln!(out, "# against anything: what was wrong on the trunk is in it as well.\n")?;
    writeln!(out, "[trunk]\nname = {}", quoted(source.plan.as_deref().unwrap_or(&source.name)))?;
    writeln!(
        out,
        "bitrate = {bitrate}\nscan_interval_ms = {scan_ms:?}   # the median of all nodes"
    )?;
    match explicit_interval_ms(summary) {
        Some(ms) => writeln!(out, "explicit_interval_ms = {ms:?}   # requests heard, on average")?,
        None => writeln!(out, "explicit_interval_ms = 0   # no explicit request was heard")?,
    }
    writeln!(
        out,
        "\n# TO FILL IN, by tape measure: cable, supplies and where each node hangs. Without them the\n\
         # limits of cable and supply are not looked at.\n\
         # terminators_at_m = [0, 90]\n\
         # [[trunk.section]]\n# cable = \"thick\"\n# length_m = 90\n\
         # [[trunk.supply]]\n# name = \"line supply\"\n# position_m = 45\n# current_a = 8"
    )?;
    for node in &summary.nodes {
        write_node(out, summary, node)?;
    }
    Ok(())
}

fn explicit_interval_ms(summary: &Summary) -> Option<f64> {
    let requests: u64 = summary.nodes.iter().map(|node| node.explicit.requests).sum();
    let ms = summary.source.duration_s * 1e3 / requests as f64;
    (requests > 0).then(|| ms.clamp(1.0, 3_600_000.0).round())
}

fn write_node(out: &mut String, summary: &Summary, node: &NodeSummary) -> fmt::Result {
    let is_master = !node.owns.is_empty() || owns_any(summary, node.mac_id);
    writeln!(out, "\n[[node]]\nmac_id = {}", node.mac_id)?;
    if let Some(name) = &node.name {
        writeln!(out, "name = {}", quoted(name))?;
    }
    let polled = node.poll.exchange.commands > 0;
    match (&node.strobe, &node.change_of_state) {
        _ if is_master => writeln!(out, "connection = \"master\"")?,
        _ if polled => {
            writeln!(out, "connection = \"poll\"")?;
            size(out, "command_bytes", &node.poll.command_bytes)?;
            size(out, "response_bytes", &node.poll.response_bytes)?;
        }
        (Some(_), _) => {
            writeln!(out, "connection = \"strobe\"")?;
            let bytes = produced(node).unwrap_or(8).min(8);
            writeln!(out, "response_bytes = {bytes}{}", heard_or_not(produced(node)))?;
        }
        (None, Some(changes)) => {
            writeln!(out, "connection = \"change-of-state\"\ncommand_bytes = 0")?;
            let bytes = produced(node);
            writeln!(out, "response_bytes = {}{}", bytes.unwrap_or(8), heard_or_not(bytes))?;
            interval(out, node, changes)?;
            writeln!(out, "acknowledged = {}", changes.responses > 0)?;
        }
        (None, None) => writeln!(out, "connection = \"explicit\"   # no I/O of it was heard")?,
    }
    if let Some(drive) = node.drive.as_ref().filter(|_| polled && !is_master) {
        write_drive(out, drive)?;
    }
    if let Some(identity) = &node.identity {
        for (key, value) in [
            ("vendor_id", identity.vendor_id.map(u32::from)),
            ("device_type", identity.device_type.map(u32::from)),
            ("product_code", identity.product_code.map(u32::from)),
            ("major_revision", identity.major_revision.map(u32::from)),
            ("minor_revision", identity.minor_revision.map(u32::from)),
            ("serial", identity.serial),
        ] {
            if let Some(value) = value {
                writeln!(out, "{key} = {value}")?;
            }
        }
    }
    writeln!(out, "# TO FILL IN: position_m, drop_m, current_a")
}

/// Whether a node says that this one is its master.
fn owns_any(summary: &Summary, mac_id: MacId) -> bool {
    summary.nodes.iter().any(|node| node.owner.is_some_and(|owner| owner.value == mac_id))
}

/// The size that the node sends by strobe or of itself, where the wire told.
fn produced(node: &NodeSummary) -> Option<u16> {
    node.connections.iter().filter_map(|c| c.produced_bytes).map(|known| known.value).max()
}

fn heard_or_not(bytes: Option<u16>) -> &'static str {
    if bytes.is_some() { "" } else { "   # TO FILL IN: the wire did not tell; 8 is the most" }
}

/// The largest of the sizes heard.
fn size(out: &mut String, key: &str, heard: &[u16]) -> fmt::Result {
    let most = heard.iter().max().copied().unwrap_or(0);
    match heard {
        [] => writeln!(out, "{key} = 0   # TO FILL IN: none was heard"),
        [_] => writeln!(out, "{key} = {most}"),
        several => writeln!(out, "{key} = {most}   # several were heard: {}", sizes(several)),
    }
}

/// The least time between two messages: the inhibit time, where the wire told it; else the median
/// that was heard, since the shortest is that of two changes that happened to come together.
fn interval(out: &mut String, node: &NodeSummary, changes: &ExchangeCounts) -> fmt::Result {
    let inhibit = node.connections.iter().filter_map(|connection| connection.inhibit_ms).max();
    if let Some(ms) = inhibit.filter(|ms| *ms > 0) {
        return writeln!(out, "interval_ms = {ms}   # its inhibit time");
    }
    let tenths = |us: f64| (us / 100.0).round() / 10.0;
    let (median, least) =
        (changes.interval_us.p50.map(tenths), changes.interval_us.min.map(tenths));
    match (median.filter(|ms| *ms >= 0.1), least) {
        (Some(median), Some(least)) => writeln!(
            out,
            "interval_ms = {median:?}   # the median; the least heard was {least:?}. TO FILL IN: its inhibit time"
        ),
        _ => Ok(()),
    }
}

fn write_drive(out: &mut String, drive: &DriveSummary) -> fmt::Result {
    let (Some(output), Some(input)) = (drive.output_assembly, drive.input_assembly) else {
        return Ok(());
    };
    let inferred = [output.origin, input.origin].contains(&Origin::Inferred);
    let mark = if inferred { "   # inferred from the data: look them up" } else { "" };
    writeln!(out, "profile = \"ac-drive\"{mark}")?;
    writeln!(out, "output_assembly = {}\ninput_assembly = {}", output.value, input.value)
}
