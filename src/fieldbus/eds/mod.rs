//! Data sheet files (EDS): what a maker says of a device, and whether the device on the wire
//! is the one that a file describes.
//!
//! Source: the files are an open standard's plain text (CIP, electronic data sheets); the
//! meaning of the entries of `[IO_Info]` is from memory.

mod entries;
mod sheet;

pub use entries::{SheetProblem, decode_text};
pub use sheet::{DataSheet, OfferedIo, SheetIndex, SheetMatch, SizeNotOffered};
