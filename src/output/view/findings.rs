//! What is wrong: a line each on the overview, in full on a page of its own.

use ratatui::text::{Line as TextLine, Span};

use super::screen::Screen;
use super::snapshot::Found;
use super::theme::heading;
use crate::fieldbus::MacId;
use crate::health::Severity;
use crate::output::event_log::Grade;
use crate::words::CAUTIONS;
use crate::words::numbers::clock;
use crate::words::{printable, wrap};

/// The heading and at most so many lines.
pub fn short(screen: &Screen, width: usize, rows: usize) -> Vec<TextLine<'static>> {
    let found = &screen.snapshot.findings;
    let open = found.iter().filter(|found| found.open).count();
    let answer = match (open, found.len() - open) {
        (0, 0) => "nothing".to_string(),
        (open, 0) => format!("{open} open"),
        (open, earlier) => format!("{open} open, {earlier} earlier"),
    };
    let mut lines = vec![heading("What is wrong", &answer, width, screen.theme)];
    let fits = found.len() <= rows;
    let shown = if fits { rows } else { rows.saturating_sub(1) };
    lines.extend(found.iter().take(shown).map(|found| one(screen, found, width)));
    if !fits {
        let more = found.len() - shown;
        lines.push(TextLine::from(format!("  {more} more, key f shows them all")));
    }
    lines
}

/// The heading and the findings, each with all of its evidence, as many as there is room for.
pub fn spread_out(screen: &Screen, width: usize, rows: usize) -> Vec<TextLine<'static>> {
    let mut lines = short(screen, width, 0);
    lines.truncate(1);
    for found in &screen.snapshot.findings {
        let finding = &found.finding;
        let who = finding.mac_id.map_or(String::new(), |mac| format!("node {mac}: "));
        let lead = " ".repeat(12);
        let mut each = paragraph(&lead, &format!("{who}{}", finding.evidence), width);
        each[0].spans.insert(0, Span::raw("  "));
        each[0].spans[1] = Span::raw(each[0].spans[1].content.trim_start().to_string());
        each[0].spans.insert(1, tag(screen, found));
        each[0].spans.insert(2, Span::raw(" "));
        lines.extend(each);
    }
    if lines.len() > rows + 1 {
        lines.truncate(rows);
        lines.push(TextLine::from("  more: key f shows them all"));
    }
    lines
}

/// How many lines [`short`] could use.
pub fn wanted(screen: &Screen) -> usize {
    screen.snapshot.findings.len()
}

fn one(screen: &Screen, found: &Found, width: usize) -> TextLine<'static> {
    let finding = &found.finding;
    let who = finding.mac_id.map_or(String::new(), |mac| format!("node {mac}: "));
    let when = match (found.open, finding.last) {
        (false, Some(last)) => format!(" (last at {})", clock(last)),
        _ => String::new(),
    };
    let tag = tag(screen, found);
    let room = width.saturating_sub(tag.width() + when.len() + 3);
    let text = printable(&format!("{who}{}", finding.evidence));
    let text = match text.chars().count() > room {
        true => text.chars().take(room.saturating_sub(2)).collect::<String>() + "..",
        false => text,
    };
    TextLine::from(vec![Span::raw("  "), tag, Span::raw(format!(" {text}{when}"))])
}

fn tag(screen: &Screen, found: &Found) -> Span<'static> {
    let word = match (found.open, found.finding.severity) {
        (true, Severity::Fault) => " FAULT   ",
        (true, Severity::Warning) => " WARNING ",
        (true, Severity::Note) => " note    ",
        (false, Severity::Fault) => "(fault)  ",
        (false, Severity::Warning) => "(warning)",
        (false, Severity::Note) => "(note)   ",
    };
    let grade = if found.open { found.finding.severity.into() } else { Grade::Plain };
    Span::styled(word, screen.theme.tag(grade))
}

/// The page of all findings.
pub fn in_full(screen: &Screen, width: u16) -> Vec<TextLine<'static>> {
    let width = usize::from(width);
    let mut lines = short(screen, width, 0);
    lines.truncate(1);
    if !screen.snapshot.findings.is_empty() {
        lines.extend(cautions(screen, width));
    }
    for found in &screen.snapshot.findings {
        lines.extend(whole(screen, found, width));
    }
    lines
}

/// The findings about one node, in full.
pub fn about(screen: &Screen, mac_id: MacId, width: usize) -> Vec<TextLine<'static>> {
    let about = |found: &&Found| found.finding.mac_id == Some(mac_id);
    let mut lines = Vec::new();
    for found in screen.snapshot.findings.iter().filter(about) {
        lines.extend(whole(screen, found, width));
    }
    if !lines.is_empty() {
        lines.splice(0..0, cautions(screen, width));
    }
    lines
}

fn whole(screen: &Screen, found: &Found, width: usize) -> Vec<TextLine<'static>> {
    let finding = &found.finding;
    let entry = finding.code.entry();
    let who = finding.mac_id.map_or(String::new(), |mac| format!(", node {mac}"));
    let when = match (finding.first, finding.last) {
        (Some(first), Some(last)) if first != last => {
            format!(", {} to {}", clock(first), clock(last))
        }
        (Some(first), _) => format!(", at {}", clock(first)),
        _ => String::new(),
    };
    let title = format!(" {}{who}{when}", finding.code.name());
    let mut lines = vec![
        TextLine::default(),
        TextLine::from(vec![tag(screen, found), Span::styled(title, screen.theme.heading())]),
    ];
    lines.extend(paragraph("  seen   ", &finding.evidence.to_string(), width));
    lines.extend(paragraph("  means  ", entry.means, width));
    for (index, check) in entry.check.iter().enumerate() {
        let lead = if index == 0 { "  check  - " } else { "         - " };
        lines.extend(paragraph(lead, check, width));
    }
    lines
}

fn cautions(screen: &Screen, width: usize) -> Vec<TextLine<'static>> {
    let mut lines = vec![heading("Caution", "before any check", width, screen.theme)];
    for caution in CAUTIONS {
        lines.extend(paragraph("  ", caution, width));
    }
    lines
}

/// A label and its text, wrapped.
pub fn paragraph(lead: &str, text: &str, width: usize) -> Vec<TextLine<'static>> {
    // Long lines are hard to read, however wide the screen is.
    const WIDEST: usize = 110;
    let indent = lead.chars().count();
    let wrapped = wrap(&printable(text), width.min(WIDEST).saturating_sub(indent));
    let lead_of = |index: usize| if index == 0 { lead.to_string() } else { " ".repeat(indent) };
    let lines = wrapped.iter().enumerate();
    lines.map(|(index, text)| TextLine::from(lead_of(index) + text)).collect()
}
