//! Where records come from: a live interface, a capture, pcapng, the simulated trunk.

mod ahead;
mod capture;
mod complaints;
mod data_sheets;
mod input;
mod joined;
mod lines;
mod live;
mod pcapng;
mod piece_name;
mod progress;
mod saved;
mod text_file;

use std::future::Future;

use crate::wire::{Header, Nanos, Record};

pub use complaints::{Complaints, one_line};
pub use data_sheets::data_sheets;
pub use joined::open_all;
pub use live::{
    Adapter, Options as LiveOptions, Safety, SocketCanSource, Traffic, Trial, Troubles,
    find_bitrate, interface_kind,
};
pub use piece_name::{PieceName, whole_name};
pub use progress::Progress;
pub use saved::{ReadAhead, Saved, open, open_reader, reader_of};
pub use text_file::{LONGEST_TEXT, read_bounded, read_text, unreadable};

/// Records that are read or simulated: a capture, several captures as one, the simulated trunk.
/// Its calls may wait for a disk, so a program that has more to do than to read calls it on a
/// thread of its own.
pub trait Reader {
    /// What the source says about itself.
    fn header(&self) -> &Header;

    /// Appends the next batch of records, in the order received. `false`: there are no more.
    ///
    /// # Errors
    /// If the source broke and cannot go on. What was appended before is good.
    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError>;

    /// How many lines or blocks could not be read so far. They were skipped.
    fn unreadable(&self) -> u64 {
        0
    }

    /// Whether the file stops in the middle of a line or block, as after a power cut. All
    /// that stands before is read; the torn piece is not counted as unreadable.
    fn torn(&self) -> bool {
        false
    }

    /// Messages for the user since the last call, one line each, for standard error. At most a
    /// handful in all, however bad the input is.
    fn messages(&mut self) -> Vec<String> {
        Vec::new()
    }
}

/// A trunk that is listened to as it runs.
pub trait LiveSource {
    /// What the source says about itself.
    fn header(&self) -> &Header;

    /// Waits for records and appends them, in the order received. Dropping the future loses
    /// nothing. There is no end; [`LiveSource::stop`] ends it.
    ///
    /// # Errors
    /// If the source broke and cannot go on. What was appended before is good.
    fn receive(&mut self, batch: &mut Vec<Record>)
    -> impl Future<Output = Result<(), SourceError>>;

    /// Stops listening: appends what was received until now, and what was lost. Returns the time
    /// of stopping, not earlier than any record.
    fn stop(&mut self, batch: &mut Vec<Record>) -> Nanos;

    /// The time now, in trunk time, not earlier than the last record.
    fn now(&self) -> Nanos;

    /// The room for frames that were received and not yet read, in bytes.
    fn buffer_bytes(&self) -> usize;

    /// Messages for the user since the last call, one line each, for standard error.
    fn messages(&mut self) -> Vec<String>;
}

/// Listens to a trunk. Here a further kind of live source is chosen by its options. Needs a tokio
/// runtime with I/O and time.
///
/// # Errors
/// If there is no such interface, it is no CAN interface, it is down, its controller could
/// send, or its bit rate is not the one asked for: one line that says so and what to do.
pub fn open_live(options: LiveOptions) -> Result<impl LiveSource, SourceError> {
    SocketCanSource::open(options)
}

/// Why a source cannot be opened or cannot go on: one line that says what, where and what to
/// do about it.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct SourceError(pub String);
