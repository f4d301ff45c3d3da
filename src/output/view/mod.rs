//! The live view: state in, frame out. Nothing here reads a file, a clock or a key by itself.
//!
//! It answers, from the top down, what the person asks: is it well; what is wrong; who is there
//! and how fast does each answer; how full is the bus; what was destroyed; what happened.

mod bus;
mod facts;
mod findings;
mod nodes;
mod pages;
mod screen;
mod snapshot;
mod theme;

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::text::Line as TextLine;

use theme::{heading, put};

pub use facts::{Facts, Seen};
pub use screen::{Page, Playback, Prompt, Screen, Subject, Update, Wish};
pub use snapshot::{Found, LoadNow, NodeDetail, NodeRow, OPEN_FOR, Snapshot, Way};
pub use theme::Theme;

/// The smallest terminal that the view is laid out for: columns and rows.
pub const SMALLEST: (u16, u16) = (60, 12);

/// Draws everything.
pub fn draw(screen: &Screen, frame: &mut Frame) {
    let area = frame.area();
    if (area.width, area.height) < SMALLEST || area.height < SMALLEST.1 {
        let text = format!("Too small: {} x {} characters at least.", SMALLEST.0, SMALLEST.1);
        frame.render_widget(TextLine::from(text), area);
        return;
    }
    let [top, body, bottom] = [
        Rect { height: 2, ..area },
        Rect { y: area.y + 2, height: area.height - 3, ..area },
        Rect { y: area.bottom() - 1, height: 1, ..area },
    ];
    put(frame, top, &findings::lines(screen, usize::from(top.width)));
    match screen.page {
        Page::Overview => pages::draw(screen, frame, body),
        Page::Node => scrolled(screen, frame, body, nodes::page_lines(screen, body)),
        Page::Findings => scrolled(screen, frame, body, findings::in_full(screen, body.width)),
        Page::Log => scrolled(screen, frame, body, pages::whole_log(screen)),
        Page::Newcomers => scrolled(screen, frame, body, pages::newcomers(screen, body.width)),
        Page::Help => scrolled(screen, frame, body, pages::lines(screen, body.width)),
    }
    put(frame, bottom, &[pages::bottom(screen, usize::from(bottom.width))]);
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fieldbus::MacId;
    use crate::wire::Header;

    pub(super) fn subject() -> Subject {
        let header = Header::starting("2026-03-02T06:30:00Z".parse().unwrap());
        Subject { name: "line3.jsonl".into(), header, live: false, zone: jiff::tz::TimeZone::UTC }
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
            owns: 0,
            facts: Facts::default(),
        }
    }
}
