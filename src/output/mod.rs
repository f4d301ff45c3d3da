//! What goes out: the summary as JSON and as a page of text.

pub mod summary;
mod text;

pub use summary::Summary;
pub use text::page;
