//! A source whose records all go into a capture as they come by.

use crate::output::capture::CaptureWriter;
use crate::source::{Reader, SourceError};
use crate::wire::{Header, Record};

/// A source, and the writer of its capture.
pub(super) struct Captured<R> {
    pub(super) source: R,
    pub(super) writer: CaptureWriter,
}

impl<R: Reader> Reader for Captured<R> {
    fn header(&self) -> &Header {
        self.source.header()
    }

    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        let before = batch.len();
        let more = self.source.read(batch);
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
