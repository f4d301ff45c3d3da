//! The summary as a page of text for people: verdict, findings, nodes, load, errors.

use std::fmt::{self, Write};

use jiff::tz::TimeZone;

use crate::fieldbus::MacId;
use crate::health::summary::{
    ErrorSummary, ExchangeCounts, FindingSummary, LoadSummary, NodeSummary, SourceInfo,
    SpanStatistics, Summary,
};
use crate::health::{Code, Explanation, roots};
use crate::words::numbers::{duration, millis, number, or_unknown, percent, sizes, without_io};
use crate::words::wall_clock::WallClock;
use crate::words::{called, paragraph, printable};

/// The page.
///
/// `zone` is where times of day are told; `verbose` adds the codes and statistics behind the words.
pub fn page(summary: &Summary, zone: &TimeZone, verbose: bool) -> String {
    let mut out = String::new();
    // Writing to a string cannot fail.
    let clock = WallClock::new(summary.source.started, zone.clone());
    let _ = write_page(&mut out, summary, &clock, verbose);
    out
}

fn write_page(
    out: &mut String,
    summary: &Summary,
    clock: &WallClock,
    verbose: bool,
) -> fmt::Result {
    verdict(out, summary, clock)?;
    findings(out, summary, clock)?;
    nodes(out, &summary.nodes)?;
    load(out, &summary.load, &summary.source)?;
    errors(out, &summary.errors, verbose)?;
    if !summary.findings.is_empty() {
        writeln!(out)?;
        for caution in &summary.cautions {
            write_paragraph(out, "", caution)?;
        }
    }
    Ok(())
}

fn verdict(out: &mut String, summary: &Summary, clock: &WallClock) -> fmt::Result {
    let verdict = &summary.verdict;
    let counts =
        [(verdict.faults, "fault"), (verdict.warnings, "warning"), (verdict.notes, "note")];
    let counts: Vec<String> =
        counts.iter().filter(|(n, _)| *n > 0).map(|&(n, what)| number(n as u64, what)).collect();
    let counts = if counts.is_empty() { "nothing found".to_string() } else { counts.join(", ") };
    let follow = summary.findings.iter().filter(|f| f.explained_by.is_some()).count();
    let follow = of_which_follow(follow);
    writeln!(out, "{}: {counts}{follow}", verdict.state)?;
    if let Some(cause) = &summary.probable_cause {
        let place = cause.mac_id.map_or(String::new(), |mac_id| {
            format!(", address {}", called(mac_id, summary.name(mac_id)))
        });
        let or_else = match &cause.or_else[..] {
            [] => String::new(),
            others => format!("; or {}", others.join(", or ")),
        };
        let cause = format!("{}{place}{or_else}", cause.code.name());
        write_paragraph(out, "most probable cause: ", &cause)?;
    }
    let source = &summary.source;
    let rate = source.bitrate;
    writeln!(
        out,
        "{}, from {}, {}, {}{}",
        printable(&source.name),
        clock.start(),
        duration(source.duration_s),
        rate.map_or("bit rate unknown".to_string(), |rate| rate.to_string()),
        if source.complete { "" } else { ", cut off" }
    )?;
    let mut line = format!(
        "{}, {}",
        number(source.frames, "good frame"),
        number(source.error_frames, "error frame")
    );
    for (count, what) in [
        (source.lost_frames, "frame lost"),
        (source.link_downs, "link down"),
        (source.clock_steps, "clock step"),
        (source.unreadable_lines, "unreadable line"),
    ] {
        if count > 0 {
            line += &match what {
                "frame lost" => format!(", {} lost", number(count, "frame")),
                what => format!(", {}", number(count, what)),
            };
        }
    }
    writeln!(out, "{line}")
}

/// How many of the findings follow from others, after their number.
pub(super) fn of_which_follow(count: usize) -> String {
    match count {
        0 => String::new(),
        1 => ", of which 1 follows from another".to_string(),
        n => format!(", of which {n} follow from others"),
    }
}

/// The findings that follow from another, by code and node, in words; `None` without any. Each of
/// `findings` with its explanation; `root` is the index of the other.
pub(super) fn consequences(
    findings: &[(Code, Option<MacId>, Option<&Explanation>)],
    root: usize,
) -> Option<String> {
    let roots = roots(findings);
    let followers = || (0..findings.len()).filter(|&index| index != root && roots[index] == root);
    let mut parts: Vec<(Code, Vec<String>)> = Vec::new();
    for index in followers() {
        let (code, mac_id, _) = findings[index];
        let node = mac_id.map(|mac_id| mac_id.to_string());
        match parts.iter_mut().find(|(known, _)| *known == code) {
            Some((_, nodes)) => nodes.extend(node),
            None => parts.push((code, node.into_iter().collect())),
        }
    }
    let part = |(code, nodes): &(Code, Vec<String>)| {
        let what = code.name().replace('-', " ");
        if nodes.is_empty() { what } else { format!("{what} at {}", nodes.join(", ")) }
    };
    let what: Vec<String> = parts.iter().map(part).collect();
    let mut reasons: Vec<&str> = Vec::new();
    for index in followers() {
        let reason = findings[index].2.map(|explanation| explanation.reason.as_str());
        reasons.extend(reason.filter(|reason| !reasons.contains(reason)));
    }
    let count = followers().count() as u64;
    (count > 0).then(|| {
        format!("{}: {} ({})", number(count, "other"), what.join("; "), reasons.join("; "))
    })
}

