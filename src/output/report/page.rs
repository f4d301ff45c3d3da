//! The page from top to bottom: where, when, with what and how it was measured, room to sign, and then
//! each section.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::contents::Report;
use super::plots::PlotError;
use super::{compared, findings, nodes, times};
use crate::health::Condition;
use crate::health::summary::SourceKind;
use crate::wire::{Clock, Header};
use crate::words::numbers::{duration, number_in_print};
use crate::words::{excerpt, printable, printable_char};

/// All the page's looks, on screen and on paper.
pub const STYLE: &str = include_str!("style.css");

/// Nothing is loaded and no script runs, whatever a browser finds in here.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'";

impl Report<'_> {
    /// The page.
    ///
    /// # Errors
    /// What the drawing library says; no trunk is known to cause it.
    pub fn to_html(&self) -> Result<String, PlotError> {
        // Whatever a name holds, nothing in the page turns the direction of writing or is obeyed by
        // who prints it.
        let shown = |c| if c == '\n' { c } else { printable_char(c) };
        page(self).map(|markup| markup.into_string().chars().map(shown).collect())
    }
}

fn page(report: &Report<'_>) -> Result<Markup, PlotError> {
    let summary = &report.finished.summary;
    let date = report.clock().date();
    let place = report.site.unwrap_or(&summary.source.name);
    let title = format!("Trunk report: {place}, {date}");
    let planned = nodes::planned(report)?;
    let scan = nodes::scan(report)?;
    let presence = times::presence(report)?;
    let load = times::load(report)?;
    let errors = times::errors(report)?;
    let spreads = times::spreads(report)?;
    let visits = compared::visits(report)?;
    Ok(html! {
        (DOCTYPE)
        html lang="en-GB" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(STYLE)) (PreEscaped(page_foot(report))) }
            }
            body {
                header {
                    p.maker { "dropline" }
                    h1 { "Trunk report" }
                    @if let Some(site) = report.site { p.site { (site) } }
                }
                main.well[summary.verdict.state == Condition::Well] {
                    (findings::verdict(summary))
                    (particulars(report))
                    (signatures())
                    (findings::cautions(summary))
                    (findings::findings(summary, &report.clock()))
                    (nodes::nodes(report))
                    (planned)
                    (scan)
                    (compared::acceptance(report))
                    (compared::compared(report))
                    (visits)
                    (presence)
                    (load)
                    (errors)
                    (spreads)
                    (times::log(report))
                    (method(report))
                }
            }
        }
    })
}

/// Where, when, by whom, with what.
pub(super) fn particulars(report: &Report<'_>) -> Markup {
    let source = &report.finished.summary.source;
    let (date, time) = (report.clock().date(), report.clock().time_of_day());
    let mode = match source.listen_only {
        Some(true) => "listening only, cannot send",
        Some(false) => "active",
        None => "mode unknown",
    };
    html! {
        section aria-labelledby="particulars" {
            h2 id="particulars" { "Particulars" }
            div.particulars {
                (filled("Site and trunk", "site", report.site))
                (filled("Measured by", "by", report.by))
                div { span.what { "Date" }
                    span.told { (date) ", from " (time) }
                }
                div { span.what { "Length" } span.told { (duration(source.duration_s)) @if !source.complete { ", cut off" } } }
                div { span.what { "Adapter" }
                    span.told { (source.interface.as_deref().unwrap_or("interface unknown")) ", " (mode) }
                }
                div { span.what { "Bit rate" }
                    span.told { @match source.bitrate { Some(rate) => (rate), None => "unknown" } }
                }
                div { span.what { (match source.kind { SourceKind::Live => "Interface", _ => "Capture" }) }
                    span.told { (source.name) }
                }
                div { span.what { "Held to" } span.told { (settings(report)) } }
                div { span.what { "Program" } span.told { (Header::TOOL) } }
                @for file in report.files {
                    div.hash { span.what { "SHA-256" }
                        span.told { @if report.files.len() > 1 { (printable(&file.name)) ": " } (file.sha256) }
                    }
                }
                div { span.what { "Heard" }
                    span.told {
                        (number_in_print(source.frames, "good frame")) ", "
                        (number_in_print(source.error_frames, "error frame"))
                        @for (count, what) in gaps(report) { ", " (number_in_print(count, what)) }
                    }
                }
            }
        }
    }
}

/// What limits the measurement, where there is any.
fn gaps(report: &Report<'_>) -> impl Iterator<Item = (u64, &'static str)> {
    let source = &report.finished.summary.source;
    [
        (source.lost_frames, "lost frame"),
        (source.link_downs, "time of interface down"),
        (source.clock_steps, "clock step"),
        (source.unreadable_lines, "unreadable line"),
    ]
    .into_iter()
    .filter(|(count, _)| *count > 0)
}

