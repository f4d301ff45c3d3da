//! A comparison and a trend as text for people: what matters first.

use std::collections::BTreeSet;
use std::fmt::{self, Write};

use super::text::write_paragraph;
use crate::fieldbus::MacId;
use crate::health::compare::{
    Acceptance, AcceptanceResult, ComparedValue, ComparedVisit, Comparison, ComparisonLine,
    Judgement, Quantity, Trend,
};
use crate::words::numbers::{duration, number};
use crate::words::{called, printable};

/// The page of a comparison: what is not as it was; with `all` also each line that is.
pub fn comparison_page(comparison: &Comparison, all: bool) -> String {
    let mut out = String::new();
    // Writing to a string cannot fail.
    let _ = write_page(&mut out, comparison, all);
    out
}

fn write_page(out: &mut String, comparison: &Comparison, all: bool) -> fmt::Result {
    if let Some(accepted) = comparison.accepted {
        let word = if accepted { "ACCEPTED" } else { "NOT ACCEPTED" };
        let expected = comparison.newcomers.iter().filter(|newcomer| newcomer.expected);
        let who: Vec<String> = expected.map(|n| called(n.mac_id, n.name.as_deref())).collect();
        writeln!(out, "{word}: {}", who.join(", "))?;
    }
    writeln!(out, "{}: {}", verdict(comparison.judgement).to_uppercase(), counts(comparison))?;
    side(out, "then", &comparison.then)?;
    side(out, "now", &comparison.now)?;
    for newcomer in &comparison.newcomers {
        write_acceptance(out, newcomer)?;
    }
    let is_shown = |judgement| judgement != Judgement::Same || all;
    for (judgement, heading) in IN_ORDER.into_iter().filter(|(j, _)| is_shown(*j)) {
        let mut lines =
            comparison.lines.iter().filter(|line| line.judgement == judgement).peekable();
        if lines.peek().is_some() {
            writeln!(out, "\n{:<42} {:>15} {:>15} {:>15}", heading, "then", "now", "difference")?;
        }
        for line in lines {
            write_line(out, line)?;
        }
    }
    let same = comparison.lines.iter().filter(|line| line.judgement == Judgement::Same);
    let nodes: BTreeSet<MacId> = same.clone().filter_map(|line| line.mac_id).collect();
    if !all && same.clone().next().is_some() {
        let (lines, nodes) = (same.count() as u64, nodes.len() as u64);
        let what =
            format!("{} about the trunk and {}", number(lines, "line"), number(nodes, "node"));
        writeln!(out, "\nThe same: {what}; --all lists them.")?;
    }
    let fails = |newcomer: &Acceptance| newcomer.result == AcceptanceResult::Fail;
    if comparison.judgement == Judgement::Worse || comparison.newcomers.iter().any(fails) {
        writeln!(out)?;
        for caution in &comparison.cautions {
            write_paragraph(out, "", caution)?;
        }
    }
    Ok(())
}

/// A newcomer, point by point.
fn write_acceptance(out: &mut String, newcomer: &Acceptance) -> fmt::Result {
    let who = called(newcomer.mac_id, newcomer.name.as_deref());
    writeln!(out, "\n{}: {who}", newcomer_verdict(newcomer))?;
    for point in &newcomer.points {
        let (result, title) = (point.result.word(), point.point.title());
        let text = match point.result {
            AcceptanceResult::Pass => point.measured.clone(),
            _ => format!("{} (wanted: {})", point.measured, point.limit),
        };
        write_paragraph(out, &format!("  {result:<9} {title:<12} "), &printable(&text))?;
    }
    Ok(())
}

/// How a newcomer comes out, in words.
pub(super) fn newcomer_verdict(newcomer: &Acceptance) -> &'static str {
    match newcomer.result {
        AcceptanceResult::Pass => "New, and passes each point",
        AcceptanceResult::Fail => "New, and fails",
        AcceptanceResult::NotSeen => "New, and not all seen yet: listen longer",
    }
}

/// The judgements as headings: what matters first.
pub(super) const IN_ORDER: [(Judgement, &str); 5] = [
    (Judgement::Worse, "Worse"),
    (Judgement::CannotSay, "Cannot be judged"),
    (Judgement::Changed, "Changed"),
    (Judgement::Better, "Better"),
    (Judgement::Same, "The same"),
];

