//! Where records come from, and the formats that they are saved in: a live interface, a capture,
//! pcapng, several captures as one.

mod capture_set;
mod error;
mod formats;
mod input;
mod json_lines;
mod lines;
/// Linux alone has SocketCAN. Elsewhere captures are read, and nothing is listened to.
#[cfg_attr(target_os = "linux", path = "live/mod.rs")]
#[cfg_attr(not(target_os = "linux"), path = "live_elsewhere.rs")]
mod live;
mod pcapng;
mod text_files;
mod unpack;

use std::io;

use crate::wire::{Bitrate, Header, Nanos, Record, Tally};

pub use capture_set::{PieceName, open_all, whole_name};
pub use error::{BlockError, CaptureSetError, Complaints, FileError, FormatError, SourceError};
pub use formats::{CaptureFormat, ReadAhead, open, open_reader, reader_from};
pub use input::{Progress, ReadOptions};
pub use json_lines::Packer;
#[cfg(target_os = "linux")]
pub use live::{AdapterStatus, BitrateTrial, Safety, find_bitrate, interface_kind};
pub use live::{LiveError, open_live};
pub use text_files::{
    SHARING_VIOLATION, data_sheets, is_locked, is_pipe, read_bounded, read_text, refuse_pipe,
    unreadable,
};

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

/// Which trunk to listen to, and how.
#[derive(Debug, Clone)]
pub struct LiveOptions {
    /// The interface's name.
    pub interface: String,
    /// The trunk's bit rate, where the interface has none of its own.
    pub bitrate: Option<Bitrate>,
    /// Listen also through a controller that is able to send.
    pub allow_active: bool,
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

/// A reader of whichever format.
type AnyReader<'a> = Box<dyn Reader + Send + 'a>;

/// A writer of whichever format, into a file that outlives it.
type AnyWriter<'a> = Box<dyn RecordWriter + 'a>;

/// Writes records into a file of some format.
pub trait RecordWriter {
    /// Writes one record.
    ///
    /// # Errors
    /// If the file cannot be written.
    fn write(&mut self, record: &Record) -> io::Result<()>;

    /// Writes what is left, and returns the account.
    ///
    /// # Errors
    /// If the file cannot be written.
    fn finish(self: Box<Self>) -> io::Result<Carried>;
}

/// What a file was given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Carried {
    /// Frames, error frames and lost frames.
    pub tally: Tally,
    /// Records that the format has no room for.
    pub left_out: u64,
}
