//! The pages: the overview, the log, the help.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line as TextLine, Span};

use super::findings::paragraph;
use super::screen::{Page, Playback, Prompt, Screen};
use super::theme::{heading, put};
use super::{bus, findings, nodes};
use crate::health::compare::{Acceptance, AcceptancePoint, AcceptanceResult};
use crate::output::event_log::{Grade, LogLine};
use crate::words::numbers::clock;
use crate::words::{called, fit, printable};

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
            put(frame, rest, &nodes::page_lines(screen, rest));
        }
        let mut found = newcomers_in_short(screen, usize::from(right.width));
        found.extend(findings::with_evidence(screen, usize::from(right.width), rows * 2 / 3));
        let (top, below) = split(right, found.len() + 1);
        put(frame, top, &found);
        put(frame, below, &log(screen, usize::from(below.width), usize::from(below.height) - 1));
        return;
    }
    let rows = usize::from(area.height);
    let few = (rows / 7).max(2);
    let found = screen.snapshot.findings.len().clamp(1, few) + 1;
    let (top, rest) = split(area, found);
    put(frame, top, &findings::brief(screen, usize::from(top.width), found - 1));
    let standing = newcomers_in_short(screen, usize::from(rest.width));
    let (top, rest) = match standing.len() {
        0 => (Rect { height: 0, ..rest }, rest),
        rows => split(rest, rows),
    };
    put(frame, top, &standing);
    let bus_and_log = bus_rows(usize::from(rest.height)) + log_rows(rest);
    let wanted = screen.snapshot.nodes.len().max(1) + 1;
    let room = usize::from(rest.height).saturating_sub(bus_and_log);
    let (top, rest) = split(rest, wanted.min(room));
    put(
        frame,
        top,
        &nodes::lines(screen, usize::from(top.width), usize::from(top.height).saturating_sub(1)),
    );
    let (bus, rest) = split(rest, bus_rows(usize::from(area.height)));
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

/// How the newcomers stand: for each how many points pass, and those that do not.
fn newcomers_in_short(screen: &Screen, width: usize) -> Vec<TextLine<'static>> {
    const MOST: usize = 3;
    let mut lines = Vec::new();
    for newcomer in &screen.newcomers {
        lines.push(standing(screen, newcomer, width));
        let mut open: Vec<&AcceptancePoint> = newcomer
            .points
            .iter()
            .filter(|point| point.result != AcceptanceResult::Pass && point.required)
            .collect();
        // What fails stands before what was not seen yet.
        open.sort_by_key(|point| point.result != AcceptanceResult::Fail);
        let shown = open.iter().take(MOST);
        lines.extend(shown.map(|point| {
            let mut line = point_line(screen, point);
            line.spans.push(Span::raw(fit([printable(&point.measured)], "", width)));
            line
        }));
        if open.len() > MOST {
            lines.push(TextLine::from(format!("  {} more, key a shows them", open.len() - MOST)));
        }
    }
    lines
}

fn standing(screen: &Screen, newcomer: &Acceptance, width: usize) -> TextLine<'static> {
    let who = called(newcomer.mac_id, newcomer.name.as_deref());
    let pass = newcomer.points.iter().filter(|p| p.result == AcceptanceResult::Pass).count();
    let answer = match newcomer.result {
        AcceptanceResult::Pass => "ACCEPTED: you may stop listening".to_string(),
        AcceptanceResult::Fail => "NOT ACCEPTED".to_string(),
        AcceptanceResult::NotSeen => {
            format!("{pass} of {} points pass, listen on", newcomer.points.len())
        }
    };
    heading(&format!("New: {who}"), &answer, width, screen.theme)
}

fn point_line(screen: &Screen, point: &AcceptancePoint) -> TextLine<'static> {
    let grade = match point.result {
        AcceptanceResult::Pass => Grade::Well,
        AcceptanceResult::Fail => Grade::Fault,
        AcceptanceResult::NotSeen => Grade::Plain,
    };
    let tag = Span::styled(format!(" {:<8} ", point.result.word()), screen.theme.tag(grade));
    TextLine::from(vec![Span::raw("  "), tag, Span::raw(format!(" {:<12} ", point.point.title()))])
}

/// The page of the newcomers, each with all of its points.
pub fn newcomers(screen: &Screen, width: u16) -> Vec<TextLine<'static>> {
    let width = usize::from(width);
    let mut lines = Vec::new();
    for newcomer in &screen.newcomers {
        lines.push(standing(screen, newcomer, width));
        for point in &newcomer.points {
            let text = match point.result {
                AcceptanceResult::Pass => point.measured.clone(),
                _ => format!("{} (wanted: {})", point.measured, point.limit),
            };
            let mut each = paragraph(&" ".repeat(26), &text, width);
            let first = each[0].spans[0].content.trim_start().to_string();
            each[0] = point_line(screen, point);
            each[0].spans.push(Span::raw(first));
            lines.extend(each);
        }
    }
    if lines.is_empty() {
        lines.push(heading("New", "nobody is expected", width, screen.theme));
        let how = "Newcomers are accepted here point by point with watch --baseline FILE \
                   --expect-new ADDRESS.";
        lines.extend(paragraph("  ", how, width));
    }
    lines
}

fn bus_rows(rows: usize) -> usize {
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
    let rows = u16::try_from(rows).unwrap_or(u16::MAX).max(1).min(area.height);
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
    let wall = screen.subject.clock();
    lines.extend(screen.log.lines().rev().map(|line| {
        let mut entry = entry(screen, line);
        let time = format!(" {} ", wall.time(line.t.as_secs()));
        entry.spans.insert(0, Span::styled(time, screen.theme.quiet()));
        entry
    }));
    lines
}

