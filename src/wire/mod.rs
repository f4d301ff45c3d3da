//! What is on the wire: frames and their exact length, error frames, times, and the record
//! that carries them, also as one line of a capture.

mod can_packet;
mod error;
mod frame;
mod json_line;
mod json_line_fast;
mod record;
mod units;

pub use can_packet::Packet;
pub use embedded_can::{ExtendedId, Id, StandardId};
pub use error::{Cause, CauseSet, ControllerState, ErrorFrame, ErrorKind};
pub use frame::{Data, Frame, MAX_WIRE_BITS, Payload, RemoteLength, crc15, stuff_bits, wire_bits};
pub use json_line::{
    LineError, capture_schemas, parse_header, parse_record, write_header, write_record,
};
pub use json_line_fast::quick_frame;
pub use record::{Clock, Header, Record, Tally, What};
pub use units::{BitTime, Bitrate, BitrateError, Nanos};
