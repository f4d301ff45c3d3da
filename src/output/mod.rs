//! What goes out: captures, the summary and the comparison as pages of text, the report,
//! the live view, the log of events.

pub mod capture;
mod comparison;
mod conversion;
mod create;
pub mod event_log;
pub mod metrics;
pub mod report;
mod text;
pub mod view;

pub use comparison::{comparison_page, trend_page};
pub use conversion::Conversion;
pub use create::{CreateError, create};
pub use text::page;
