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

use crate::wire::{Header, Record};

pub use complaints::{Complaints, one_line};
pub use data_sheets::data_sheets;
pub use joined::open_all;
pub use live::{
    Adapter, LiveSource, Options as LiveOptions, Safety, Traffic, Trial, Troubles, find_bitrate,
    interface_kind,
};
pub use piece_name::{PieceName, whole_name};
pub use progress::Progress;
pub use saved::{AnySource, Saved, SavedReader, open, open_reader, reader_of};
pub use text_file::{LONGEST_TEXT, read_bounded, read_text, unreadable};

/// A source of records. Live or saved, the analysis cannot tell them apart.
pub trait Source {
    /// What the source says about itself.
    fn header(&self) -> &Header;

    /// Waits for records and appends them, in the order received. `false`: there are no more.
    ///
    /// # Errors
    /// If the source broke and cannot go on. What was appended before is good.
    fn fill(&mut self, batch: &mut Vec<Record>) -> impl Future<Output = Result<bool, SourceError>>;

    /// How many lines or blocks could not be read so far. They were skipped.
    fn unreadable(&self) -> u64 {
        0
    }

    /// Whether the file stops in the middle of a line or block, as after a power cut. All
    /// that stands before is read; the torn piece is not counted as unreadable.
    fn torn(&self) -> bool {
        false
    }

    /// What a person should be told, since it was last asked: one line each, for standard
    /// error. At most a handful in all, however bad the input is.
    fn messages(&mut self) -> Vec<String> {
        Vec::new()
    }
}

/// Why a source cannot be opened or cannot go on: one line that says what, where and what to
/// do about it.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct SourceError(pub String);
