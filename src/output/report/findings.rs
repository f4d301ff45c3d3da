//! The verdict and the findings: what was seen, what it means, what to check.

use maud::{Markup, html};

use crate::fieldbus::MacId;
use crate::health::summary::FindingSummary;
use crate::health::{Code, Condition, Severity, Summary};
use crate::output::text::{consequences, explained, of_which_follow};
use crate::words::numbers::{duration, number_in_print, or_unknown};
use crate::words::wall_clock::WallClock;
use crate::words::{called, title};

/// The verdict in words, and who is to blame.
pub(super) fn verdict(summary: &Summary) -> Markup {
    let verdict = &summary.verdict;
    let (class, meaning) = match verdict.state {
        Condition::Well => ("well", "No fault and no warning was found."),
        Condition::WantsALook => ("look", "The trunk works; something is not as it should be."),
        Condition::NotWell => ("ill", "Something on this trunk does not work."),
        Condition::CannotTell => ("deaf", "Too little was understood to judge the trunk."),
    };
    let counts: Vec<String> =
        [(verdict.faults, "fault"), (verdict.warnings, "warning"), (verdict.notes, "note")]
            .into_iter()
            .filter(|(count, _)| *count > 0)
            .map(|(count, what)| number_in_print(count as u64, what))
            .collect();
    let causes = || causes(summary).enumerate().map(|(number, (_, finding))| (number, finding));
    let follow = summary.findings.len() - causes().count();
    html! {
        section.verdict.(class) aria-labelledby="verdict" {
            h2 id="verdict" { "Verdict: " (word(verdict.state)) }
            p { (meaning) @if !counts.is_empty() {
                    " " (counts.join(", "))
                    (of_which_follow(follow))
                    "."
                }
            }
            @if let Some(cause) = &summary.probable_cause {
                p {
                    "Most probable cause: " strong { (place(summary, cause.code, cause.mac_id)) } "."
                    @for other in &cause.or_else { " Or " (other) "." }
                }
            }
            @if !summary.findings.is_empty() {
                ul {
                    @for (index, finding) in causes().filter(|(_, f)| f.severity > Severity::Note) {
                        li { a href={ "#finding-" (index + 1) } { (heading(summary, finding)) } }
                    }
                }
            }
        }
    }
}

/// The verdict in a word or two.
pub(super) fn word(state: Condition) -> &'static str {
    match state {
        Condition::Well => "Well",
        Condition::WantsALook => "Wants a look",
        Condition::NotWell => "Not well",
        Condition::CannotTell => "Cannot tell",
    }
}

/// What applies to every check below.
pub(super) fn cautions(summary: &Summary) -> Markup {
    html! {
        section.caution aria-labelledby="caution" {
            h2 id="caution" { "Before any check at a cabinet, a conductor or a drive" }
            ul { @for caution in &summary.cautions { li { (caution) } } }
        }
    }
}

/// Each finding with what was seen and checks, the gravest first.
pub(super) fn findings(summary: &Summary, clock: &WallClock) -> Markup {
    html! {
        section aria-labelledby="findings" {
            h2 id="findings" { "Findings" }
            @if summary.findings.is_empty() {
                p { "Nothing was found in " (duration(summary.source.duration_s)) "." }
            }
            @for (number, (index, finding)) in causes(summary).enumerate() {
                (one(summary, clock, number + 1, index, finding))
            }
            (followers(summary, clock))
        }
    }
}

/// What follows from other findings, a row for each kind of finding and cause.
fn followers(summary: &Summary, clock: &WallClock) -> Markup {
    let mut rows: Vec<Vec<&FindingSummary>> = Vec::new();
    for finding in summary.findings.iter().filter(|finding| finding.explained_by.is_some()) {
        let alike = |row: &&mut Vec<&FindingSummary>| {
            row[0].code == finding.code && row[0].explained_by == finding.explained_by
        };
        match rows.iter_mut().find(alike) {
            Some(row) => row.push(finding),
            None => rows.push(vec![finding]),
        }
    }
    let count = rows.iter().map(Vec::len).sum::<usize>() as u64;
    html! {
        @if count > 0 {
            table.causes {
                caption { "What follows from these: " (number_in_print(count, "finding")) }
                thead {
                    tr {
                        th scope="col" { "Finding" }
                        th scope="col" { "Nodes, and when" }
                        th scope="col" { "Follows from" }
                    }
                }
                tbody {
                    @for row in &rows {
                        tr {
                            th scope="row" { (title(row[0].code.name())) }
                            td { (nodes_and_times(row, clock)) }
                            td {
                                @if let Some(cause) = &row[0].explained_by {
                                    (place(summary, cause.code, cause.mac_id)) ": " (cause.reason)
                                }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn nodes_and_times(row: &[&FindingSummary], clock: &WallClock) -> String {
    let each = row.iter().map(|finding| {
        match (finding.mac_id, clock.span(finding.first_s, finding.last_s)) {
            (Some(mac_id), Some(when)) => format!("{mac_id} {when}"),
            (Some(mac_id), None) => mac_id.to_string(),
            (None, when) => or_unknown(when),
        }
    });
    each.collect::<Vec<_>>().join("; ")
}

/// What nothing else explains, each with its index among all findings.
fn causes(summary: &Summary) -> impl Iterator<Item = (usize, &FindingSummary)> {
    summary.findings.iter().enumerate().filter(|(_, finding)| finding.explained_by.is_none())
}

fn one(
    summary: &Summary,
    clock: &WallClock,
    number: usize,
    index: usize,
    finding: &FindingSummary,
) -> Markup {
    let when = clock.span(finding.first_s, finding.last_s);
    let others = consequences(&explained(&summary.findings), index);
    let id = format!("finding-{number}");
    html! {
        article.finding.(finding.severity) aria-labelledby=(id) {
            h3 id=(id) {
                span.severity { (finding.severity) }
                " " (number) ". " (heading(summary, finding))
            }
            dl {
                dt { "Seen" }
                dd { (finding.text) @if let Some(when) = &when { " (" (when) ")" } "." }
                dt { "Means" }
                dd { (finding.means) }
                @if !finding.or_else.is_empty() {
                    dt { "Or" }
                    dd { (finding.or_else.join("; or ")) "." }
                }
                dt { "Check" }
                dd {
                    ol.checks { @for check in &finding.check { li { (check) } } }
                }
                @if let Some(others) = others {
                    dt { "Explains" }
                    dd { (others) "." }
                }
            }
        }
    }
}

fn heading(summary: &Summary, finding: &FindingSummary) -> String {
    place(summary, finding.code, finding.mac_id)
}

/// A finding by its title, and the node that it is about.
fn place(summary: &Summary, code: Code, mac_id: Option<MacId>) -> String {
    let name = title(code.name());
    match mac_id {
        Some(mac_id) => format!("{name}, address {}", called(mac_id, summary.name(mac_id))),
        None => name,
    }
}
