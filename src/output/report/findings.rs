//! The verdict and the findings: what was seen, what it means, what to check.

use maud::{Markup, html};

use crate::health::summary::FindingSummary;
use crate::health::{Condition, Severity, Summary};
use crate::words::numbers::{at, duration, number_in_print};
use crate::words::title;

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
    let numbered = || summary.findings.iter().enumerate();
    html! {
        section.verdict.(class) aria-labelledby="verdict" {
            h2 id="verdict" { "Verdict: " (word(verdict.state)) }
            p { (meaning) @if !counts.is_empty() { " " (counts.join(", ")) "." } }
            @if !summary.findings.is_empty() {
                ul {
                    @for (index, finding) in numbered().filter(|(_, f)| f.severity > Severity::Note) {
                        li { a href={ "#finding-" (index + 1) } { (heading(finding)) } }
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
pub(super) fn findings(summary: &Summary) -> Markup {
    html! {
        section aria-labelledby="findings" {
            h2 id="findings" { "Findings" }
            @if summary.findings.is_empty() {
                p { "Nothing was found in " (duration(summary.source.duration_s)) "." }
            }
            @for (index, finding) in summary.findings.iter().enumerate() {
                (one(index + 1, finding))
            }
        }
    }
}

fn one(number: usize, finding: &FindingSummary) -> Markup {
    let when = match (finding.first_s, finding.last_s) {
        (Some(first), Some(last)) if first != last => {
            Some(format!("from {} to {}", at(first), at(last)))
        }
        (Some(first), _) => Some(format!("at {}", at(first))),
        _ => None,
    };
    let id = format!("finding-{number}");
    html! {
        article.finding.(finding.severity) aria-labelledby=(id) {
            h3 id=(id) {
                span.severity { (finding.severity) }
                " " (number) ". " (heading(finding))
            }
            dl {
                dt { "Seen" }
                dd { (finding.text) @if let Some(when) = when { " (" (when) ")" } "." }
                dt { "Means" }
                dd { (finding.means) }
                dt { "Check" }
                dd {
                    ol.checks { @for check in &finding.check { li { (check) } } }
                }
            }
        }
    }
}

fn heading(finding: &FindingSummary) -> String {
    let name = title(finding.code.name());
    match finding.mac_id {
        Some(mac_id) => format!("{name}, address {mac_id}"),
        None => name,
    }
}
