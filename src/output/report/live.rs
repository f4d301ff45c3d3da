//! The same sections for a page that is looked at while the trunk runs: each part for itself, so that
//! only what changed is sent on.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::contents::Report;
use super::findings::{self, word};
use super::plots::PlotError;
use super::{nodes, times};
use crate::words::numbers::{duration, number_in_print};
use crate::words::printable_char;

/// What stands beside the report's sections on a live page.
#[derive(Debug, Clone, Default)]
pub struct PageState {
    /// What is listened to, or the capture that is read.
    pub name: String,
    /// How it is going, in a few words: listening, interface down, capture read to its end.
    pub going: String,
    /// Whether a reader may set marks.
    pub marks: bool,
}

/// A part of a live page.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PagePart {
    /// Which, as an element of the page is called.
    pub id: &'static str,
    /// What is in it.
    pub html: String,
}

impl Report<'_> {
    /// The parts that are words and tables.
    pub fn text_parts(&self, state: &PageState) -> Vec<PagePart> {
        let summary = &self.finished.summary;
        let clock = self.clock();
        [
            ("name-part", html! { h1 { (state.name) } }),
            ("now", self.now(state)),
            ("verdict-part", findings::verdict(summary)),
            ("caution-part", findings::cautions(summary)),
            ("findings-part", findings::findings(summary, &clock)),
            ("nodes-part", nodes::nodes(self)),
            ("log-part", times::log(self)),
        ]
        .map(part)
        .into()
    }

    /// The parts with plots, which take longer to draw.
    ///
    /// # Errors
    /// What the drawing library says; no trunk is known to cause it.
    pub fn plot_parts(&self) -> Result<Vec<PagePart>, PlotError> {
        Ok([
            ("load-part", times::load(self)?),
            ("errors-part", times::errors(self)?),
            ("presence-part", times::presence(self)?),
            ("spreads-part", times::spreads(self)?),
        ]
        .map(part)
        .into())
    }

    /// The title of the page: the verdict stands in the tab of the browser.
    pub fn live_title(&self, state: &PageState) -> String {
        let verdict = word(self.finished.summary.verdict.state);
        shown(&format!("{verdict}: {}", state.name))
    }

    fn now(&self, state: &PageState) -> Markup {
        let source = &self.finished.summary.source;
        html! {
            p {
                strong { (state.going) } ", " (duration(source.duration_s)) " to "
                (self.clock().time(source.duration_s)) ": "
                (number_in_print(source.frames, "good frame")) ", "
                (number_in_print(source.error_frames, "error frame")) ", "
                (number_in_print(source.lost_frames, "lost frame")) "."
            }
        }
    }
}

fn part((id, markup): (&'static str, Markup)) -> PagePart {
    PagePart { id, html: shown(&markup.into_string()) }
}

/// Whatever a name holds, nothing in the page turns the direction of writing.
fn shown(text: &str) -> String {
    text.chars().map(|c| if c == '\n' { c } else { printable_char(c) }).collect()
}

/// The whole page, with all parts as they are now.
pub fn live_page(title: &str, state: &PageState, parts: &[PagePart]) -> String {
    const IN_ORDER: [&str; 10] = [
        "now",
        "verdict-part",
        "caution-part",
        "findings-part",
        "nodes-part",
        "load-part",
        "errors-part",
        "presence-part",
        "spreads-part",
        "log-part",
    ];
    let in_order = IN_ORDER.iter().filter_map(|id| parts.iter().find(|part| part.id == *id));
    let drawn = |part: &PagePart| html! { div id=(part.id) { (PreEscaped(&part.html)) } };
    let page = html! {
        (DOCTYPE)
        html lang="en-GB" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                link rel="stylesheet" href="page.css";
                script src="page.js" defer {}
                noscript { meta http-equiv="refresh" content="10"; }
            }
            body.live {
                header {
                    p.maker { "dropline" }
                    @for part in parts.iter().filter(|part| part.id == "name-part") { (drawn(part)) }
                }
                p.connection id="connection" role="status" {
                    noscript { "Without its script this page is read again every ten seconds." }
                }
                main {
                    @for part in in_order { (drawn(part)) }
                }
                @if state.marks {
                    section aria-labelledby="mark" {
                        h2 id="mark" { "Mark this moment" }
                        form method="post" action="marks" {
                            label for="note" { "Note, kept in the capture" }
                            input type="text" id="note" name="note" maxlength="200" required autocomplete="off";
                            button type="submit" { "Set the mark" }
                        }
                    }
                }
                footer {
                    p { a href="report.html" download { "Download the report" } }
                    p.fine { "dropline only listens. It is not a safety device, and nothing may rely on this page as one." }
                }
            }
        }
    };
    page.into_string()
}
