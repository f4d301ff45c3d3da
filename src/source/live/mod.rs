//! Listening to a trunk as it runs, through a SocketCAN interface. Nothing in here can send: no
//! frame is ever written to the socket, and a controller that could answer on the bus is refused.

mod adapter;
mod bitrate_search;
mod error;
mod link;
mod receiver;
mod sleep;
mod socketcan;

use self::socketcan::SocketCanSource;
use super::{LiveOptions, LiveSource, SourceError};
pub use adapter::{AdapterStatus, Safety};
pub use bitrate_search::{BitrateTrial, find_bitrate};
pub use error::LiveError;
pub use link::interface_kind;

/// Listens to a trunk. A further kind of live source is chosen here, by its options. Needs a tokio
/// runtime with I/O and time.
///
/// # Errors
/// If there is no such interface, it is no CAN interface, it is down, its controller could
/// send, or its bit rate is not the one asked for: one line that says so and what to do.
pub fn open_live(options: LiveOptions) -> Result<impl LiveSource, SourceError> {
    SocketCanSource::open(options)
}
