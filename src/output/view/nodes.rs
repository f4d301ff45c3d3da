//! The nodes: a row each, and the page of one.

use ratatui::layout::Rect;
use ratatui::style::Modifier;
use ratatui::text::{Line as TextLine, Span};

use super::bus::{columns, counts, over_columns, round_up};
use super::facts::short_light;
use super::findings::{about, paragraph};
use super::screen::Screen;
use super::snapshot::{BINS, NodeDetail, NodeRow, Way};
use super::theme::heading;
use super::{bus, findings};
use crate::health::{Code, Severity};
use crate::output::event_log::Grade;
use crate::wire::Nanos;
use crate::words::numbers::{clock, number, short, short_millis, sizes};
use crate::words::printable;

/// A column beyond those that are always there, and the width from which on it is shown.
struct Extra {
    from: usize,
    head: &'static str,
    width: usize,
    right: bool,
    cell: fn(&NodeRow) -> String,
}

const EXTRAS: [Extra; 5] = [
    Extra { from: 78, head: "lights", width: 10, right: false, cell: lights },
    Extra { from: 96, head: "how", width: 6, right: false, cell: way },
    Extra { from: 104, head: "asked", width: 7, right: true, cell: |row| short(row.asked) },
    Extra { from: 112, head: "bytes", width: 8, right: true, cell: bytes },
    Extra { from: 138, head: "device", width: 24, right: false, cell: device },
];

/// From this width on, the answer times have all their bins; below, half as many.
const FINE_BINS: usize = 90;

/// The heading and so many rows, with the chosen node among them.
pub fn lines(screen: &Screen, width: usize, rows: usize) -> Vec<TextLine<'static>> {
    let theme = screen.theme;
    let nodes = &screen.snapshot.nodes;
    let mut lines = vec![head(screen, width)];
    if nodes.is_empty() {
        let text = format!("{}  nobody was heard yet", theme.trunk());
        lines.push(TextLine::from(text));
        return lines;
    }
    let chosen = nodes.iter().position(|row| Some(row.mac_id) == screen.chosen);
    let fits = nodes.len() <= rows;
    let shown = if fits { rows } else { rows.saturating_sub(1).max(1) };
    // Without a choice, those in trouble must not be below the edge.
    let first = match chosen {
        _ if fits => 0,
        Some(at) => (at + 1).saturating_sub(shown),
        None => 0,
    };
    for row in nodes.iter().skip(first).take(shown) {
        lines.push(one(screen, row, width));
    }
    if !fits {
        let (above, below) = (first, nodes.len().saturating_sub(first + shown));
        let hidden: Vec<String> = nodes
            .iter()
            .enumerate()
            .filter(|(index, row)| {
                (*index < first || *index >= first + shown) && row.trouble.is_some()
            })
            .map(|(_, row)| row.mac_id.to_string())
            .collect();
        let trouble = match hidden.len() {
            0 => String::new(),
            _ => format!("; look at {}", hidden.join(", ")),
        };
        let more = format!("{}   {above} more above, {below} below{trouble}", theme.trunk());
        lines.push(TextLine::from(more));
    }
    lines
}

fn head(screen: &Screen, width: usize) -> TextLine<'static> {
    let fine = width >= FINE_BINS;
    let scale = if fine { ".1    1     10 ms  " } else { ".1 1  10 " };
    let mut text = format!(
        "{:>9} {:>7} {:>7}  {scale:<bins$} {:>6}",
        "every ms",
        "median",
        "worst",
        "missed",
        bins = bins_width(fine)
    );
    for extra in EXTRAS.iter().filter(|extra| width >= extra.from) {
        text += &cell(extra.head, extra);
    }
    let title = Span::styled(format!("{:<18}", "Who is there"), screen.theme.heading());
    TextLine::from(vec![title, Span::styled(text, screen.theme.quiet())])
}

fn bins_width(fine: bool) -> usize {
    if fine { BINS + 1 } else { BINS / 2 }
}

fn one(screen: &Screen, row: &NodeRow, width: usize) -> TextLine<'static> {
    let theme = screen.theme;
    let chosen = screen.chosen == Some(row.mac_id);
    let (grade, word) = state(screen, row);
    let fine = width >= FINE_BINS;
    let bins: Vec<u64> = match fine {
        true => row.bins.clone(),
        false => row.bins.chunks(2).map(|pair| pair.iter().sum()).collect(),
    };
    let bins = bus::counts(&bins, 1, &theme).pop().unwrap_or_default();
    let strong = |span: Span<'static>| match chosen {
        true => span.patch_style(Modifier::BOLD),
        false => span,
    };
    let missed = row.missed.map_or("-".to_string(), short);
    let mut spans = vec![
        strong(Span::raw(format!("{} {:>2} ", theme.drop(!row.gone, chosen), row.mac_id))),
        Span::styled(format!(" {word} "), theme.tag(grade)),
        Span::raw(" ".repeat(11_usize.saturating_sub(word.chars().count() + 2))),
        strong(Span::raw(format!(
            "{:>9} {:>7} {:>7}  ",
            short_millis(row.every),
            short_millis(row.median),
            short_millis(row.worst)
        ))),
        Span::styled(format!("{bins:<width$}", width = bins_width(fine)), theme.plot()),
        strong(Span::raw(format!(" {missed:>6}"))),
    ];
    for extra in EXTRAS.iter().filter(|extra| width >= extra.from) {
        spans.push(strong(Span::raw(cell(&(extra.cell)(row), extra))));
    }
    TextLine::from(spans)
}

