//! The plots: each an SVG picture with its title and, in words, what it shows.

mod axis;
mod canvas;
mod errors;
mod load;
mod marks;
mod presence;
mod spread;
mod trend;

pub use canvas::PlotError;
pub(super) use canvas::{adopt, figure};
pub(super) use errors::errors;
pub(super) use load::load;
pub(super) use presence::presence;
pub(super) use spread::{Row, spread};
pub(super) use trend::trend;
