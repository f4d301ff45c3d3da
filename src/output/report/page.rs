//! The page from top to bottom.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::contents::Report;
use super::plots::PlotError;
use super::{compared, findings, measured, nodes, planned, times};
use crate::words::numbers::date_and_time;

/// All the page's looks, on screen and on paper.
const STYLE: &str = include_str!("style.css");

/// Nothing is loaded and no script runs, whatever a browser finds in here.
const POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'";

impl Report<'_> {
    /// The page.
    ///
    /// # Errors
    /// What the drawing library says; no trunk is known to cause it.
    pub fn to_html(&self) -> Result<String, PlotError> {
        page(self).map(|markup| markup.into_string())
    }
}

fn page(report: &Report<'_>) -> Result<Markup, PlotError> {
    let summary = &report.finished.summary;
    let (date, _) = date_and_time(summary.source.started);
    let place = report.site.unwrap_or(&summary.source.name);
    let title = format!("Trunk report: {place}, {date}");
    let planned = planned::planned(report)?;
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
                style { (PreEscaped(STYLE)) }
            }
            body {
                header {
                    p.maker { "dropline" }
                    h1 { "Trunk report" }
                    @if let Some(site) = report.site { p.site { (site) } }
                }
                main {
                    (findings::verdict(summary))
                    (measured::particulars(report))
                    (findings::cautions(summary))
                    (findings::findings(summary))
                    (nodes::nodes(report))
                    (planned)
                    (compared::compared(report))
                    (visits)
                    (presence)
                    (load)
                    (errors)
                    (spreads)
                    (times::log(report))
                    (measured::method(report))
                    (measured::signatures())
                }
            }
        }
    })
}
