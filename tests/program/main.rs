//! The program as it is used: its arguments, its files, its exit codes.

#[path = "../common/mod.rs"]
mod common;

mod bad_input;
mod bar;
mod compare;
mod frames;
mod outputs;
mod page;
mod pieces;
mod plan;
mod service;
mod signals;
mod simulate;
