//! What is on the wire: frames and their exact length, error frames, times, and the record
//! that carries them, also as one line of a capture.

mod bits;
mod error;
mod frame;
mod header;
mod line;
mod quick;
mod record;
mod socketcan;
mod units;

pub use bits::{MAX_WIRE_BITS, crc15, stuff_bits, wire_bits};
pub use embedded_can::{ExtendedId, Id, StandardId};
pub use error::{Cause, Causes, ControllerState, ErrorFrame};
pub use frame::{Data, Frame, Payload, RemoteLength};
pub use header::{Clock, Header};
pub use line::{
    LineError, capture_schemas, parse_header, parse_record, write_header, write_record,
};
pub use quick::quick_frame;
pub use record::{Record, Tally, What};
pub use socketcan::Packet;
pub use units::{BitTime, Bitrate, BitrateError, Nanos};
