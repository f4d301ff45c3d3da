//! Where records come from: a live interface, a capture, pcapng, the simulated trunk.

use std::future::Future;

use crate::wire::{Header, Record};

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
}

/// Why a source cannot be opened or cannot go on: one line that says what, where and what to
/// do about it.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct SourceError(pub String);
