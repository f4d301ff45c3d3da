//! The baseline against now: what changed since, and whether it matters.

use std::collections::BTreeSet;

use maud::{Markup, html};

use super::contents::Report;
use crate::fieldbus::MacId;
use crate::health::compare::{ComparedVisit, Comparison, ComparisonLine, Judgement};
use crate::output::comparison::{IN_ORDER, LineText, counts, verdict};
use crate::words::numbers::{date_and_time, duration, number_in_print};
use crate::words::printable;

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
                @if judgement == Judgement::Same {
                    (same(comparison, heading))
                } @else {
                    (lines(comparison, judgement, heading))
                }
            }
            p.fine {
                "A difference counts if it is beyond chance and beyond the tolerance, not if it is \
                 one of the two."
            }
        }
    }
}

fn side(name: &str, side: &ComparedVisit) -> Markup {
    let (date, time) = date_and_time(side.started);
    html! {
        tr {
            th scope="row" { (name) }
            td { (printable(&side.name)) }
            td { (date) ", " (time) }
            td { (duration(side.duration_s)) @if !side.complete { ", cut off" } }
            td.n { (number_in_print(side.frames, "frame")) }
        }
    }
}

/// The lines of one judgement, as a table of their own.
fn lines(comparison: &Comparison, judgement: Judgement, heading: &str) -> Markup {
    let lines: Vec<&ComparisonLine> =
        comparison.lines.iter().filter(|line| line.judgement == judgement).collect();
    if lines.is_empty() {
        return html! {};
    }
    html! {
        div.wide {
            table.compared {
                caption { (heading) ": " (number_in_print(lines.len() as u64, "line")) }
                thead {
                    tr {
                        th scope="col" { "Where" }
                        th scope="col" { "What" }
                        th.n scope="col" { "Then" }
                        th.n scope="col" { "Now" }
                        th.n scope="col" { "Difference" }
                        th scope="col" { "Why" }
                    }
                }
                tbody { @for line in lines { (row(line)) } }
            }
        }
    }
}

fn row(line: &ComparisonLine) -> Markup {
    let text = LineText::new(line);
    // Long words, such as an identity, may break; figures may not.
    let class = |value: &str| if value.chars().count() > 15 { "text" } else { "n" };
    html! {
        tr {
            th scope="row" { (text.place) }
            td { (text.quantity) }
            td class=(class(&text.then)) { (text.then) }
            td class=(class(&text.now)) { (text.now) }
            td.n { (text.difference) }
            td.why { (text.why) }
        }
    }
}

/// What is the same, a row for each node with its figures of now: it is most of the lines.
fn same(comparison: &Comparison, heading: &str) -> Markup {
    let lines: Vec<&ComparisonLine> =
        comparison.lines.iter().filter(|line| line.judgement == Judgement::Same).collect();
    if lines.is_empty() {
        return html! {};
    }
    let nodes: BTreeSet<Option<MacId>> = lines.iter().map(|line| line.mac_id).collect();
    let of = |mac_id| lines.iter().filter(move |line| line.mac_id == mac_id);
    let place = |mac_id: Option<MacId>| {
        mac_id.map_or("trunk".to_string(), |mac_id| format!("address {mac_id}"))
    };
    html! {
        table.compared {
            caption { (heading) ": " (number_in_print(lines.len() as u64, "line")) }
            thead {
                tr {
                    th scope="col" { "Where" }
                    th scope="col" { "What, now; in brackets the difference" }
                }
            }
            tbody {
                @for mac_id in nodes {
                    tr {
                        th scope="row" { (place(mac_id)) }
                        td { (of(mac_id).map(|line| figure(line)).collect::<Vec<_>>().join("; ")) }
                    }
                }
            }
        }
    }
}

/// What is compared, its figure now and by how much it differs, if it does.
fn figure(line: &ComparisonLine) -> String {
    let LineText { quantity, now, difference, .. } = LineText::new(line);
    match &*difference {
        "" | "0" => format!("{quantity}\u{A0}{now}"),
        by => format!("{quantity}\u{A0}{now} ({by})"),
    }
}
