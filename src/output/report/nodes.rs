//! The table of nodes: who is there, how often asked, how fast and how often not answering; and the
//! plan against what was measured: the trunk, then node by node.

use maud::{Markup, html};

use super::contents::Report;
use super::plots::{self, PlotError, figure};
use crate::fieldbus::{Light, MacId};
use crate::health::summary::{DeviceIdentity, ExchangeCounts, NodeSummary};
use crate::health::{Expectation, Severity, Summary};
use crate::plan::{Connection, PlannedNode};
use crate::wire::Nanos;
use crate::words::numbers::{
    UNKNOWN, at, grouped, millis, number_in_print, or_unknown, percent, sizes, without_io,
};

pub(super) fn nodes(report: &Report<'_>) -> Markup {
    let summary = &report.finished.summary;
    html! {
        section aria-labelledby="nodes" {
            h2 id="nodes" { "Nodes" }
            @if summary.nodes.is_empty() {
                p { "No node was heard and none was asked." }
            } @else {
                (table(summary))
                p.fine {
                    "Answer times are from the end of the command to the end of the answer. Missed: \
                     the next command came and no answer had. Bytes: command and answer, each size \
                     seen."
                }
            }
        }
    }
}

fn table(summary: &Summary) -> Markup {
    let nodes = &summary.nodes;
    html! {
        table.nodes.fold {
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
            @for node in nodes { (group(summary, node)) }
        }
    }
}

