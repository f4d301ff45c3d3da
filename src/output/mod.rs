//! What goes out: captures, the summary and the comparison as pages of text, the report,
//! the live view, the log of events.

pub mod capture;
mod comparison;
mod conversion;
pub mod event_log;
mod files;
pub mod metrics;
mod plan_draft;
pub mod report;
mod text;
pub mod view;
pub mod web;

pub use comparison::{comparison_page, trend_page};
pub use conversion::Conversion;
pub use files::{CreateError, OutputFile, OutputPlace, UsedFiles};
pub use plan_draft::plan_draft;
pub use text::page;
