//! A source whose records all go into a capture as they come by.

use crate::output::capture::CaptureWriter;
use crate::source::{Source, SourceError};
use crate::wire::{Header, Record};

/// A source, and the writer of its capture.
pub(super) struct Captured<S> {
    pub(super) source: S,
    pub(super) writer: CaptureWriter,
}

impl<S: Source> Source for Captured<S> {
    fn header(&self) -> &Header {
        self.source.header()
    }

    async fn fill(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        let before = batch.len();
        let more = self.source.fill(batch).await;
        self.writer.send(&batch[before..]);
        more
    }

    fn unreadable(&self) -> u64 {
        self.source.unreadable()
    }

    fn torn(&self) -> bool {
        self.source.torn()
    }

    fn messages(&mut self) -> Vec<String> {
        let mut messages = self.source.messages();
        messages.extend(self.writer.messages());
        messages
    }
}
