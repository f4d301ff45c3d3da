//! dropline: a passive bus-health monitor for DeviceNet trunks (IEC 62026-3, on CAN).
//!
//! One data path, in one direction; each stage knows only those to its left:
//!
//! ```text
//!  source            wire             fieldbus            trunk              health            output
//!  socket  ─┐      ┌ bits: length,  ┌ identifier group,  ┌ nodes, polls,   ┌ findings,      ┌ pages
//!  capture ─┼─►    │ stuffing, CRC  │ explicit message,  │ load, errors,   │ summary,       │ capture
//!  pcapng  ─┤Record│ error classes  │ address check,     │ clashes,        │ comparison,    │ report
//!  sim     ─┘      └ timestamps     └ drive I/O          └ connections     └ prediction     └ view
//! ```
//!
//! Everything from [`wire`] to `health` is plain synchronous code without clocks, files or
//! sockets: a record goes in, state changes and events come out. So a live watch and a replay
//! are the same analysis by construction.

pub mod analysis;
pub mod cli;
pub mod fieldbus;
pub mod health;
mod json;
pub mod near;
pub mod output;
pub mod plan;
pub mod sim;
pub mod source;
pub mod toml_reader;
pub mod trunk;
pub mod wire;
pub mod words;

pub use analysis::Analysis;