/// The judgement over all lines, in words.
pub(super) fn verdict(judgement: Judgement) -> &'static str {
    match judgement {
        Judgement::Worse => "Worse than the baseline",
        Judgement::CannotSay => "Cannot be judged",
        Judgement::Changed => "Changed, nothing worse",
        Judgement::Better => "Better than the baseline",
        Judgement::Same => "As the baseline",
    }
}

/// How many lines have each judgement, in words.
pub(super) fn counts(comparison: &Comparison) -> String {
    let tally = comparison.lines_by_judgement;
    let counts: Vec<String> = [
        (tally.worse, "worse"),
        (tally.cannot_say, "cannot be judged"),
        (tally.changed, "changed"),
        (tally.better, "better"),
        (tally.same, "the same"),
    ]
    .iter()
    .filter(|(count, _)| *count > 0)
    .map(|(count, what)| format!("{count} {what}"))
    .collect();
    if counts.is_empty() { "nothing to compare".to_string() } else { counts.join(", ") }
}

fn side(out: &mut String, when: &str, side: &ComparedVisit) -> fmt::Result {
    writeln!(
        out,
        "{when:<5} {}, from {}, {}{}",
        printable(&side.name),
        side.started,
        duration(side.duration_s),
        if side.complete { "" } else { ", cut off" }
    )
}

/// The words and figures of a line, for every page that shows it.
pub(super) struct LineText {
    /// The address, or the trunk.
    pub(super) place: String,
    /// What the node is called.
    pub(super) name: Option<String>,
    /// What is compared.
    pub(super) quantity: String,
    /// At the baseline.
    pub(super) then: String,
    /// Now.
    pub(super) now: String,
    /// The difference of numbers; else empty.
    pub(super) difference: String,
    /// The reason, and how far chance goes; may be empty.
    pub(super) why: String,
}

impl LineText {
    pub(super) fn new(line: &ComparisonLine) -> LineText {
        let value = |value: &Option<ComparedValue>| match value {
            None => "-".to_string(),
            Some(ComparedValue::Number(number)) => in_unit(line.quantity, *number),
            Some(ComparedValue::Bytes(sizes)) => {
                sizes.iter().map(u16::to_string).collect::<Vec<_>>().join(",")
            }
            Some(ComparedValue::Text(text)) => printable(text),
        };
        LineText {
            place: line.mac_id.map_or("trunk".to_string(), |mac_id| format!("address {mac_id}")),
            name: line.name.as_deref().map(printable),
            quantity: match (line.finding, line.exchange) {
                (Some(code), _) => format!("finding {}", code.name()),
                (None, Some(exchange)) => format!("{exchange} {}", name(line.quantity)),
                (None, None) => name(line.quantity).to_string(),
            },
            then: value(&line.then),
            now: value(&line.now),
            difference: line.difference.map_or(String::new(), |by| signed(line.quantity, by)),
            why: reasons(line),
        }
    }
}

fn write_line(out: &mut String, line: &ComparisonLine) -> fmt::Result {
    let LineText { place, name, quantity, then, now, difference, why } = LineText::new(line);
    let why: Vec<String> = name.into_iter().chain((!why.is_empty()).then_some(why)).collect();
    let why = why.join(": ");
    let place_and_quantity = format!("  {place:<11} {quantity}");
    let is_text = matches!(line.then, Some(ComparedValue::Text(_)));
    if is_text && then == now {
        write_paragraph(out, &format!("{place_and_quantity:<42} "), &then)?;
    } else if then.chars().count() > 15 || now.chars().count() > 15 {
        writeln!(out, "{place_and_quantity}")?;
        write_paragraph(out, "                then  ", &then)?;
        write_paragraph(out, "                now   ", &now)?;
    } else {
        let row = format!("{place_and_quantity:<42} {then:>15} {now:>15} {difference:>15}");
        writeln!(out, "{}", row.trim_end())?;
    }
    let explains = line.judgement != Judgement::Same || line.finding.is_some();
    if (explains || line.quantity == Quantity::Identity) && !why.is_empty() {
        write_paragraph(out, "              ", &why)?;
    }
    Ok(())
}

