//! The baseline against now: what changed since, and whether it matters.

use maud::{Markup, html};

use super::Report;
use super::words::{date_and_time, duration, number};
use crate::health::compare::{Comparison, Judgement, Line, Side};
use crate::output::comparison::{IN_ORDER, Said, counts, verdict};
use crate::output::text::printable;

/// The comparison; nothing without a baseline.
pub(super) fn compared(report: &Report<'_>) -> Markup {
    let Some(comparison) = report.baseline else { return html! {} };
    html! {
        section aria-labelledby="baseline" {
            h2 id="baseline" { "The baseline against now" }
            p.lead {
                strong { (verdict(comparison.judgement)) } ": " (counts(comparison)) "."
            }
            table.causes {
                caption { "The two visits" }
                thead {
                    tr {
                        th scope="col" { "Visit" }
                        th scope="col" { "Source" }
                        th scope="col" { "Date" }
                        th scope="col" { "Length" }
                        th.n scope="col" { "Frames" }
                    }
                }
                tbody {
                    (side("Baseline", &comparison.then))
                    (side("Now", &comparison.now))
                }
            }
            @for (judgement, heading) in IN_ORDER {
                (lines(comparison, judgement, heading))
            }
            p.fine {
                "A difference counts if it is beyond chance and beyond the tolerance, not if it is \
                 one of the two."
            }
        }
    }
}

fn side(name: &str, side: &Side) -> Markup {
    let date = date_and_time(&side.started);
    html! {
        tr {
            th scope="row" { (name) }
            td { (printable(&side.name)) }
            td {
                @match &date {
                    Some((date, time)) => { (date) ", " (time) }
                    None => (printable(&side.started)),
                }
            }
            td { (duration(side.duration_s)) @if !side.complete { ", cut off" } }
            td.n { (number(side.frames, "frame")) }
        }
    }
}

/// The lines of one judgement, as a table of their own.
fn lines(comparison: &Comparison, judgement: Judgement, heading: &str) -> Markup {
    let lines: Vec<&Line> =
        comparison.lines.iter().filter(|line| line.judgement == judgement).collect();
    if lines.is_empty() {
        return html! {};
    }
    html! {
        div.wide {
            table.compared {
                caption { (heading) ": " (number(lines.len() as u64, "line")) }
                thead {
                    tr {
                        th scope="col" { "Where" }
                        th scope="col" { "What" }
                        th.n scope="col" { "Then" }
                        th.n scope="col" { "Now" }
                        th.n scope="col" { "Difference" }
                        // What is the same needs no reason.
                        @if judgement != Judgement::Same { th scope="col" { "Why" } }
                    }
                }
                tbody { @for line in lines { (row(line)) } }
            }
        }
    }
}

fn row(line: &Line) -> Markup {
    let said = Said::of(line);
    // Long words, such as an identity, may break; figures may not.
    let class = |value: &str| if value.chars().count() > 15 { "text" } else { "n" };
    html! {
        tr {
            th scope="row" { (said.place) }
            td { (said.what) }
            td class=(class(&said.then)) { (said.then) }
            td class=(class(&said.now)) { (said.now) }
            td.n { (said.difference) }
            @if line.judgement != Judgement::Same { td.why { (said.why) } }
        }
    }
}
