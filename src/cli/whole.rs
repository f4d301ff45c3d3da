//! One capture, or all pieces of one, as the commands that read captures are given them.

use std::path::PathBuf;

use super::Failure;
use super::listen::file_name;
use crate::source::{self, ReadAhead, ReadOptions, Reader, SourceError};
use crate::wire::{Header, Record};

/// What these captures are called together: the file, or what all the pieces share.
pub(super) fn name_of(captures: &[PathBuf]) -> String {
    let names: Vec<String> = captures.iter().map(|path| file_name(path)).collect();
    match &names[..] {
        [one] => one.clone(),
        [first, others @ ..] => source::whole_name(names.iter().map(String::as_str))
            .unwrap_or_else(|| format!("{first} and {} more", others.len())),
        [] => String::new(),
    }
}

/// Of several captures a part would be taken for the whole: it is none. A single one that breaks
/// off is as good as one that was cut off.
pub(super) struct Whole {
    source: ReadAhead,
    several: bool,
    broken: Option<SourceError>,
}

impl Whole {
    /// Opens them to be read as one.
    pub(super) fn open(captures: &[PathBuf], options: &ReadOptions) -> Result<Whole, Failure> {
        let source = source::open_all(captures, options).map_err(|e| Failure(e.to_string()))?;
        Ok(Whole { source, several: captures.len() > 1, broken: None })
    }

    /// Nothing more is read: whether that was all of it.
    ///
    /// # Errors
    /// Why one of several captures could not be read to its end.
    pub(super) fn finish(self) -> Result<(), Failure> {
        self.broken.map_or(Ok(()), |error| Err(Failure(error.to_string())))
    }
}

impl Reader for Whole {
    fn header(&self) -> &Header {
        self.source.header()
    }

    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        match self.source.read(batch) {
            Err(error) if self.several => {
                self.broken = Some(error);
                Ok(false)
            }
            result => result,
        }
    }

    fn unreadable(&self) -> u64 {
        self.source.unreadable()
    }

    fn torn(&self) -> bool {
        self.source.torn()
    }

    fn messages(&mut self) -> Vec<String> {
        self.source.messages()
    }
}
