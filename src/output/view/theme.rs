//! Colours, glyphs and headings that all pages share. Colour is never the only sign: every word that is coloured also says
//! what the colour says.
//!
//! Only the terminal's own foreground, background and a few of its colours as filled blocks are
//! used, so that dark and light terminals can both be read.

use ratatui::Frame;
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier, Style};
use ratatui::text::{Line as TextLine, Span};

use crate::output::event_log::Grade;

/// What the terminal can show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Theme {
    /// Colours, or only bold, underlined and reversed.
    pub colour: bool,
    /// Lines and blocks, or plain ASCII.
    pub unicode: bool,
}

impl Theme {
    /// A word that says how something is. Black is not bold: many terminals make grey of that.
    pub fn tag(&self, grade: Grade) -> Style {
        let bold = Style::new().add_modifier(Modifier::BOLD);
        match (grade, self.colour) {
            (Grade::Plain, _) => Style::new(),
            (Grade::Well, false) => bold,
            (Grade::Well, true) => Style::new().fg(Color::Black).bg(Color::Green),
            (Grade::Warning, false) => bold.add_modifier(Modifier::UNDERLINED),
            (Grade::Warning, true) => Style::new().fg(Color::Black).bg(Color::Yellow),
            (Grade::Fault, false) => bold.add_modifier(Modifier::REVERSED),
            (Grade::Fault, true) => bold.fg(Color::White).bg(Color::Red),
        }
    }

    /// A heading.
    pub fn heading(&self) -> Style {
        Style::new().add_modifier(Modifier::BOLD)
    }

    /// What is less important.
    pub fn quiet(&self) -> Style {
        Style::new().add_modifier(Modifier::DIM)
    }

    /// The blocks of a plot: large areas, so not as strong as the words. Of the terminal's own
    /// colours none can be seen on every dark and every light background.
    pub fn plot(&self) -> Style {
        self.quiet()
    }

    /// A column of a plot, filled up to so many eighths.
    pub fn eighth(&self, eighths: usize) -> char {
        let glyphs = if self.unicode { " ▁▂▃▄▅▆▇█" } else { " ...:::##" };
        glyphs.chars().nth(eighths.min(8)).unwrap_or(' ')
    }

    /// The line that fills a heading's row.
    pub fn rule(&self) -> &'static str {
        if self.unicode { "─" } else { "-" }
    }

    /// The trunk.
    pub fn trunk(&self) -> &'static str {
        if self.unicode { "┃" } else { "|" }
    }

    /// A drop line from the trunk to a node: whole, or parted where the node is gone.
    pub fn drop(&self, whole: bool, chosen: bool) -> &'static str {
        match (self.unicode, whole, chosen) {
            (true, true, false) => "┣━━",
            (true, true, true) => "┣━▶",
            (true, false, false) => "┣╸ ",
            (true, false, true) => "┣╸▶",
            (false, true, false) => "+--",
            (false, true, true) => "+->",
            (false, false, false) => "+  ",
            (false, false, true) => "+ >",
        }
    }

    /// Where an error or a miss lies in a plot.
    pub fn cross(&self) -> char {
        if self.unicode { '×' } else { 'x' }
    }

    /// Where a drive ran in a plot.
    pub fn runs(&self) -> char {
        if self.unicode { '━' } else { '=' }
    }

    /// Between words on one line.
    pub fn dot(&self) -> &'static str {
        if self.unicode { " · " } else { " - " }
    }
}

/// Puts lines into an area, the first at its top; what does not fit is cut off.
pub(super) fn put(frame: &mut Frame, area: Rect, lines: &[TextLine]) {
    let rows = area.rows();
    for (line, row) in lines.iter().zip(rows) {
        frame.render_widget(line, row);
    }
}

/// A heading that is a question, what answers it in short, and a line to the edge.
pub(super) fn heading(
    question: &str,
    answer: &str,
    width: usize,
    theme: Theme,
) -> TextLine<'static> {
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
