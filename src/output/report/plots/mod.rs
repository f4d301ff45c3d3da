//! The plots: each an SVG picture with its title and, in words, what it shows.

mod canvas;
mod over_time;
mod scan;
mod spread;
mod trend;
mod trunk_map;

pub use canvas::PlotError;
pub(super) use canvas::figure;
pub(super) use over_time::{errors, load, presence};
pub(super) use scan::scans;
pub(super) use spread::{Row, spread};
pub(super) use trend::trend;
pub(super) use trunk_map::trunk_map;
