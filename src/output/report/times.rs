//! What happened over time: who was on line, load, errors, answer times, intervals, the log.

use maud::{Markup, html};

use super::contents::Report;
use super::plots::{self, PlotError, Row, figure};
use crate::health::summary::ErrorSummary;
use crate::output::event_log::Happening;
use crate::trunk::{Distribution, DriveDisturbances, Exchange, Origin, Trunk};
use crate::words::numbers::{UNKNOWN, at, duration, number_in_print, or_unknown, percent, times};

/// Who was on line.
pub(super) fn presence(report: &Report<'_>) -> Result<Markup, PlotError> {
    let pictures = plots::presence(&report.finished.trunk, report.log)?;
    Ok(html! {
        @if !pictures.is_empty() {
            section aria-labelledby="presence" {
                h2 id="presence" { "Who was on line" }
                @for (index, picture) in pictures.iter().enumerate() {
                    (figure(picture, &format!("presence-{index}"), html! {
                        "A bar from the first to the last frame of each node. A gap: it left four \
                         polls in a row unanswered and sent nothing."
                    }))
                }
            }
        }
    })
}

/// Bus load over time.
pub(super) fn load(report: &Report<'_>) -> Result<Markup, PlotError> {
    let load = &report.finished.summary.load;
    let picture = plots::load(&report.finished.summary, report.log)?;
    Ok(html! {
        section aria-labelledby="load" {
            h2 id="load" { "Bus load" }
            @match load.mean {
                Some(mean) => p.lead {
                    "Mean " strong { (percent(mean, 2)) }
                    ", fullest second "
                    strong { (load.peak.map_or("unknown, as no second is whole".to_string(), |share| percent(share, 2))) }
                    ", good frames by their exact bits. Error frames took some "
                    (load.errors_estimated.map_or("unknown share".to_string(), |share| percent(share, 2)))
                    " more (estimated)."
                },
                None => p {
                    "Unknown without a bit rate: " (number_in_print(load.wire_bits, "bit")) " in "
                    (duration(report.finished.summary.source.duration_s)) "."
                },
            }
            @if let Some(picture) = picture {
                (figure(&picture, "load-plot", html! {
                    "Pale: mean load of each span; dark line: its fullest second. The marks above \
                     carry the numbers of the list " a href="#log" { "What happened" } "."
                }))
            }
        }
    })
}

/// Errors over time, by cause, and what the controller did.
pub(super) fn errors(report: &Report<'_>) -> Result<Markup, PlotError> {
    let errors = &report.finished.summary.errors;
    let drives = report.finished.trunk.drive_correlation.drives().next().is_some();
    let picture = plots::errors(&report.finished.summary, &report.finished.trunk)?;
    Ok(html! {
        section aria-labelledby="errors" {
            h2 id="errors" { "Errors" }
            @if errors.frames == 0 {
                p {
                    "Not one error frame in " (duration(report.finished.summary.source.duration_s)) "."
                }
            } @else {
                p.lead {
                    strong { (number_in_print(errors.frames, "error frame")) } ": "
                    (errors.kinds.iter().map(|k| k.kind.counted(k.errors)).collect::<Vec<_>>().join(", "))
                    @if let Some(burst) = &errors.largest_burst {
                        "; " (number_in_print(errors.bursts, "burst")) ", the largest of "
                        (number_in_print(burst.frames, "error")) " from " (at(burst.from_s)) " to "
                        (at(burst.to_s))
                    } "."
                }
                @if let Some(picture) = picture {
                    (figure(&picture, "errors-plot", html! {
                        "Error frames a second."
                        @if drives { " Shaded: a drive was running, by what it said of itself." }
                    }))
                }
                @if drives { (while_running(&report.finished.trunk)) }
            }
            @if errors.controller_state.is_some() || errors.counters.receive.is_some() {
                p {
                    "The adapter's own controller ended "
                    @match errors.controller_state {
                        Some(state) => (state),
                        None => "in a state that it did not tell",
                    }
                    "; error counters: transmit " (or_unknown(errors.counters.transmit))
                    ", receive " (or_unknown(errors.counters.receive))
                    "; it went to warning " (times(errors.warnings))
                    ", to error-passive " (times(errors.passives))
                    ", bus-off " (times(errors.bus_offs))
                    ", and was restarted " (times(errors.restarts)) "."
                }
            }
        }
    })
}

/// What error frames name, by the standard's words, and the statistics of their trend.
pub(super) fn causes(errors: &ErrorSummary) -> Markup {
    html! {
        @if let Some(trend) = &errors.trend {
            p.fine {
                "Trend of the errors by Laplace's test over "
                (number_in_print(trend.disturbances, "disturbance")) ": "
                (format!("{:.2}, p {:.1e}, dispersion {:.2}", trend.statistic, trend.p, trend.dispersion))
                "."
            }
        }
        table.causes {
            caption { "Error frames by the cause that they name; one frame may name several" }
            thead { tr { th scope="col" { "Cause" } th.n scope="col" { "Error frames" } } }
            tbody {
                @for (cause, count) in errors.causes.named() {
                    tr { th scope="row" { (cause) } td.n { (count) } }
                }
            }
        }
    }
}