fn cell(text: &str, extra: &Extra) -> String {
    let text: String = text.chars().take(extra.width).collect();
    match extra.right {
        true => format!("  {text:>width$}", width = extra.width),
        false => format!("  {text:<width$}", width = extra.width),
    }
}

/// How a node is, in one word of at most nine letters.
pub fn state(screen: &Screen, row: &NodeRow) -> (Grade, String) {
    let trouble = row.trouble.and_then(|index| screen.snapshot.findings.get(index));
    let Some(found) = trouble else {
        return match row.way {
            Way::None if row.owns > 0 => (Grade::Well, "master".into()),
            Way::None => (Grade::Plain, "heard".into()),
            _ if row.answered == 0 && row.way != Way::Change => (Grade::Plain, "asked".into()),
            _ => (Grade::Well, "well".into()),
        };
    };
    let word = match (found.finding.code, found.open) {
        (Code::NodeLeft, true) => "GONE",
        (Code::NodeLeft, false) => "was gone",
        (Code::NeverAnswered, true) => "no answer",
        (Code::NeverAnswered, false) => "no answer",
        (Code::MissedPolls, true) => "misses",
        (Code::MissedPolls, false) => "missed",
        (Code::NodeRestarted, _) => "restarted",
        (Code::AddressClash, true) => "clash",
        (Code::AddressClash, false) => "had clash",
        (Code::DeviceReplaced, _) => "other dev",
        (_, true) => match found.finding.severity {
            Severity::Fault => "fault",
            Severity::Warning => "look",
            Severity::Note => "note",
        },
        (_, false) => "was not",
    };
    let grade = if found.open { Grade::from(found.finding.severity) } else { Grade::Plain };
    (grade, word.into())
}

/// The state and what it is about, for the node's page.
pub fn state_in_words(screen: &Screen, row: &NodeRow) -> (Grade, String) {
    let trouble = row.trouble.and_then(|index| screen.snapshot.findings.get(index));
    match trouble {
        Some(found) if found.open => (found.finding.severity.into(), findings::phrase(found)),
        Some(found) => (Grade::Plain, format!("earlier: {}", findings::phrase(found))),
        None => state(screen, row),
    }
}

fn way(row: &NodeRow) -> String {
    match row.way {
        Way::Poll => "poll",
        Way::Strobe => "strobe",
        Way::Multicast => "multicast",
        Way::Change => "change",
        Way::None => "-",
    }
    .into()
}

/// Sizes of command and response.
pub fn bytes(row: &NodeRow) -> String {
    format!("{}/{}", sizes(&row.bytes[0]), sizes(&row.bytes[1]))
}

fn device(row: &NodeRow) -> String {
    match (&row.facts.name, &row.device) {
        (Some(name), _) => name.clone(),
        (None, Some(device)) => {
            printable(&format!("vendor {} no. {}", device.vendor_id, device.serial))
        }
        (None, None) => "unknown".into(),
    }
}

/// What the module light and the network light should show.
fn lights(row: &NodeRow) -> String {
    let [module, network] = row.facts.lights.map(short_light);
    format!("{module:<4} {network}")
}

/// Rows of a plot.
const ROWS: usize = 5;

/// The page.
pub fn page_lines(screen: &Screen, area: Rect) -> Vec<TextLine<'static>> {
    let width = usize::from(area.width);
    let Some(row) = screen.chosen.and_then(|mac_id| screen.snapshot.node(mac_id)) else {
        return vec![TextLine::from("Nothing is known of this node yet.")];
    };
    let (grade, words) = state_in_words(screen, row);
    let mut lines = vec![TextLine::from(vec![
        Span::styled(format!("Node {}  ", row.mac_id), screen.theme.heading()),
        Span::styled(format!(" {words} "), screen.theme.tag(grade)),
    ])];
    lines.extend(facts(row, width));
    let detail = screen.snapshot.detail.as_ref().filter(|d| d.mac_id == row.mac_id);
    if let Some(detail) = detail {
        lines.extend(numbers(row, detail, width));
        lines.extend(spread(screen, row, detail, width));
        lines.extend(over_time(screen, detail, width));
        lines.extend(absences(screen, detail, width));
    }
    lines.extend(about(screen, row.mac_id, width));
    lines
}

fn facts(row: &NodeRow, width: usize) -> Vec<TextLine<'static>> {
    let lines = row.facts.lines.iter();
    lines.flat_map(|(label, text)| paragraph(&format!("  {label:<12} "), text, width)).collect()
}

