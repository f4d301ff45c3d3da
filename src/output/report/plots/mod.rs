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
pub(super) use canvas::{Picture, adopt};
pub(super) use errors::errors;
pub(super) use load::load;
pub(super) use presence::presence;
pub(super) use spread::{Row, spread};
pub(super) use trend::trend;

/// How wide every picture is, in its own units; the page scales it to its own width.
const WIDTH: i32 = 1000;
/// Where the axes begin: room for labels.
const LEFT: i32 = 92;
