//! What changed since the baseline, and the trend over all visits.

use std::collections::BTreeSet;

use maud::{Markup, html};

use super::contents::Report;
use super::findings;
use super::plots::{self, PlotError, figure};
use crate::fieldbus::MacId;
use crate::health::compare::{
    AcceptanceResult, ComparedVisit, Comparison, ComparisonLine, Judgement, Trend, Visit,
};
use crate::output::comparison::{IN_ORDER, LineText, counts, newcomer_verdict, verdict};
use crate::words::numbers::{
    date_and_time, duration, millis, number_in_print, or_unknown, percent,
};
use crate::words::{called, printable};

/// The newcomers, each with its points; nothing without any.
pub(super) fn acceptance(report: &Report<'_>) -> Markup {
    let Some(comparison) = report.baseline.filter(|compared| !compared.newcomers.is_empty()) else {
        return html! {};
    };
    html! {
        section aria-labelledby="acceptance" {
            h2 id="acceptance" { "Acceptance of what is new" }
            @for newcomer in &comparison.newcomers {
                h3 { "Node " (called(newcomer.mac_id, newcomer.name.as_deref())) }
                p.lead { strong { (newcomer_verdict(newcomer)) } "." }
                table.compared.fold {
                    thead {
                        tr {
                            th scope="col" { "Point" }
                            th scope="col" { "Measured" }
                            th scope="col" { "Wanted" }
                            th scope="col" { "Result" }
                        }
                    }
                    tbody {
                        @for point in &newcomer.points {
                            tr {
                                th scope="row" { (point.point.title()) }
                                td.text data-what="measured" { (printable(&point.measured)) }
                                td.text data-what="wanted" { (printable(&point.limit)) }
                                td {
                                    @if point.result == AcceptanceResult::Pass {
                                        (point.result.word())
                                    } @else {
                                        strong { (point.result.word()) }
                                    }
                                    @if !point.required && point.result != AcceptanceResult::Pass {
                                        span.remark { " (need not be)" }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

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
            table.compared.fold {
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
            th scope="row" {
                (text.place)
                @if let Some(name) = text.name { br; span.remark { (name) } }
            }
            td { (text.quantity) }
            td data-what="then" class=(class(&text.then)) { (text.then) }
            td data-what="now" class=(class(&text.now)) { (text.now) }
            td.n data-what="difference" { (text.difference) }
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
                        td { (of(mac_id).map(|line| difference(line)).collect::<Vec<_>>().join("; ")) }
                    }
                }
            }
        }
    }
}

/// What is compared, its figure now and by how much it differs, if it does.
fn difference(line: &ComparisonLine) -> String {
    let LineText { quantity, now, difference, .. } = LineText::new(line);
    match &*difference {
        "" | "0" => format!("{quantity}\u{A0}{now}"),
        by => format!("{quantity}\u{A0}{now} ({by})"),
    }
}

/// The trend; nothing where none was asked for.
pub(super) fn visits(report: &Report<'_>) -> Result<Markup, PlotError> {
    let Some(trend) = report.trend.filter(|trend| !trend.visits.is_empty()) else {
        return Ok(html! {});
    };
    let picture = plots::trend(trend)?;
    Ok(html! {
        section aria-labelledby="visits" {
            h2 id="visits" { "From visit to visit" }
            (figure(&picture, "visits-plot", html! {
                "Each visit in the order of its date, one step a visit. A square: the mean load, \
                 the error frames, the slowest node\u{2019}s 99 % answer time. A diamond: the \
                 fullest second, the missed polls, the slowest single answer."
            }))
            div.wide { (table(trend)) }
        }
    })
}

fn table(trend: &Trend) -> Markup {
    html! {
        table.visits.fold {
            caption { (number_in_print(trend.visits.len() as u64, "visit")) ", the oldest first" }
            thead {
                tr {
                    th.n scope="col" rowspan="2" { "No." }
                    th scope="col" rowspan="2" { "Date, file" }
                    th scope="col" rowspan="2" { "Verdict" }
                    th scope="col" rowspan="2" { "Length" }
                    th.n scope="col" rowspan="2" { "Nodes" }
                    th.n scope="colgroup" colspan="2" { "Load" }
                    th.n scope="col" rowspan="2" { "Error frames" }
                    th.n scope="col" rowspan="2" { "Missed" }
                    th.n scope="colgroup" colspan="2" { "Slowest, ms" }
                }
                tr {
                    th.n scope="col" { "mean" }
                    th.n scope="col" { "fullest" }
                    th.n scope="col" { "99 %" }
                    th.n scope="col" { "max" }
                }
            }
            tbody {
                @for (index, visit) in trend.visits.iter().enumerate() { (visit_row(index + 1, visit)) }
            }
        }
    }
}

fn visit_row(number: usize, visit: &Visit) -> Markup {
    let share = |share: Option<f64>| or_unknown(share.map(|share| percent(share, 2)));
    let (date, _) = date_and_time(visit.started);
    html! {
        tr {
            th.n scope="row" { (number) }
            td { (date) br; span.remark { (printable(&visit.file)) } }
            td { (findings::word(visit.state)) }
            td { (duration(visit.duration_s)) }
            td.n { (visit.nodes) }
            td.n { (share(visit.load_mean)) }
            td.n { (share(visit.load_peak)) }
            td.n { (share(visit.error_share)) }
            td.n { (share(visit.missed_share)) }
            td.n { (millis(visit.latency_p99_us)) }
            td.n {
                (millis(visit.latency_max_us))
                @if let Some(mac_id) = visit.latency_max_mac_id { " at " (mac_id) }
            }
        }
    }
}