/// What was told, or a blank to type into or to write on.
fn filled(what: &str, id: &str, told: Option<&str>) -> Markup {
    html! {
        div {
            @match told {
                Some(told) => { span.what { (what) } span.told { (told) } }
                None => {
                    label.what for=(id) { (what) }
                    input.blank type="text" id=(id) autocomplete="off";
                }
            }
        }
    }
}

/// The line at the foot of every printed page: which report of which capture it belongs to. As a
/// style, since it is no part of the text.
fn page_foot(report: &Report<'_>) -> String {
    /// So that it takes two lines at most.
    const LONGEST: usize = 50;
    let summary = &report.finished.summary;
    let (source, clock) = (&summary.source, report.clock());
    let mut parts = vec![
        excerpt(report.site.unwrap_or("site not told"), LONGEST),
        clock.start(),
        findings::word(summary.verdict.state).to_string(),
        format!("{}, {}", excerpt(&source.name, LONGEST), duration(source.duration_s)),
    ];
    if let Some(file) = report.files.first() {
        let more = match report.files.len() {
            1 => String::new(),
            files => format!(" and {} more", number_in_print(files as u64 - 1, "file")),
        };
        parts.push(format!("SHA-256 {}{more}", file.sha256));
    }
    parts.extend([settings(report), Header::TOOL.to_string()]);
    let text = css_text(&printable(&parts.join(" \u{B7} ")));
    format!("@page {{ @bottom-left {{ content: \"{text}\"; }} }}")
}

/// Text within quotes of a style sheet: nothing in it ends the text, or the style.
fn css_text(text: &str) -> String {
    let escaped = |c: char| match c {
        '"' | '\\' | '<' | '>' | '\'' => format!("\\{:x} ", c as u32),
        c => c.to_string(),
    };
    text.chars().map(escaped).collect()
}

/// What the trunk was held to.
fn settings(report: &Report<'_>) -> String {
    let plan = report.finished.plan.as_ref().map_or("no plan".to_string(), |expected| {
        format!("plan {}", printable(&expected.plan().trunk.name))
    });
    match report.baseline {
        Some(compared) => format!("{plan}, baseline {}", printable(&compared.then.name)),
        None => plan,
    }
}

/// How it was measured.
pub(super) fn method(report: &Report<'_>) -> Markup {
    let source = &report.finished.summary.source;
    let clock = match source.clock {
        Some(Clock::Hardware) => "Times are those of the adapter's own clock.",
        Some(Clock::Kernel) => {
            "Times are those of the computer's kernel when it received the frame."
        }
        Some(Clock::Simulated) => {
            "Times are those of a simulated trunk: no real trunk was measured."
        }
        Some(Clock::Imported) => "Times were taken over from another file.",
        None => "The source does not say whose clock stamped the records.",
    };
    html! {
        section.method aria-labelledby="method" {
            h2 id="method" { "How it was measured" }
            ul {
                li {
                    "By listening to every frame on the trunk; nothing was sent. "
                    @match source.listen_only {
                        Some(true) => "The adapter's controller could only listen.",
                        Some(false) => "The adapter's controller was not in listen-only mode, so it acknowledged frames and could have disturbed the trunk.",
                        None => "Whether the adapter's controller could only listen is not known.",
                    }
                    @if source.reports_errors == Some(false) {
                        " The adapter was set not to report bus errors: none could be counted."
                    }
                }
                li { (clock) " A time is that of the frame's last bit." }
                li {
                    "Load counts every good frame by its exact bits, from the start of frame to the \
                     space after it, with the stuff bits of its very data. The fullest second is the \
                     fullest of whole seconds laid end to end from the start."
                }
                li {
                    "Percentiles are nearest-rank to three digits; the maximum is exact. An exchange \
                     that was open when frames were lost counts as uncertain, not as missed."
                }
                li {
                    "A CAN adapter hears frames, times and errors. Voltages, currents and resistances \
                     it does not: those need a meter and a qualified person."
                }
                li {
                    "Captured with " (source.tool.as_deref().unwrap_or("an unknown program"))
                    "; analysed and written with " (Header::TOOL) "."
                }
                @if !source.complete {
                    li { "The capture has no end record: it was read to its last whole line." }
                }
            }
            @if report.finished.summary.errors.frames > 0 {
                (times::causes(&report.finished.summary.errors))
            }
        }
    }
}

/// Room to sign.
pub(super) fn signatures() -> Markup {
    html! {
        section.signatures aria-labelledby="signatures" {
            h2 id="signatures" { "Signatures" }
            table.sign {
                caption { "By signing, the report was read; open findings stay open until struck out" }
                thead {
                    tr {
                        th scope="col" { "For" }
                        th scope="col" { "Name" }
                        th scope="col" { "Date" }
                        th scope="col" { "Signature" }
                    }
                }
                tbody {
                    @for role in ["Measured", "Commissioned", "Taken over"] {
                        tr { th scope="row" { (role) } td {} td {} td {} }
                    }
                }
            }
        }
    }
}
