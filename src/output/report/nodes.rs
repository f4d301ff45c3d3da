//! The table of nodes: who is there, how often asked, how fast and how often not answering.

use maud::{Markup, html};

use super::contents::Report;
use crate::health::Expectation;
use crate::health::summary::{DeviceIdentity, ExchangeCounts, NodeSummary};
use crate::plan::Plan;
use crate::words::numbers::{UNKNOWN, at, grouped, millis, number_in_print, or_unknown, sizes};

pub(super) fn nodes(report: &Report<'_>) -> Markup {
    let summary = &report.finished.summary;
    let plan = report.finished.plan.as_ref().map(Expectation::plan);
    html! {
        section aria-labelledby="nodes" {
            h2 id="nodes" { "Nodes" }
            @if summary.nodes.is_empty() {
                p { "No node was heard and none was asked." }
            } @else {
                div.wide { (table(&summary.nodes, plan)) }
                p.fine {
                    "Answer times are from the end of the command to the end of the answer. Missed: \
                     the next command came and no answer had. Bytes: command and answer, each size \
                     seen."
                }
            }
        }
    }
}

fn table(nodes: &[NodeSummary], plan: Option<&Plan>) -> Markup {
    html! {
        table.nodes {
            caption { (number_in_print(nodes.len() as u64, "node")) " by address" }
            thead {
                tr {
                    th scope="col" rowspan="2" { "Address" }
                    th scope="col" rowspan="2" { "Device" }
                    th scope="col" rowspan="2" { "Exchange" }
                    th.n scope="col" rowspan="2" { "Commands" }
                    th.n scope="col" rowspan="2" { "Answers" }
                    th.n scope="col" rowspan="2" { "Missed" }
                    th.n scope="colgroup" colspan="3" { "Answer time, ms" }
                    th.n scope="col" rowspan="2" { "Every, ms" }
                    th.n scope="col" rowspan="2" { "Bytes" }
                }
                tr {
                    th.n scope="col" { "median" }
                    th.n scope="col" { "99 %" }
                    th.n scope="col" { "max" }
                }
            }
            @for node in nodes { (group(node, name(node, plan))) }
        }
    }
}

/// The rows of one node stay together on paper.
fn group(node: &NodeSummary, name: Option<&str>) -> Markup {
    let rows = exchanges(node);
    let remarks = remarks(node);
    let span = rows.len().max(1) + usize::from(!remarks.is_empty());
    html! {
        tbody {
            @for (index, (kind, exchange, bytes)) in rows.iter().enumerate() {
                tr {
                    @if index == 0 { (head(node, name, span)) }
                    td { (kind) }
                    td.n { (grouped(exchange.commands)) }
                    td.n { (grouped(exchange.responses)) }
                    td.n.bad[exchange.missed > 0] { (grouped(exchange.missed)) }
                    td.n { (millis(exchange.latency_us.p50)) }
                    td.n { (millis(exchange.latency_us.p99)) }
                    td.n { (millis(exchange.latency_us.max)) }
                    td.n { (millis(exchange.interval_us.p50)) }
                    td.n { (bytes) }
                }
            }
            @if rows.is_empty() {
                tr {
                    (head(node, name, span))
                    td colspan="9" { "no I/O seen, " (number_in_print(node.frames_sent, "frame")) " sent" }
                }
            }
            @if !remarks.is_empty() {
                tr { td.remark colspan="9" { (remarks.join("; ")) } }
            }
        }
    }
}

fn head(node: &NodeSummary, name: Option<&str>, span: usize) -> Markup {
    html! {
        th scope="rowgroup" rowspan=(span) { (node.mac_id) }
        td.device rowspan=(span) {
            @if let Some(name) = name { strong.name { (name) } br; }
            (device(node.identity.as_ref()))
        }
    }
}

/// What the plan calls the node.
fn name<'a>(node: &NodeSummary, plan: Option<&'a Plan>) -> Option<&'a str> {
    plan?.node(node.mac_id)?.name.as_deref()
}

fn exchanges(node: &NodeSummary) -> Vec<(&'static str, &ExchangeCounts, String)> {
    let poll = &node.poll;
    let polled = poll.exchange.commands + poll.exchange.unsolicited > 0;
    let bytes = || format!("{} / {}", sizes(&poll.command_bytes), sizes(&poll.response_bytes));
    let others = [("strobe", &node.strobe), ("change of state", &node.change_of_state)];
    polled
        .then(|| ("poll", &poll.exchange, bytes()))
        .into_iter()
        .chain(others.into_iter().filter_map(|(name, exchange)| {
            exchange.as_ref().map(|exchange| (name, exchange, UNKNOWN.to_string()))
        }))
        .collect()
}

fn device(identity: Option<&DeviceIdentity>) -> Markup {
    let Some(identity) = identity else {
        return html! { "unknown" };
    };
    let revision = identity.major_revision.zip(identity.minor_revision);
    html! {
        "vendor " (or_unknown(identity.vendor_id))
        br; "serial " (or_unknown(identity.serial))
        @if identity.device_type.is_some() || identity.product_code.is_some() {
            br; "type " (or_unknown(identity.device_type))
            ", product " (or_unknown(identity.product_code))
        }
        @if let Some((major, minor)) = revision { br; "revision " (major) "." (minor) }
    }
}

/// What is out of the ordinary with a node.
fn remarks(node: &NodeSummary) -> Vec<String> {
    let mut remarks: Vec<String> = [
        (
            node.poll.exchange.unsolicited,
            "answer that nobody asked for",
            "answers that nobody asked for",
        ),
        (node.poll.exchange.uncertain, "uncertain exchange", "uncertain exchanges"),
        (node.restarts, "restart", "restarts"),
        (node.absences, "absence", "absences"),
        (node.replacements, "exchange of the device", "exchanges of the device"),
        (node.address_checks_malformed, "unreadable address check", "unreadable address checks"),
    ]
    .into_iter()
    .filter(|(count, ..)| *count > 0)
    .map(|(count, one, more)| format!("{} {}", grouped(count), if count == 1 { one } else { more }))
    .collect();
    if node.poll.fragmented_inferred {
        remarks.push("its I/O seems to come in fragments".to_string());
    }
    let still_gone = node.absence_spans.last().filter(|span| span.to_s.is_none());
    if let Some(span) = still_gone {
        remarks.push(format!("silent since {}", at(span.from_s)));
    }
    remarks
}
