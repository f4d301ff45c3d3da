//! What the keys do and what the signs mean; and the bottom line.

use ratatui::text::{Line as TextLine, Span};

use super::findings::paragraph;
use super::screen::{Page, Prompt};
use super::screen::{Playback, Screen};
use super::theme::heading;
use crate::words::numbers::clock;
use crate::words::{fit, printable};

const KEYS: [(&str, &str); 8] = [
    ("up, down", "choose a node; on other pages, scroll (also j and k, page up and page down)"),
    ("Enter", "the chosen node's page; again, or Esc: back"),
    ("f", "the findings in full, with what each means and what to check"),
    ("l", "the log alone"),
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
        "well; heard: it sends, but nobody asks it; asked: no answer yet; otherwise what is wrong. \
         A drop line that is parted: the node is gone.",
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
        "what module and network light should show by what was said on the wire, to compare with \
         the device: off, grn, red, r/g; ~ flashes; ? not told",
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
