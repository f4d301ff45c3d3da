//! The report: one HTML page to hand over and to print, with its plots inside.
//!
//! Nothing is loaded from outside and there is no script. Whatever came from the wire, a file
//! or the command line is escaped by construction.

mod compared;
mod findings;
mod log;
mod measured;
mod nodes;
mod page;
mod planned;
mod plots;
mod running;
mod times;
mod visits;
mod words;

pub use log::Log;
pub use plots::PlotError;
pub use running::Running;

use crate::analysis::Finished;
use crate::health::compare::{Comparison, Trend};

/// All that a report is made of.
#[derive(Debug, Clone, Copy)]
pub struct Report<'a> {
    /// The analysis that ended.
    pub finished: &'a Finished,
    /// What happened, in its order.
    pub log: &'a Log,
    /// When the drives ran.
    pub running: &'a Running,
    /// What changed since the baseline, where there is one.
    pub baseline: Option<&'a Comparison>,
    /// All visits, where they were asked for.
    pub trend: Option<&'a Trend>,
    /// Where this is; a blank to fill in where it is not told.
    pub site: Option<&'a str>,
    /// Who measured; a blank to fill in where it is not told.
    pub by: Option<&'a str>,
}

impl Report<'_> {
    /// The page.
    ///
    /// # Errors
    /// What the drawing library says; no trunk is known to cause it.
    pub fn to_html(&self) -> Result<String, PlotError> {
        page::page(self).map(|markup| markup.into_string())
    }
}
