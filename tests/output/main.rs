//! What is drawn: the report and the view.

#[path = "../common/mod.rs"]
mod common;

mod pictures;
mod report;
mod view;
mod view_terminal;