/// The reason in words, and how far chance goes.
fn reasons(line: &ComparisonLine) -> String {
    let mut why = line.why.clone();
    let mut add = |text: String| {
        if !why.is_empty() {
            why += "; ";
        }
        why += &text;
    };
    if let Some(explained) = line.explained {
        let share = signed(line.quantity, explained);
        add(format!("newcomers and leavers explain {share}, by the bits of their frames"));
    }
    if line.judgement != Judgement::Same {
        if let (Some(low), Some(high)) = (line.difference_low, line.difference_high) {
            add(format!(
                "difference {} to {}",
                signed(line.quantity, low),
                signed(line.quantity, high)
            ));
        }
        match line.p_value {
            Some(p) if p < 0.0001 => add("chance alone does this in under 0.01 %".to_string()),
            Some(p) if p < 0.5 => add(format!("chance alone does this in {:.2} %", 100.0 * p)),
            _ => {}
        }
    }
    why
}

fn name(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Bitrate => "bit rate",
        Quantity::LoadMean => "load, mean",
        Quantity::LoadPeak => "load, fullest second",
        Quantity::ErrorShare => "error frames",
        Quantity::FramesPerS => "frames sent",
        Quantity::Identity => "identity",
        Quantity::CommandsPerS => "commands",
        Quantity::CommandBytes => "command bytes",
        Quantity::ResponseBytes => "response bytes",
        Quantity::IntervalP50Us => "interval, median",
        Quantity::PauseUs => "longest pause",
        Quantity::MissedShare => "missed",
        Quantity::UnsolicitedShare => "not asked for",
        Quantity::LatencyP50Us => "latency, median",
        Quantity::LatencyP90Us => "latency, 90 %",
        Quantity::LatencyP99Us => "latency, 99 %",
        Quantity::DriveAssemblies => "drive's assemblies",
        Quantity::DriveFaulted => "drive faulted",
        Quantity::DriveControlFromNetwork => "run and stop from network",
        Quantity::DriveReferenceFromNetwork => "speed from network",
        Quantity::Finding => "finding",
    }
}

fn in_unit(quantity: Quantity, value: f64) -> String {
    match quantity {
        Quantity::LoadMean
        | Quantity::LoadPeak
        | Quantity::ErrorShare
        | Quantity::MissedShare
        | Quantity::UnsolicitedShare => format!("{:.2} %", 100.0 * value),
        Quantity::IntervalP50Us
        | Quantity::PauseUs
        | Quantity::LatencyP50Us
        | Quantity::LatencyP90Us
        | Quantity::LatencyP99Us => format!("{:.2} ms", value / 1e3),
        Quantity::FramesPerS | Quantity::CommandsPerS => format!("{value:.1} /s"),
        Quantity::Bitrate => format!("{:.0} kbit/s", value / 1e3),
        Quantity::Finding if value == 0.0 => "yes".to_string(),
        _ => format!("{value:.0}"),
    }
}

fn signed(quantity: Quantity, by: f64) -> String {
    let text = match quantity {
        // A count of findings is not a measure of them.
        Quantity::Finding => return String::new(),
        measured => in_unit(measured, by.abs()),
    };
    if !text.bytes().any(|byte| matches!(byte, b'1'..=b'9')) {
        return "0".to_string();
    }
    format!("{}{text}", if by < 0.0 { '-' } else { '+' })
}

/// The table of a trend.
pub fn trend_page(trend: &Trend) -> String {
    let mut out = format!(
        "{:<20} {:>6} {:>8} {:>8} {:>8} {:>8} {:>14} {:<13} {}\n",
        "started", "nodes", "load", "fullest", "errors", "missed", "slowest ms", "verdict", "file"
    );
    let share =
        |share: Option<f64>| share.map_or("-".to_string(), |s| format!("{:.2} %", 100.0 * s));
    for visit in &trend.visits {
        let slowest = match (visit.latency_max_us, visit.latency_max_mac_id) {
            (Some(us), Some(mac_id)) => format!("{:.2} at {mac_id:>2}", us / 1e3),
            _ => "-".to_string(),
        };
        let started = visit.started.strftime("%FT%T").to_string();
        out += &format!(
            "{started:<20} {:>6} {:>8} {:>8} {:>8} {:>8} {slowest:>14} {:<13} {}\n",
            visit.nodes,
            share(visit.load_mean),
            share(visit.load_peak),
            share(visit.error_share),
            share(visit.missed_share),
            visit.state.to_string(),
            printable(&visit.file)
        );
    }
    out
}
