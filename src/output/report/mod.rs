//! The report: one HTML page to hand over and to print, with its plots inside.
//!
//! Nothing is loaded from outside and there is no script. Whatever came from the wire, a file
//! or the command line is escaped by construction.

mod compared;
mod contents;
mod findings;
mod live;
mod nodes;
mod page;
mod plots;
mod times;

pub use contents::{HashedFile, Report};
pub use live::{PagePart, PageState, live_page};
pub use page::STYLE;
pub use plots::PlotError;