/// The rows of one node stay together on paper.
fn group(summary: &Summary, node: &NodeSummary) -> Markup {
    let name = node.name.as_deref();
    // Red is what is a finding; a single miss at the start is none.
    let is_bad = summary
        .findings
        .iter()
        .any(|found| found.mac_id == Some(node.mac_id) && found.severity > Severity::Note);
    let rows = exchanges(node);
    let remarks = remarks(node);
    let span = rows.len().max(1) + usize::from(!remarks.is_empty());
    html! {
        tbody {
            @for (index, (kind, exchange, bytes)) in rows.iter().enumerate() {
                tr {
                    @if index == 0 { (head(node, name, span)) }
                    td data-what="exchange" { (kind) }
                    td.n data-what="commands" { (grouped(exchange.commands)) }
                    td.n data-what="answers" { (grouped(exchange.responses)) }
                    td.n.bad[is_bad && exchange.missed > 0] data-what="missed" { (grouped(exchange.missed)) }
                    td.n data-what="answer time in ms, median" { (millis(exchange.latency_us.p50)) }
                    td.n data-what="99 %" { (millis(exchange.latency_us.p99)) }
                    td.n data-what="max" { (millis(exchange.latency_us.max)) }
                    td.n data-what="every, ms" { (millis(exchange.interval_us.p50)) }
                    td.n data-what="bytes" { (bytes) }
                }
            }
            @if rows.is_empty() {
                tr {
                    (head(node, name, span))
                    td colspan="9" { (without_io(&node.owns, node.scan_interval_us, node.requests_sent)) "; " (number_in_print(node.frames_sent, "frame")) " sent" }
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
            @match name {
                Some(name) => { strong.name { (name) } },
                None => { (device(node.identity.as_ref()).into_iter().next().unwrap_or_default()) },
            }
        }
    }
}

fn exchanges(node: &NodeSummary) -> Vec<(&'static str, &ExchangeCounts, String)> {
    let poll = &node.poll;
    let polled = poll.exchange.commands + poll.exchange.unsolicited > 0;
    let bytes = || format!("{} / {}", sizes(&poll.command_bytes), sizes(&poll.response_bytes));
    let others = [
        ("strobe", &node.strobe),
        ("multicast poll", &node.multicast_poll),
        ("change of state", &node.change_of_state),
    ];
    polled
        .then(|| ("poll", &poll.exchange, bytes()))
        .into_iter()
        .chain(others.into_iter().filter_map(|(name, exchange)| {
            exchange.as_ref().map(|exchange| (name, exchange, UNKNOWN.to_string()))
        }))
        .collect()
}

/// Who the device is, part by part.
fn device(identity: Option<&DeviceIdentity>) -> Vec<String> {
    let Some(identity) = identity else { return vec!["device unknown".to_string()] };
    let (vendor, serial) = (or_unknown(identity.vendor_id), or_unknown(identity.serial));
    let mut parts = vec![format!("vendor {vendor}, serial {serial}")];
    if identity.device_type.is_some() || identity.product_code.is_some() {
        let (kind, product) = (or_unknown(identity.device_type), or_unknown(identity.product_code));
        parts.push(format!("type {kind}, product {product}"));
    }
    let revision = identity.major_revision.zip(identity.minor_revision);
    parts.extend(revision.map(|(major, minor)| format!("revision {major}.{minor}")));
    parts
}

/// Who a node is, its lights and from where it is run, and what is out of the ordinary with it.
fn remarks(node: &NodeSummary) -> Vec<String> {
    let mut remarks = device(node.identity.as_ref());
    let counted = [
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
    .map(|(count, one, more)| {
        format!("{} {}", grouped(count), if count == 1 { one } else { more })
    });
    remarks.extend(counted);
    if node.poll.fragmented_inferred {
        remarks.push("its I/O seems to come in fragments".to_string());
    }
    let light = |light: Option<Light>| light.map_or("unknown".to_string(), |l| l.to_string());
    let lights = &node.lights;
    if lights.module.is_some() || lights.network.is_some() {
        let (module, network) = (light(lights.module), light(lights.network));
        remarks.push(format!("last state of the lights: module {module}, network {network}"));
    }
    if let Some(status) = node.drive.as_ref().and_then(|drive| drive.status) {
        let from = |yes: bool| if yes { "the network" } else { "somewhere else" };
        let control = status.control_from_network;
        remarks.extend(control.map(|yes| format!("run and stop from {}", from(yes))));
        let speed = status.reference_from_network;
        remarks.extend(speed.map(|yes| format!("speed from {}", from(yes))));
    }
    let still_gone = node.absence_spans.last().filter(|span| span.to_s.is_none());
    if let Some(span) = still_gone {
        remarks.push(format!("silent since {}", at(span.from_s)));
    }
    remarks
}

/// One scan: predicted, where there is a plan, and measured.
pub(super) fn scan(report: &Report<'_>) -> Result<Markup, PlotError> {
    let (summary, expected) = (&report.finished.summary, report.finished.plan.as_ref());
    let pictures = plots::scans(summary, expected, report.scans)?;
    if pictures.predicted.is_none() && pictures.typical.is_none() {
        return Ok(html! {});
    }
    Ok(html! {
        section.scan aria-labelledby="scan" {
            h2 id="scan" { "One scan: who is on the wire when" }
            @if let Some(picture) = &pictures.predicted {
                (figure(picture, "scan-predicted", html! {
                    "What the plan predicts, not what was measured."
                }))
            }
            @if let Some(picture) = &pictures.typical {
                (figure(picture, "scan-typical", html! {
                    "Measured: of all scans, from the master's first command to its next one to the \
                     same node, one of median length."
                }))
            }
            @if let Some(picture) = &pictures.longest {
                (figure(picture, "scan-longest", html! {
                    "Measured: the scan whose last command or answer came latest."
                }))
            }
        }
    })
}

/// The comparison; nothing without a plan.
pub(super) fn planned(report: &Report<'_>) -> Result<Markup, PlotError> {
    let Some(expected) = &report.finished.plan else { return Ok(html! {}) };
    let summary = &report.finished.summary;
    let plan = expected.plan();
    let map = plots::trunk_map(plan, summary)?;
    Ok(html! {
        section aria-labelledby="plan" {
            h2 id="plan" { "The plan against what was measured" }
            p.lead { "Plan: " strong { (plan.trunk.name) } }
            (trunk(expected, summary))
            div.wide { (planned_nodes(expected, summary)) }
            p.fine {
                "Bytes: command and answer. Every: the interval between commands, measured as the \
                 median. What differs is among the findings, by their numbers."
            }
            @if let Some((picture, stretch)) = map {
                (figure(&picture, "trunk-map", html! {
                    "The trunk as planned, by position; drop lines not to scale. Marked: nodes with \
                     faults (!!) and warnings (!)."
                    @if let Some(stretch) = stretch {
                        " The nodes that were lost or struck lie side by side from " (stretch.from_m)
                        " m to " (stretch.to_m) " m (shaded): look at the trunk, its taps and its supply there first."
                    }
                }))
            }
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

fn planned_nodes(expected: &Expectation, summary: &Summary) -> Markup {
    let plan = expected.plan();
    let heard = |mac_id: MacId| summary.nodes.iter().find(|node| node.mac_id == mac_id);
    let extra = summary
        .nodes
        .iter()
        .filter(|node| plan.nodes().iter().all(|planned| planned.mac_id != node.mac_id));
    html! {
        table {
            caption { "Node by node" }
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