fn entry(screen: &Screen, line: &LogLine) -> TextLine<'static> {
    let name = line.mac_id.and_then(|mac_id| screen.snapshot.name(mac_id));
    let sign = match line.grade {
        Grade::Fault => "!!",
        Grade::Warning => " !",
        _ => "  ",
    };
    TextLine::from(vec![
        Span::styled(format!("{:>10} ", clock(line.t)), screen.theme.quiet()),
        Span::styled(sign, screen.theme.tag(line.grade)),
        Span::raw(format!(" {}", line.words(name))),
    ])
}

const KEYS: [(&str, &str); 9] = [
    ("up, down", "choose a node; on other pages, scroll (also j and k, page up and page down)"),
    ("Enter", "the chosen node's page; again, or Esc: back"),
    ("f", "the findings in full, with what each means and what to check"),
    ("l", "the log alone"),
    ("a", "the acceptance of newcomers, point by point"),
    ("t", "plots over the whole time, or the newest seconds"),
    ("m", "mark this moment with a note; it goes into the capture (live only)"),
    ("?", "this help"),
    ("q", "end; so does Ctrl-C"),
];

const REPLAY_KEYS: [(&str, &str); 5] = [
    ("space", "pause, or go on"),
    ("n", "on to the next event, and pause there"),
    ("+ and -", "faster, slower"),
    ("g", "go to a time: seconds, m:ss or h:mm:ss; Home and End: to either end"),
    ("left, right", "10 s back, 10 s on"),
];

const SIGNS: [(&str, &str); 7] = [
    (
        "verdict",
        "over what is open: what goes on, or happened within the last 10 s. What is over stays in \
         the list in brackets. The summary at the end judges the whole time.",
    ),
    (
        "node",
        "well; master: it owns nodes and polls them; heard: it sends, but nobody asks it; asked: no answer yet; otherwise what is wrong. \
         A gap in its line: the node is gone.",
    ),
    (
        "every",
        "median time from one poll, or strobe, to the next; median and worst: from the command to \
         its answer, frame end to frame end, in milliseconds",
    ),
    (
        "spread",
        "how often each answer time occurred, from 0.1 to 100 ms; heights go by the logarithm, so \
         that a single late answer among thousands is seen",
    ),
    ("missed", "commands that the next command found still unanswered; - where none are expected"),
    (
        "lights",
        "what module and network light should show by the traffic, to compare with the device: \
         off, grn, red, r/g; ~ flashes; ? unknown",
    ),
    ("load", "exact bits of good frames as a share of what the bit rate allows"),
];

/// The page.
pub fn lines(screen: &Screen, width: u16) -> Vec<TextLine<'static>> {
    let width = usize::from(width);
    let mut lines = vec![heading("Which key does what", "", width, screen.theme)];
    let mut table = |rows: &[(&str, &str)]| {
        for (key, does) in rows {
            lines.extend(paragraph(&format!("  {key:<12} "), does, width));
        }
    };
    if !screen.subject.live {
        table(&REPLAY_KEYS);
    }
    table(&KEYS);
    lines.push(heading("What the signs mean", "", width, screen.theme));
    for (sign, means) in SIGNS {
        lines.extend(paragraph(&format!("  {sign:<12} "), means, width));
    }
    lines.push(TextLine::default());
    lines.extend(paragraph(
        "  ",
        "dropline listens only; it never sends a frame. It is not a safety device.",
        width,
    ));
    lines
}

/// The bottom line: what is being typed, what the program has to say, or the likeliest keys.
pub fn bottom(screen: &Screen, width: usize) -> TextLine<'static> {
    if let Some(prompt) = &screen.prompt {
        let (asks, text) = match prompt {
            Prompt::Mark(text) => ("Note for this moment: ", text),
            Prompt::GoTo(text) => ("Go to time (s, m:ss or h:mm:ss): ", text),
        };
        let typed = printable(text);
        let room = width.saturating_sub(asks.len() + 1);
        let hidden = typed.chars().count().saturating_sub(room);
        let tail: String = typed.chars().skip(hidden).collect();
        return TextLine::from(vec![
            Span::styled(asks, screen.theme.heading()),
            Span::raw(tail),
            Span::styled(if screen.theme.unicode { "▏" } else { "_" }, screen.theme.heading()),
        ]);
    }
    if let Some(notice) = &screen.notice {
        return TextLine::from(Span::styled(printable(notice), screen.theme.heading()));
    }
    let mut spans = Vec::new();
    if let Some(playback) = &screen.playback {
        spans.push(Span::styled(stands(playback), screen.theme.heading()));
        spans.push(Span::raw(screen.theme.dot()));
    }
    let keys = match (screen.page, screen.subject.live) {
        (Page::Overview, true) => "? help, q end, up/down Enter node, f findings, m mark",
        (Page::Overview, false) => "? help, q end, space pause, n next event, +/- speed, g go to",
        (_, true) => "? help, q end, Esc back, up/down scroll, Tab next node, m mark",
        (_, false) => "? help, q end, Esc back, space pause, n next event, up/down scroll",
    };
    let room = width.saturating_sub(spans.iter().map(Span::width).sum());
    let keys = fit(keys.split(", ").map(String::from), ", ", room);
    spans.push(Span::styled(keys, screen.theme.quiet()));
    TextLine::from(spans)
}

fn stands(playback: &Playback) -> String {
    let at = match playback.end {
        Some(end) => format!("{} of {}", clock(playback.at), clock(end)),
        None => clock(playback.at),
    };
    let how = match playback {
        Playback { seeking: true, .. } => "seeking".to_string(),
        Playback { ended: true, .. } => "at the end".to_string(),
        Playback { paused: true, .. } => "paused".to_string(),
        Playback { speed, .. } => format!("x{speed}"),
    };
    format!("{at} {how}")
}
