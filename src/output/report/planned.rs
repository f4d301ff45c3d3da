//! The plan against what was measured: the trunk, then node by node.

use maud::{Markup, html};

use super::contents::Report;
use super::plots::{PlotError, adopt, figure};
use crate::fieldbus::MacId;
use crate::health::Expectation;
use crate::health::Summary;
use crate::health::summary::{ExchangeCounts, NodeSummary};
use crate::plan::{Connection, PlannedNode, scan_svg};
use crate::wire::Nanos;
use crate::words::numbers::{UNKNOWN, millis, or_unknown, percent, sizes};

/// The comparison; nothing without a plan.
pub(super) fn planned(report: &Report<'_>) -> Result<Markup, PlotError> {
    let Some(expected) = &report.finished.plan else { return Ok(html! {}) };
    let summary = &report.finished.summary;
    let plan = expected.plan();
    let scan = scan_svg(plan, expected.traffic())?;
    let scan = adopt(
        &scan,
        "The predicted scan".to_string(),
        format!(
            "Which frames the plan expects on the wire, and when, in one scan of {}.",
            plan.trunk.name
        ),
    )?;
    Ok(html! {
        section aria-labelledby="plan" {
            h2 id="plan" { "The plan against what was measured" }
            p.lead { "Plan: " strong { (plan.trunk.name) } }
            (trunk(expected, summary))
            div.wide { (nodes(expected, summary)) }
            p.fine {
                "Bytes: command and answer. Every: the interval between commands, measured as the \
                 median. What differs is among the findings, by their numbers."
            }
            (figure(&scan, "scan", html! { "What the plan predicts, not what was measured." }))
        }
    })
}

fn trunk(expected: &Expectation, summary: &Summary) -> Markup {
    let (plan, traffic) = (expected.plan(), expected.traffic());
    let measured = summary.source.bitrate;
    let share = |share: Option<f64>| share.map_or(UNKNOWN.to_string(), |share| percent(share, 2));
    html! {
        table.causes {
            caption { "The trunk as a whole" }
            thead {
                tr {
                    th scope="col" { "What" }
                    th.n scope="col" { "Plan" }
                    th.n scope="col" { "Measured" }
                }
            }
            tbody {
                tr {
                    th scope="row" { "Bit rate" }
                    td.n { (plan.trunk.bitrate) }
                    td.n { (or_unknown(measured)) }
                }
                tr {
                    th scope="row" { "Load, mean" }
                    td.n { (percent(traffic.mean_load, 2)) }
                    td.n { (share(summary.load.mean)) }
                }
                tr {
                    th scope="row" { "Load, most: worst data, fullest second" }
                    td.n { (percent(traffic.worst_load, 2)) }
                    td.n { (share(summary.load.peak)) }
                }
            }
        }
    }
}

fn nodes(expected: &Expectation, summary: &Summary) -> Markup {
    let plan = expected.plan();
    let heard = |mac_id: MacId| summary.nodes.iter().find(|node| node.mac_id == mac_id);
    let extra = summary
        .nodes
        .iter()
        .filter(|node| plan.nodes().iter().all(|planned| planned.mac_id != node.mac_id));
    html! {
        table {
            caption { "NodeSummary by node" }
            thead {
                tr {
                    th scope="col" rowspan="2" { "Address" }
                    th scope="col" rowspan="2" { "Name" }
                    th scope="col" rowspan="2" { "Exchange" }
                    th.n scope="colgroup" colspan="2" { "Bytes" }
                    th.n scope="colgroup" colspan="2" { "Every, ms" }
                    th scope="col" rowspan="2" { "Findings" }
                }
                tr {
                    th.n scope="col" { "plan" }
                    th.n scope="col" { "measured" }
                    th.n scope="col" { "plan" }
                    th.n scope="col" { "measured" }
                }
            }
            tbody {
                @for planned in plan.nodes() {
                    (row(planned, plan.trunk.scan_interval, heard(planned.mac_id), summary))
                }
                @for node in extra {
                    tr {
                        th scope="row" { (node.mac_id) }
                        td colspan="6" { "not in the plan" }
                        td { (findings(node.mac_id, summary)) }
                    }
                }
            }
        }
    }
}

fn row(
    planned: &PlannedNode,
    scan: Nanos,
    node: Option<&NodeSummary>,
    summary: &Summary,
) -> Markup {
    let (exchange, every) = match planned.connection {
        Connection::Poll => (node.map(|node| &node.poll.exchange), Some(scan)),
        Connection::Strobe => (node.and_then(|node| node.strobe.as_ref()), Some(scan)),
        Connection::ChangeOfState | Connection::Cyclic => {
            (node.and_then(|node| node.change_of_state.as_ref()), planned.interval)
        }
        Connection::Explicit | Connection::Master => (None, None),
    };
    let exchange = exchange.filter(|exchange: &&ExchangeCounts| exchange.commands > 0);
    let has_io = !matches!(planned.connection, Connection::Explicit | Connection::Master);
    let silent = node.is_none_or(|node| node.frames_sent == 0);
    let seen =
        node.filter(|_| planned.connection == Connection::Poll && exchange.is_some()).map(|node| {
            let (command, response) = (&node.poll.command_bytes, &node.poll.response_bytes);
            format!("{} / {}", sizes(command), sizes(response))
        });
    html! {
        tr {
            th scope="row" { (planned.mac_id) }
            td { (planned.name.as_deref().unwrap_or(UNKNOWN)) }
            td {
                (planned.connection.word())
                @if silent { ", " span.bad { "never heard" } }
            }
            td.n {
                @if has_io { (planned.command_bytes) " / " (planned.response_bytes) }
                @else { (UNKNOWN) }
            }
            td.n { (or_unknown(seen)) }
            td.n { (millis(every.map(Nanos::as_micros))) }
            td.n { (millis(exchange.and_then(|exchange| exchange.interval_us.p50))) }
            td { (findings(planned.mac_id, summary)) }
        }
    }
}

/// The numbers of the findings about a node.
fn findings(mac_id: MacId, summary: &Summary) -> Markup {
    let about = summary.findings.iter().enumerate().filter(|(_, f)| f.mac_id == Some(mac_id));
    html! {
        @for (place, (index, _)) in about.enumerate() {
            @if place > 0 { ", " }
            a href={ "#finding-" (index + 1) } { (index + 1) }
        }
    }
}
