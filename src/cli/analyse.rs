//! What commands that work through a source share: its analysis from the first record to the
//! summary.

use std::path::{Path, PathBuf};

use super::terminal::say;
use crate::analysis::{Analysis, Finished, Given};
use crate::health::Summary;
use crate::health::summary::SourceKind;
use crate::source::{self, ReadAhead, ReadOptions, Reader, SourceError};
use crate::trunk::Event;
use crate::wire::{Header, Nanos, Record};

/// What goes by while a source is analysed.
#[derive(Debug)]
pub(super) enum Observed<'a> {
    /// The next record.
    Record(&'a Record),
    /// What it, or the end, changed on the trunk.
    Event(Nanos, Event),
    /// A message of the source for the user.
    Message(&'a str),
}

/// Takes everything that the source delivers through the analysis. A source that breaks ends
/// it as a capture that was cut off does.
pub(super) fn analyse(source: &mut (impl Reader + ?Sized), given: Given, name: &str) -> Summary {
    analyse_with(source, given, name, &mut show_messages).summary
}

/// For [`analyse_with`]: messages go to standard error, nothing else is looked at.
pub(super) fn show_messages(observed: Observed<'_>) {
    if let Observed::Message(message) = observed {
        say(message);
    }
}

/// The same for a command that shows more than a summary holds: `observe` is called with everything
/// that goes by, and the last state of the trunk is returned, too.
pub(super) fn analyse_with(
    source: &mut (impl Reader + ?Sized),
    given: Given,
    name: &str,
    observe: &mut impl FnMut(Observed<'_>),
) -> Finished {
    let mut analysis = Analysis::new(source.header()).with(given);
    let mut batch = Vec::new();
    loop {
        let more = source.read(&mut batch);
        for record in &batch {
            analysis.take(record, &mut |t, event| observe(Observed::Event(t, event)));
            observe(Observed::Record(record));
        }
        batch.clear();
        for message in source.messages() {
            observe(Observed::Message(&message));
        }
        match more {
            Ok(true) => {}
            Ok(false) => break,
            // What was read is good, and the summary says that it is not complete.
            Err(error) => {
                observe(Observed::Message(&error.to_string()));
                break;
            }
        }
    }
    let mut events = |t, event| observe(Observed::Event(t, event));
    analysis.finish_with_state(SourceKind::Capture, name, source.unreadable(), &mut events)
}

/// The last part of a path, as a summary names its capture.
pub(super) fn file_name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}

/// The name of these captures together: that of the file, or what the names of the pieces share.
pub(super) fn capture_name(captures: &[PathBuf]) -> String {
    let names: Vec<String> = captures.iter().map(|path| file_name(path)).collect();
    match &names[..] {
        [one] => one.clone(),
        [first, others @ ..] => source::whole_name(names.iter().map(String::as_str))
            .unwrap_or_else(|| format!("{first} and {} more", others.len())),
        [] => String::new(),
    }
}

/// One capture, or all pieces of one, as a command is given them. If reading fails within one of
/// several, there is no result: the part would be taken for the whole. A single capture that fails
/// counts as one that was cut off.
pub(super) struct CaptureSet {
    reader: ReadAhead,
    several: bool,
    broken: Option<SourceError>,
}

impl CaptureSet {
    /// Opens them to be read as one.
    pub(super) fn open(captures: &[PathBuf], options: &ReadOptions) -> anyhow::Result<CaptureSet> {
        let reader = source::open_all(captures, options)?;
        Ok(CaptureSet { reader, several: captures.len() > 1, broken: None })
    }

    /// To be called once nothing more is read.
    ///
    /// # Errors
    /// Why one of several captures could not be read to its end.
    pub(super) fn finish(self) -> anyhow::Result<()> {
        self.broken.map_or(Ok(()), |error| Err(error.into()))
    }
}

impl Reader for CaptureSet {
    fn header(&self) -> &Header {
        self.reader.header()
    }

    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        match self.reader.read(batch) {
            Err(error) if self.several => {
                self.broken = Some(error);
                Ok(false)
            }
            result => result,
        }
    }

    fn unreadable(&self) -> u64 {
        self.reader.unreadable()
    }

    fn torn(&self) -> bool {
        self.reader.torn()
    }

    fn messages(&mut self) -> Vec<String> {
        self.reader.messages()
    }
}
