//! The overview: which answer gets how much of the screen.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line as TextLine, Span};

use super::screen::Screen;
use super::theme::{heading, put};
use super::{bus, findings, node_page, nodes};
use crate::output::event_log::Grade;
use crate::output::event_log::LogLine;
use crate::words::numbers::clock;

/// From this width on there are two columns.
const TWO_COLUMNS: u16 = 170;
/// The width of the left one: that of the nodes with all there is to say of them.
const LEFT: u16 = 114;

/// Draws it.
pub fn draw(screen: &Screen, frame: &mut Frame, area: Rect) {
    if area.width >= TWO_COLUMNS {
        let left = Rect { width: LEFT, ..area };
        let right = Rect { x: area.x + LEFT + 2, width: area.width - LEFT - 2, ..area };
        let rows = usize::from(left.height);
        let wanted = screen.snapshot.nodes.len().max(1) + 1;
        let (top, rest) = split(left, wanted.min(rows.saturating_sub(12)));
        put(frame, top, &nodes::lines(screen, usize::from(top.width), usize::from(top.height) - 1));
        let (bus, rest) = split(rest, usize::from(rest.height).min(14));
        below_nodes(screen, frame, bus);
        // What is left is for the chosen node.
        if rest.height > 4 && screen.chosen.is_some() {
            put(frame, rest, &node_page::lines(screen, rest));
        }
        let found = findings::spread_out(screen, usize::from(right.width), rows * 2 / 3);
        let (top, below) = split(right, found.len() + 1);
        put(frame, top, &found);
        put(frame, below, &log(screen, usize::from(below.width), usize::from(below.height) - 1));
        return;
    }
    let rows = usize::from(area.height);
    let few = (rows / 7).max(2);
    let found = findings::wanted(screen).clamp(1, few) + 1;
    let (top, rest) = split(area, found);
    put(frame, top, &findings::short(screen, usize::from(top.width), found - 1));
    let bus_and_log = bus_rows(rest) + log_rows(rest);
    let wanted = screen.snapshot.nodes.len().max(1) + 1;
    let room = usize::from(rest.height).saturating_sub(bus_and_log);
    let (top, rest) = split(rest, wanted.min(room));
    put(frame, top, &nodes::lines(screen, usize::from(top.width), usize::from(top.height) - 1));
    let (bus, rest) = split(rest, bus_rows_for(usize::from(area.height)));
    below_nodes(screen, frame, bus);
    let below = usize::from(rest.height).saturating_sub(1);
    put(frame, rest, &log(screen, usize::from(rest.width), below));
}

/// Load and errors.
fn below_nodes(screen: &Screen, frame: &mut Frame, area: Rect) {
    let (width, rows) = (usize::from(area.width), usize::from(area.height));
    // Heading, errors and axis below the plot, and the two lines of errors.
    let plot = match rows {
        0..=4 => rows.saturating_sub(3),
        _ => rows.saturating_sub(5),
    };
    let mut lines = bus::load(screen, width, plot.min(16));
    lines.extend(bus::errors(screen, width));
    put(frame, area, &lines);
}

fn bus_rows(area: Rect) -> usize {
    bus_rows_for(usize::from(area.height))
}

fn bus_rows_for(rows: usize) -> usize {
    match rows {
        0..=13 => 3,
        14..=23 => 4,
        24..=35 => 8,
        _ => 11,
    }
}

fn log_rows(area: Rect) -> usize {
    (usize::from(area.height) / 5).max(2)
}

fn split(area: Rect, rows: usize) -> (Rect, Rect) {
    let rows = u16::try_from(rows).unwrap_or(u16::MAX).clamp(1, area.height.max(1));
    let top = Rect { height: rows, ..area };
    (top, Rect { y: area.y + rows, height: area.height - rows, ..area })
}

/// The heading and the latest lines, as many as there is room for, the newest at the bottom.
fn log(screen: &Screen, width: usize, rows: usize) -> Vec<TextLine<'static>> {
    let all = screen.log.lines();
    let count = all.len();
    let answer = if count == 0 { "nothing yet" } else { "" };
    let mut lines = vec![heading("What happened", answer, width, screen.theme)];
    lines.extend(all.skip(count.saturating_sub(rows)).map(|line| entry(screen, line)));
    lines
}

/// The page of the log, the newest at the top.
pub fn whole_log(screen: &Screen) -> Vec<TextLine<'static>> {
    let mut lines = vec![heading("What happened", "the newest first", 72, screen.theme)];
    lines.extend(screen.log.lines().rev().map(|line| entry(screen, line)));
    lines
}

fn entry(screen: &Screen, line: &LogLine) -> TextLine<'static> {
    let who = line.mac_id.map_or(String::new(), |mac| format!("node {mac} "));
    let sign = match line.grade {
        Grade::Fault => "!!",
        Grade::Warning => " !",
        _ => "  ",
    };
    TextLine::from(vec![
        Span::styled(format!("{:>10} ", clock(line.t)), screen.theme.quiet()),
        Span::styled(sign, screen.theme.tag(line.grade)),
        Span::raw(format!(" {who}{}", line.text)),
    ])
}