/// The findings of a summary, as [`consequences`] takes them.
pub(super) fn explained(
    findings: &[FindingSummary],
) -> Vec<(Code, Option<MacId>, Option<&Explanation>)> {
    findings.iter().map(|f| (f.code, f.mac_id, f.explained_by.as_ref())).collect()
}

fn findings(out: &mut String, summary: &Summary, clock: &WallClock) -> fmt::Result {
    let explained = explained(&summary.findings);
    let causes = summary.findings.iter().enumerate().filter(|(_, f)| f.explained_by.is_none());
    for (index, finding) in causes {
        let place = finding.mac_id.map_or(String::new(), |mac_id| {
            format!(", address {}", called(mac_id, summary.name(mac_id)))
        });
        writeln!(out, "\n{}: {}{place}", finding.severity, finding.code.name())?;
        let when = clock.span(finding.first_s, finding.last_s);
        let when = when.map_or(String::new(), |when| format!(" ({when})"));
        write_paragraph(out, "  seen   ", &format!("{}{when}", finding.text))?;
        write_paragraph(out, "  means  ", &finding.means)?;
        for (index, other) in finding.or_else.iter().enumerate() {
            write_paragraph(out, if index == 0 { "  or     - " } else { "         - " }, other)?;
        }
        for (index, check) in finding.check.iter().enumerate() {
            write_paragraph(out, if index == 0 { "  check  - " } else { "         - " }, check)?;
        }
        if let Some(others) = consequences(&explained, index) {
            write_paragraph(out, "  so     ", &format!("it explains {others}"))?;
        }
    }
    Ok(())
}

fn nodes(out: &mut String, nodes: &[NodeSummary]) -> fmt::Result {
    writeln!(out, "\nNodes: {}", nodes.len())?;
    if nodes.is_empty() {
        return Ok(());
    }
    writeln!(
        out,
        "{:>4}  {:<18} {:>9} {:>8} {:>7}  {:>21}  {:>9}  {:>7}",
        "addr",
        "vendor / serial",
        "commands",
        "answers",
        "missed",
        "answer ms  mid/99 %/max",
        "every ms",
        "bytes"
    )?;
    for node in nodes {
        let identity = match &node.identity {
            Some(id) => format!("{} / {}", or_unknown(id.vendor_id), or_unknown(id.serial)),
            None => "unknown".to_string(),
        };
        let mut rows: Vec<(String, &ExchangeCounts, String)> = Vec::new();
        if node.poll.exchange.commands + node.poll.exchange.unsolicited > 0 {
            let bytes =
                format!("{}/{}", sizes(&node.poll.command_bytes), sizes(&node.poll.response_bytes));
            rows.push((identity.clone(), &node.poll.exchange, bytes));
        }
        for (name, exchange) in [
            ("strobe", &node.strobe),
            ("multicast poll", &node.multicast_poll),
            ("change of state", &node.change_of_state),
        ] {
            if let Some(exchange) = exchange {
                let label = if rows.is_empty() {
                    format!("{identity} {name}")
                } else {
                    format!("  {name}")
                };
                rows.push((label, exchange, String::new()));
            }
        }
        for (index, (label, exchange, bytes)) in rows.iter().enumerate() {
            let addr = if index == 0 { node.mac_id.to_string() } else { String::new() };
            let line = format!(
                "{addr:>4}  {label:<18} {:>9} {:>8} {:>7}  {:>21}  {:>9}  {bytes:>7}",
                exchange.commands,
                exchange.responses,
                exchange.missed,
                three(&exchange.latency_us),
                millis(exchange.interval_us.p50),
            );
            writeln!(out, "{}", line.trim_end())?;
        }
        if rows.is_empty() {
            writeln!(
                out,
                "{:>4}  {identity:<18} {}; {}",
                node.mac_id,
                without_io(&node.owns, node.scan_interval_us, node.requests_sent),
                number(node.frames_sent, "frame")
            )?;
        }
        notes(out, node)?;
    }
    Ok(())
}