/// Errors while each drive ran and while it stood.
fn while_running(trunk: &Trunk) -> Markup {
    let drives = || trunk.drive_correlation.drives();
    let guessed = |mac_id| {
        let input = trunk.node(mac_id).drive.input;
        input.is_some_and(|input| input.origin == Origin::Inferred)
    };
    let sums = |drive: &DriveDisturbances| {
        let ((ran, stood), (_, ran_s), (_, stood_s)) =
            (drive.destroyed(), drive.running(), drive.standing());
        [(ran, ran_s), (stood, stood_s)]
    };
    let rate = |errors: u64, seconds: f64| match seconds {
        0.0 => UNKNOWN.to_string(),
        seconds => format!("{:.3}", errors as f64 / seconds),
    };
    html! {
        table.causes.fold {
            caption { "Frames destroyed on the wire while a drive ran and while it stood" }
            thead {
                tr {
                    th scope="col" { "Drive" }
                    th.n scope="col" { "Ran" }
                    th.n scope="col" { "Errors" }
                    th.n scope="col" { "a second" }
                    th.n scope="col" { "Stood" }
                    th.n scope="col" { "Errors" }
                    th.n scope="col" { "a second" }
                }
            }
            tbody {
                @for (mac_id, drive) in drives() {
                    tr {
                        th scope="row" {
                            "node " (mac_id)
                            @if guessed(mac_id) { " (a drive, by its traffic)" }
                        }
                        @for (what, (errors, seconds)) in ["ran", "stood"].into_iter().zip(sums(drive)) {
                            td.n data-what=(what) { (duration(seconds)) }
                            td.n data-what="errors" { (errors) }
                            td.n data-what="a second" { (rate(errors, seconds)) }
                        }
                    }
                }
            }
        }
        @for (mac_id, drive) in drives().filter(|(_, drive)| drive.runs_left_out() > 0) {
            p.fine {
                "Of node " (mac_id) ", " (number_in_print(drive.runs_left_out(), "run"))
                " in the middle not drawn; the table holds all."
            }
        }
    }
}

/// Answer times and intervals, node by node.
pub(super) fn spreads(report: &Report<'_>) -> Result<Markup, PlotError> {
    let answers = rows(report, Exchange::latency);
    let intervals = rows(report, Exchange::interval);
    let answer_plots = plots::spread("Answer times by node", &answers)?;
    let interval_plots = plots::spread("Intervals between commands by node", &intervals)?;
    let key = html! {
        "Height: how many, by the square root, so that single ones are seen. Lines: median (long), \
         99\u{A0}% and slowest (short)."
    };
    Ok(html! {
        section aria-labelledby="answers" {
            h2 id="answers" { "How fast each node answers" }
            @if answer_plots.is_empty() { p { "No answer was measured." } }
            @for (index, picture) in answer_plots.iter().enumerate() {
                (figure(picture, &format!("answers-{index}"), html! {
                    "From the end of the command to the end of the answer. " (key)
                }))
            }
        }
        section.intervals aria-labelledby="intervals" {
            h2 id="intervals" { "How often each node is asked" }
            @if interval_plots.is_empty() { p { "No interval was measured." } }
            @for (index, picture) in interval_plots.iter().enumerate() {
                (figure(picture, &format!("intervals-{index}"), html! {
                    "From one command to the next. " (key)
                }))
            }
        }
    })
}

fn rows<'a>(report: &Report<'a>, pick: fn(&Exchange) -> Option<&Distribution>) -> Vec<Row<'a>> {
    report
        .finished
        .trunk
        .nodes()
        .flat_map(|(mac_id, node)| {
            let kinds = [
                ("", &node.poll),
                (" strobe", &node.strobe),
                (" multicast", &node.multicast_poll),
                (" COS", &node.change_of_state),
            ];
            kinds.into_iter().filter_map(move |(kind, exchange)| {
                let spans = pick(exchange)?;
                Some(Row { label: format!("{mac_id}{kind}"), spans })
            })
        })
        .collect()
}

/// What happened, in its order.
pub(super) fn log(report: &Report<'_>) -> Markup {
    let (log, clock) = (report.log, report.clock());
    html! {
        section aria-labelledby="log" {
            h2 id="log" { "What happened" }
            @if log.lines().len() == 0 {
                p { "Nothing changed and nobody made a note." }
            } @else {
                table.log.short[log.lines().len() <= 12] {
                    caption { "Changes on the trunk and notes: after the start, and by the clock" }
                    thead {
                        tr {
                            th.n scope="col" { "No." }
                            th.n scope="col" { "After" }
                            th.n scope="col" { "Clock" }
                            th scope="col" { "What" }
                        }
                    }
                    tbody {
                        @for (index, line) in log.lines().enumerate() {
                            tr {
                                th.n scope="row" { (index + 1) }
                                td.n { (at(line.t.as_secs())) }
                                td.n { (clock.time(line.t.as_secs())) }
                                td.mark[matches!(line.what, Happening::Mark(_))] {
                                    @if matches!(line.what, Happening::Mark(_)) { strong { "Note: " } }
                                    (line.words(|mac_id| report.finished.summary.name(mac_id)))
                                }
                            }
                        }
                    }
                }
            }
            @if log.left_out() > 0 {
                p { (number_in_print(log.left_out(), "more change")) " in the middle left out here." }
            }
            @if log.marks_left_out() > 0 {
                p { (number_in_print(log.marks_left_out(), "later note")) " left out here." }
            }
        }
    }
}
