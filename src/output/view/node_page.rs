//! One node in full: how it is, how it answers over time, what is wrong with it.

use ratatui::layout::Rect;
use ratatui::text::{Line as TextLine, Span};

use super::findings::{about, paragraph};
use super::plot::{columns, counts, over_columns, round_up};
use super::screen::Screen;
use super::snapshot::{NodeDetail, NodeRow, Way};
use super::theme::heading;
use super::{bus, nodes};
use crate::wire::Nanos;
use crate::words::numbers::{clock, number, short, short_millis};

/// Rows of a plot.
const ROWS: usize = 5;

/// The page.
pub fn lines(screen: &Screen, area: Rect) -> Vec<TextLine<'static>> {
    let width = usize::from(area.width);
    let Some(row) = screen.chosen.and_then(|mac_id| screen.snapshot.node(mac_id)) else {
        return vec![TextLine::from("Nothing is known of this node yet.")];
    };
    let (grade, words) = nodes::state_in_words(screen, row);
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
        let text = format!("{} (command/answer)", nodes::bytes(row));
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
    let trail = &detail.over_time;
    if trail.windows().is_empty() {
        return Vec::new();
    }
    let theme = screen.theme;
    let places = width.saturating_sub(8);
    let (from, to) = bus::window(screen, places);
    let window = trail.window().as_secs();
    let points = trail.windows().iter().map(|point| {
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
