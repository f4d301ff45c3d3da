//! What goes out: captures, pcapng, the summary as JSON and as a page of text, the report.

pub mod capture;
mod comparison;
mod create;
pub mod pcapng;
pub mod report;
pub mod summary;
mod text;
pub mod view;

pub use comparison::{comparison_page, trend_page};
pub use create::{CreateError, create};
pub use summary::Summary;
pub use text::page;
