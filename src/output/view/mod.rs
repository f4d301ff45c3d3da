//! The live view: state in, frame out. Nothing here reads a file, a clock or a key by itself.
//!
//! It answers, from the top down, what the person asks: is it well; what is wrong; who is there
//! and how fast does each answer; how full is the bus; what was destroyed; what happened.

mod bus;
mod facts;
mod findings;
mod help;
mod log;
mod node_page;
mod nodes;
mod overview;
mod plot;
mod screen;
mod snapshot;
mod theme;
mod verdict;
mod words;

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::{Line as TextLine, Span};

use crate::wire::{Header, Nanos};

pub use facts::Facts;
pub use log::{Line, Log, Narrator};
pub use screen::{Page, Prompt, Screen, Update, Wish};
pub use snapshot::{Found, LoadNow, NodeDetail, NodeRow, OPEN_FOR, Seen, Snapshot, Way};
pub use theme::{Grade, Theme};
pub use words::{clock, printable};

/// What is listened to or replayed.
#[derive(Debug, Clone)]
pub struct Subject {
    /// The interface, or the capture's file name.
    pub name: String,
    /// What the source says about itself.
    pub header: Header,
    /// Live, or a replay.
    pub live: bool,
}

/// How a replay stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Playback {
    /// It stands still.
    pub paused: bool,
    /// So many seconds of the trunk in one.
    pub speed: f64,
    /// It is on its way to a time or to the next event.
    pub seeking: bool,
    /// The capture's last record was taken.
    pub ended: bool,
    /// Where the replay is, between records too.
    pub at: Nanos,
    /// The time of the capture's last record, once it was reached.
    pub end: Option<Nanos>,
}

/// The smallest terminal that the view is laid out for: columns and rows.
pub const SMALLEST: (u16, u16) = (60, 12);

/// Draws everything.
pub fn draw(screen: &Screen, frame: &mut Frame) {
    let area = frame.area();
    if (area.width, area.height) < SMALLEST || area.height < SMALLEST.1 {
        let text = format!("At least {} x {} characters, please.", SMALLEST.0, SMALLEST.1);
        frame.render_widget(TextLine::from(text), area);
        return;
    }
    let [top, body, bottom] = [
        Rect { height: 2, ..area },
        Rect { y: area.y + 2, height: area.height - 3, ..area },
        Rect { y: area.bottom() - 1, height: 1, ..area },
    ];
    put(frame, top, &verdict::lines(screen, usize::from(top.width)));
    match screen.page {
        Page::Overview => overview::draw(screen, frame, body),
        Page::Node => scrolled(screen, frame, body, node_page::lines(screen, body)),
        Page::Findings => scrolled(screen, frame, body, findings::in_full(screen, body.width)),
        Page::Log => scrolled(screen, frame, body, overview::whole_log(screen)),
        Page::Help => scrolled(screen, frame, body, help::lines(screen, body.width)),
    }
    put(frame, bottom, &[help::bottom(screen, usize::from(bottom.width))]);
}

/// Puts lines into an area, the first at its top; what does not fit is cut off.
fn put(frame: &mut Frame, area: Rect, lines: &[TextLine]) {
    let rows = area.rows();
    for (line, row) in lines.iter().zip(rows) {
        frame.render_widget(line, row);
    }
}

/// A page that may be longer than the screen.
fn scrolled(screen: &Screen, frame: &mut Frame, area: Rect, lines: Vec<TextLine>) {
    let rows = usize::from(area.height);
    let first = screen.scroll.min(lines.len().saturating_sub(rows));
    put(frame, area, &lines[first..]);
    let below = lines.len() - first;
    if below > rows {
        let text = format!(" {} more below ", below - rows + 1);
        let at = Rect { y: area.bottom() - 1, height: 1, ..area };
        put(frame, at, &[heading(&text, "", usize::from(at.width), screen.theme)]);
    }
}

/// A heading that is a question, what answers it in short, and a line to the edge.
fn heading(question: &str, answer: &str, width: usize, theme: Theme) -> TextLine<'static> {
    let mut spans = vec![Span::styled(question.to_string(), theme.heading())];
    if !answer.is_empty() {
        spans.push(Span::raw(format!("  {answer}")));
    }
    let taken = spans.iter().map(Span::width).sum::<usize>() + 2;
    let rest = width.saturating_sub(taken);
    if rest > 0 {
        spans.push(Span::styled(format!("  {}", theme.rule().repeat(rest)), theme.quiet()));
    }
    TextLine::from(spans)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fieldbus::MacId;

    pub(super) fn subject() -> Subject {
        let header = Header::starting("2026-03-02T06:30:00Z".parse().unwrap());
        Subject { name: "line3.jsonl".into(), header, live: false }
    }

    pub(super) fn row(address: u8) -> NodeRow {
        NodeRow {
            mac_id: MacId::new(address).unwrap(),
            way: Way::None,
            gone: false,
            trouble: None,
            asked: 0,
            answered: 0,
            missed: None,
            every: None,
            median: None,
            worst: None,
            bins: Vec::new(),
            bytes: [Vec::new(), Vec::new()],
            device: None,
            sent: 1,
            last: None,
            facts: Facts::default(),
        }
    }
}
