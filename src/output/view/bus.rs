//! How full the bus is over time, and what was destroyed on it.

use ratatui::text::{Line as TextLine, Span};

use super::plot::{columns, over_columns, round_up};
use super::screen::Screen;
use super::theme::Theme;
use super::theme::heading;
use crate::wire::{BitTime, Nanos};
use crate::words::fit;
use crate::words::numbers::{clock, number, or_unknown, percent, short};

/// The width of the scale left of a plot.
const SCALE: usize = 7;

/// A heading with the numbers, so many rows of a plot, and where errors were.
pub fn load(screen: &Screen, width: usize, rows: usize) -> Vec<TextLine<'static>> {
    let (load, theme) = (&screen.snapshot.load, screen.theme);
    let share = |share: Option<f64>| or_unknown(share.map(|share| percent(share, 1)));
    let answer = match load.bitrate {
        None => "unknown without a bit rate; bits over time:".to_string(),
        Some(_) => format!(
            "{} now, mean {}, fullest second {}",
            share(load.last),
            share(load.mean),
            share(load.peak)
        ),
    };
    let mut lines = vec![heading("How full is the bus", &answer, width, theme)];
    if rows == 0 {
        return lines;
    }
    let places = width.saturating_sub(SCALE + 1);
    let (from, to) = window(screen, places);
    let spans = load.over_time.iter().map(|span| {
        let start = span.first as f64;
        (start, start + span.windows as f64, (span.bits, span.windows, span.error_frames))
    });
    let merge = |old: Option<(BitTime, i64, u64)>, new: (BitTime, i64, u64)| match old {
        Some(old) => (old.0 + new.0, old.1.saturating_add(new.1), old.2 + new.2),
        None => new,
    };
    let cells = over_columns(spans, (from, to), places, merge);
    let rate = load.bitrate.map(|rate| f64::from(rate.get()));
    let values: Vec<Option<f64>> = cells
        .iter()
        .map(|cell| cell.map(|(bits, n, _)| bits.0 as f64 / n.max(1) as f64 / rate.unwrap_or(1.0)))
        .collect();
    let top = round_up(values.iter().flatten().copied().fold(0.0, f64::max));
    let label = match rate {
        Some(_) => format!("{:.0} %", 100.0 * top),
        None => short(top as u64),
    };
    for (index, row) in columns(&values, top, rows, &theme).into_iter().enumerate() {
        lines.push(scaled(if index == 0 { &label } else { "" }, row, theme));
    }
    if rows > 1 {
        let marks: String = cells
            .iter()
            .map(|cell| if cell.is_some_and(|c| c.2 > 0) { theme.cross() } else { ' ' })
            .collect();
        if marks.trim().is_empty() {
            lines.push(axis(from, to, places, theme));
        } else {
            lines.push(marked("errors", marks, theme));
            lines.push(axis(from, to, places, theme));
        }
    }
    lines
}

/// The time that plots show, in seconds: the newest columns of a second each, or all of it.
pub fn window(screen: &Screen, places: usize) -> (f64, f64) {
    let to = screen.snapshot.now.as_secs().floor().max(1.0);
    let newest = to - places as f64;
    match screen.whole_time {
        true => (0.0, to),
        false => (newest, to),
    }
}

/// A row of a plot with its label.
pub fn scaled(label: &str, row: String, theme: Theme) -> TextLine<'static> {
    TextLine::from(vec![
        Span::styled(format!("{label:>SCALE$} "), theme.quiet()),
        Span::styled(row, theme.plot()),
    ])
}

/// A row of marks with its label, as strong as words.
pub fn marked(label: &str, marks: String, theme: Theme) -> TextLine<'static> {
    TextLine::from(vec![Span::styled(format!("{label:>SCALE$} "), theme.quiet()), Span::raw(marks)])
}

/// The times at both ends of a plot.
pub fn axis(from: f64, to: f64, places: usize, theme: Theme) -> TextLine<'static> {
    let at = |seconds: f64| clock(Nanos((seconds * 1e9) as i64));
    let (left, right) = (if from < 0.0 { String::new() } else { at(from) }, at(to));
    let gap = places.saturating_sub(left.len() + right.len());
    let text = format!("{:SCALE$} {left}{}{right}", "", " ".repeat(gap));
    TextLine::from(Span::styled(text, theme.quiet()))
}

/// Error frames by cause, and the adapter's controller.
pub fn errors(screen: &Screen, width: usize) -> Vec<TextLine<'static>> {
    let errors = &screen.snapshot.errors;
    let dot = screen.theme.dot();
    let mut answer = match errors.frames {
        0 => "nothing so far".to_string(),
        n => number(n, "error frame"),
    };
    let causes: Vec<String> =
        errors.causes.iter().map(|(cause, n)| format!("{cause} {}", short(*n))).collect();
    if !causes.is_empty() {
        answer += &format!(": {}", causes.join(", "));
    }
    if let Some(ago) = errors.last.and_then(|last| screen.snapshot.now.since(last)) {
        answer += &format!("{dot}last {} ago", clock(ago));
    }
    let mut lines = vec![heading("What was destroyed", &answer, width, screen.theme)];
    let mut parts = vec![match errors.controller {
        Some(state) => format!("  adapter: {state}"),
        None => "  adapter: tells no state".to_string(),
    }];
    if let Some((transmit, receive)) = errors.counters {
        parts.push(format!("counters: transmit {transmit}, receive {receive}"));
    }
    if let Some(burst) = errors.largest {
        let bursts = number(errors.bursts, "burst");
        parts.push(format!("{bursts}, the largest {} at {}", burst.frames, clock(burst.from)));
    }
    let words = ["warning", "error-passive", "bus-off", "restarted"];
    let went = words.iter().zip(errors.changes).filter(|(_, n)| *n > 0);
    parts.extend(went.map(|(word, n)| format!("{word} {n}x")));
    lines.push(TextLine::from(fit(parts, dot, width)));
    lines
}
