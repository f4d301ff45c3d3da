//! The plots: each an SVG picture with its title and, in words, what it shows.

mod canvas;
mod over_time;
mod spread;
mod trend;

pub use canvas::PlotError;
pub(super) use canvas::{adopt, figure};
pub(super) use over_time::{errors, load, presence};
pub(super) use spread::{Row, spread};
pub(super) use trend::trend;
