//! The trend over all visits: a plot, and the figures behind it.

use maud::{Markup, html};

use super::contents::Report;
use super::findings;
use super::plots::{self, PlotError, figure};
use crate::health::compare::{Trend, Visit};
use crate::words::numbers::{
    date_and_time, duration, millis, number_in_print, or_unknown, percent,
};
use crate::words::printable;

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
        table.visits {
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
                @for (index, visit) in trend.visits.iter().enumerate() { (row(index + 1, visit)) }
            }
        }
    }
}

fn row(number: usize, visit: &Visit) -> Markup {
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