fn numbers(row: &NodeRow, detail: &NodeDetail, width: usize) -> Vec<TextLine<'static>> {
    let asked = match row.way {
        Way::Poll => "by polls",
        Way::Strobe => "by strobes",
        Way::Multicast => "by multicast polls",
        Way::Change => "it sends on change or in cycles; the answers are its master's",
        Way::None => "by nobody; no I/O was seen",
    };
    let mut text = asked.to_string();
    if row.way != Way::None {
        text += &format!(
            ": {} asked, {} answered, {} missed",
            row.asked,
            row.answered,
            row.missed.map_or("none expected".into(), |n| n.to_string())
        );
        for (count, word) in [(detail.unsolicited, "unsolicited"), (detail.uncertain, "uncertain")]
        {
            if count > 0 {
                text += &format!(", {count} {word}");
            }
        }
    }
    let mut lines = paragraph("  asked        ", &text, width);
    let [least, median, p99, worst] = detail.intervals.map(short_millis);
    if row.every.is_some() {
        let text = format!("{median} ms (median); {least} least, {p99} at 99 %, {worst} most");
        lines.extend(paragraph("  every        ", &text, width));
    }
    if row.way == Way::Poll {
        let text = format!("{} (command/answer)", bytes(row));
        lines.extend(paragraph("  bytes        ", &text, width));
    }
    let when = |t: Option<Nanos>| t.map_or("never".to_string(), clock);
    let mut text = format!(
        "first {}, last {}, {}",
        when(detail.first),
        when(row.last),
        number(row.sent, "frame")
    );
    let [requests, responses] = detail.checks;
    if requests + responses > 0 {
        text += &format!("; address checks: {requests} asked, {responses} refused");
    }
    if detail.restarts > 0 {
        text += &format!("; restarted {}x", detail.restarts);
    }
    lines.extend(paragraph("  heard        ", &text, width));
    lines
}

fn spread(
    screen: &Screen,
    row: &NodeRow,
    detail: &NodeDetail,
    width: usize,
) -> Vec<TextLine<'static>> {
    if row.median.is_none() {
        return Vec::new();
    }
    let theme = screen.theme;
    let [least, median, p99, worst] = detail.answers.map(short_millis);
    let answer = format!("{median} ms (median); {least} least, {p99} at 99 %, {worst} worst");
    let mut lines = vec![heading("How fast does it answer", &answer, width, theme)];
    const WIDE: usize = 3;
    for line in counts(&row.bins, ROWS.min(3), &theme) {
        let line: String = line.chars().flat_map(|c| std::iter::repeat_n(c, WIDE)).collect();
        lines.push(bus::scaled("", line, theme));
    }
    let decade = row.bins.len() / 3 * WIDE;
    let scale = ["0.1", "1", "10"].map(|mark| format!("{mark:<decade$}")).concat();
    lines.push(bus::scaled("", format!("{scale}100 ms"), theme));
    lines
}

fn over_time(screen: &Screen, detail: &NodeDetail, width: usize) -> Vec<TextLine<'static>> {
    let windows = &detail.over_time;
    if windows.windows().is_empty() {
        return Vec::new();
    }
    let theme = screen.theme;
    let places = width.saturating_sub(8);
    let (from, to) = bus::window(screen, places);
    let window = windows.window().as_secs();
    let points = windows.windows().iter().map(|point| {
        let start = point.index as f64 * window;
        (start, start + window, (point.max, point.missed))
    });
    let merge = |old: Option<(Nanos, u64)>, new: (Nanos, u64)| match old {
        Some(old) => (old.0.max(new.0), old.1 + new.1),
        None => new,
    };
    let cells = over_columns(points, (from, to), places, merge);
    let worst: Vec<Option<f64>> =
        cells.iter().map(|cell| cell.map(|(max, _)| max.as_micros() / 1e3)).collect();
    let top = round_up(worst.iter().flatten().copied().fold(0.0, f64::max));
    let answer = "worst answer, ms";
    let mut lines = vec![heading("How did it answer over time", answer, width, theme)];
    for (index, line) in columns(&worst, top, ROWS, &theme).into_iter().enumerate() {
        let label = if index == 0 { format!("{top}") } else { String::new() };
        lines.push(bus::scaled(&label, line, theme));
    }
    let misses: String = cells
        .iter()
        .map(|cell| if cell.is_some_and(|c| c.1 > 0) { theme.cross() } else { ' ' })
        .collect();
    if !misses.trim().is_empty() {
        lines.push(bus::marked("missed", misses, theme));
    }
    lines.push(bus::axis(from, to, places, theme));
    lines
}

fn absences(screen: &Screen, detail: &NodeDetail, width: usize) -> Vec<TextLine<'static>> {
    if detail.absence_count == 0 {
        return Vec::new();
    }
    let answer = format!("{}x, the latest last", short(detail.absence_count));
    let mut lines = vec![heading("When was it gone", &answer, width, screen.theme)];
    for absence in detail.absences.iter().rev().take(8).rev() {
        let to = match absence.to {
            Some(to) => {
                let span = to.since(absence.from).map_or("?".into(), clock);
                format!("to {}, for {span}", clock(to))
            }
            None => "until now".into(),
        };
        lines.push(TextLine::from(format!("  from {} {to}", clock(absence.from))));
    }
    lines
}
