//! In the place of a live trunk where the system has no SocketCAN: it says so.

use super::{LiveOptions, LiveSource, SourceError};
use crate::wire::{Header, Nanos, Record};

/// Why nothing can be listened to.
#[derive(Debug, thiserror::Error)]
#[error(
    "{0}: listening to a trunk needs Linux, whose kernel has SocketCAN; captures made there are \
     read here"
)]
pub struct LiveError(String);

/// There is none.
enum NoLiveSource {}

/// Listens to nothing.
///
/// # Errors
/// Always: one line that says what is needed.
pub fn open_live(options: LiveOptions) -> Result<impl LiveSource, SourceError> {
    Err::<NoLiveSource, _>(LiveError(options.interface).into())
}

impl LiveSource for NoLiveSource {
    fn header(&self) -> &Header {
        match *self {}
    }

    async fn receive(&mut self, _: &mut Vec<Record>) -> Result<(), SourceError> {
        match *self {}
    }

    fn stop(&mut self, _: &mut Vec<Record>) -> Nanos {
        match *self {}
    }

    fn now(&self) -> Nanos {
        match *self {}
    }

    fn buffer_bytes(&self) -> usize {
        match *self {}
    }

    fn messages(&mut self) -> Vec<String> {
        match *self {}
    }
}
