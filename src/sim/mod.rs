//! A simulated trunk with known truth: devices, bus and faults in bit times, driven by a
//! scenario and a seed; the same records for the same seed on every machine.
//!
//! It stands where a live interface stands, behind [`crate::source::Reader`], and next to the
//! records it tells what really happened.

mod adapter;
mod bus;
mod controller;
mod disturber;
mod drive;
mod exchanges;
mod explicit;
mod fault_injection;
mod frame_bits;
mod master;
/// Played onto a virtual interface, which Linux alone has.
#[cfg(target_os = "linux")]
pub mod player;
mod program;
mod random;
pub mod scenario;
mod simulation;
mod slave;
mod station;
mod time;
mod tool;
pub mod truth;
mod truth_recorder;

pub use exchanges::{Ending, ExchangeTruth};
pub use scenario::{FaultKind, Scenario};
pub use simulation::SimSource;
pub use truth::{Device, Truth};

#[cfg(test)]
mod schedulability;
