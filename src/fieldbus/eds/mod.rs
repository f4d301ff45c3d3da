//! Data sheet files (EDS): what a maker says of a device, and whether the device on the wire
//! is the one that a file describes.
//!
//! Source: the files are an open standard's plain text (CIP, electronic data sheets); the
//! meaning of the entries of `[IO_Info]` is from memory.

mod entries;
mod index;
mod sheet;
mod text;

pub use entries::{Entries, Entry, Field, Problem};
pub use index::{Index, SheetMatch, SizeNotOffered};
pub use sheet::{DataSheet, OfferedIo};
pub use text::decode as decode_text;
