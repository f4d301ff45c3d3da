//! The nodes as drops of the trunk, a row each: how each one is and how fast it answers.

use ratatui::style::Modifier;
use ratatui::text::{Line as TextLine, Span};

use super::facts::short_light;
use super::snapshot::{BINS, NodeRow, Way};
use super::{Screen, plot, verdict};
use crate::health::{Code, Severity};
use crate::output::event_log::Grade;
use crate::words::numbers::{short, short_millis};
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
    let bins = plot::counts(&bins, 1, &theme).pop().unwrap_or_default();
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
        Some(found) if found.open => (found.finding.severity.into(), verdict::phrase(found)),
        Some(found) => (Grade::Plain, format!("earlier: {}", verdict::phrase(found))),
        None => state(screen, row),
    }
}

fn way(row: &NodeRow) -> String {
    match row.way {
        Way::Poll => "poll",
        Way::Strobe => "strobe",
        Way::Change => "change",
        Way::None => "-",
    }
    .into()
}

/// Sizes of command and response.
pub fn bytes(row: &NodeRow) -> String {
    let sizes = |sizes: &[u16]| match sizes {
        [] => "-".to_string(),
        [one] => one.to_string(),
        [first, .., last] => format!("{first}..{last}"),
    };
    format!("{}/{}", sizes(&row.bytes[0]), sizes(&row.bytes[1]))
}

fn device(row: &NodeRow) -> String {
    match (&row.facts.name, &row.device) {
        (Some(name), _) => name.clone(),
        (None, Some(device)) => {
            printable(&format!("vendor {} no. {}", device.vendor_id, device.serial))
        }
        (None, None) => "not told".into(),
    }
}

/// What the module light and the network light should show.
fn lights(row: &NodeRow) -> String {
    let [module, network] = row.facts.lights.map(short_light);
    format!("{module:<4} {network}")
}