/// What a node is called, and what is out of the ordinary with it, on a line of its own.
fn notes(out: &mut String, node: &NodeSummary) -> fmt::Result {
    let poll = &node.poll.exchange;
    let notes: Vec<String> = [
        (poll.unsolicited, "unsolicited"),
        (poll.uncertain, "uncertain"),
        (node.restarts, "restarts"),
        (node.absences, "absences"),
        (node.replacements, "replaced"),
        (node.address_checks_malformed, "malformed address checks"),
    ]
    .iter()
    .filter(|(count, _)| *count > 0)
    .map(|(count, what)| format!("{what} {count}"))
    .collect();
    let name = node.name.as_deref().map(printable);
    let notes = (!notes.is_empty()).then(|| notes.join(", "));
    let parts: Vec<String> = name.into_iter().chain(notes).collect();
    if parts.is_empty() {
        return Ok(());
    }
    writeln!(out, "      {}", parts.join("; "))
}

fn load(out: &mut String, load: &LoadSummary, source: &SourceInfo) -> fmt::Result {
    match (load.mean, load.peak) {
        (Some(mean), peak) => {
            let peak = peak.map_or("no whole second".to_string(), |p| {
                format!("fullest second {}", percent(p, 2))
            });
            writeln!(out, "\nLoad: mean {}, {peak}; good frames, exact bits", percent(mean, 2))?;
        }
        _ => writeln!(out, "\nLoad: unknown without a bit rate")?,
    }
    writeln!(
        out,
        "  {} bits in {}; errors took some {} more (estimated)",
        load.wire_bits,
        duration(source.duration_s),
        load.errors_estimated.map_or("?".to_string(), |share| percent(share, 2))
    )?;
    let bars: Vec<(f64, f64, f64, u64)> = load
        .over_time
        .iter()
        .filter_map(|s| Some((s.from_s, s.span_s, s.mean?, s.error_frames)))
        .collect();
    for (from, span, mean, errors) in thin(&bars) {
        let bar = "#".repeat((mean.clamp(0.0, 1.0) * 50.0).round() as usize);
        let errors =
            if errors > 0 { format!("  {}", number(errors, "error")) } else { String::new() };
        let line = format!("  {from:>9.0} s +{span:<6.0} {:>8} {bar}{errors}", percent(mean, 2));
        writeln!(out, "{}", line.trim_end())?;
    }
    Ok(())
}

/// At most twelve rows: neighbours are put together.
fn thin(rows: &[(f64, f64, f64, u64)]) -> Vec<(f64, f64, f64, u64)> {
    const ROWS: usize = 12;
    rows.chunks(rows.len().div_ceil(ROWS).max(1))
        .map(|chunk| {
            let (from, last) = (chunk[0].0, chunk[chunk.len() - 1]);
            let span = last.0 + last.1 - from;
            let busy: f64 = chunk.iter().map(|row| row.1 * row.2).sum();
            (from, span, busy / span, chunk.iter().map(|row| row.3).sum())
        })
        .collect()
}

fn errors(out: &mut String, errors: &ErrorSummary, verbose: bool) -> fmt::Result {
    writeln!(out, "\nErrors: {}", number(errors.frames, "error frame"))?;
    let kinds: Vec<String> = errors.kinds.iter().map(|k| k.kind.counted(k.errors)).collect();
    if !kinds.is_empty() {
        writeln!(out, "  {}", kinds.join(", "))?;
    }
    if verbose {
        let causes: Vec<String> =
            errors.causes.named().map(|(cause, count)| format!("{cause} {count}")).collect();
        if !causes.is_empty() {
            writeln!(out, "  by cause: {}", causes.join(", "))?;
        }
        if let Some(trend) = &errors.trend {
            writeln!(
                out,
                "  Laplace's trend test {:.2}, p {:.1e}; {} with a dispersion of {:.2}",
                trend.statistic,
                trend.p,
                number(trend.disturbances, "disturbance"),
                trend.dispersion
            )?;
        }
    }
    if let Some(burst) = &errors.largest_burst {
        writeln!(
            out,
            "  bursts: {}, the largest {} from {:.3} s to {:.3} s",
            errors.bursts,
            number(burst.frames, "error"),
            burst.from_s,
            burst.to_s
        )?;
    }
    let (transmit, receive) = (errors.counters.transmit, errors.counters.receive);
    if errors.controller_state.is_some() || transmit.is_some() {
        writeln!(
            out,
            "  adapter's controller: {}; counters transmit {}, receive {}",
            errors.controller_state.map_or("state unknown".to_string(), |state| state.to_string()),
            or_unknown(transmit),
            or_unknown(receive)
        )?;
        writeln!(
            out,
            "  went to warning {}, error-passive {}, bus-off {}; restarted {}",
            errors.warnings, errors.passives, errors.bus_offs, errors.restarts
        )?;
    }
    Ok(())
}

/// Appends a paragraph of the page.
pub(super) fn write_paragraph(out: &mut String, lead: &str, text: &str) -> fmt::Result {
    out.write_str(&paragraph(lead, text))
}

fn three(spans: &SpanStatistics) -> String {
    match spans.count {
        0 => "-".to_string(),
        _ => [spans.p50, spans.p99, spans.max].map(millis).join(" / "),
    }
}
