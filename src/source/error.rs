//! What is wrong with a source: the error that ends it, and the complaints that do not, of which
//! ten are reported at most, then how many more.

use std::fmt::Display;
use std::io;

use super::live::LiveError;
use crate::wire::LineError;
use crate::words::one_line;

/// Why a source cannot be opened or cannot go on: one line that says what, where and what to
/// do about it.
#[derive(Debug, thiserror::Error)]
pub enum SourceError {
    /// A file cannot be opened or read.
    #[error("{name}: {error}")]
    File {
        /// The file's name.
        name: String,
        /// What keeps it from being read.
        error: FileError,
    },
    /// A file cannot be read to its end.
    #[error("{name}: cannot be read on: {error}; copy it from a sound disk")]
    Interrupted {
        /// The file's name.
        name: String,
        /// The system's error.
        error: io::Error,
    },
    /// What a file holds is of no format that is read, or breaks its rules.
    #[error("{}", one_line(&format!("{name}: {error}")))]
    Format {
        /// The file's name.
        name: String,
        /// What is wrong with what it holds.
        error: FormatError,
    },
    /// Several captures are no parts of one.
    #[error(transparent)]
    CaptureSet(#[from] CaptureSetError),
    /// A live interface cannot be listened to.
    #[error(transparent)]
    Live(#[from] LiveError),
    /// There is no thread to read on.
    #[error("cannot start a thread: {0}")]
    Thread(io::Error),
}

impl SourceError {
    /// For a file whose content is wrong.
    pub(super) fn format(name: &str, error: FormatError) -> SourceError {
        SourceError::Format { name: name.to_owned(), error }
    }

    /// For a file that failed while it was read.
    pub(super) fn interrupted(name: &str, error: io::Error) -> SourceError {
        SourceError::Interrupted { name: name.to_owned(), error }
    }
}

/// Why the content of a file cannot be read as records.
#[derive(Debug, thiserror::Error)]
pub enum FormatError {
    /// Not a file of any format that is read.
    #[error("line 1: not a dropline capture; give a .jsonl or .jsonl.zst capture or a pcapng file")]
    Unknown,
    /// The first line of a capture makes no sense.
    #[error("line 1: {0}")]
    Header(LineError),
    /// The file stops within its first line.
    #[error("line 1: the file is cut off before its first line ends")]
    CutOff,
    /// The first line lies in a stretch that cannot be unpacked.
    #[error("line 1: damaged: it cannot be unpacked; copy it again")]
    Damaged,
    /// A pcap file, not pcapng.
    #[error("a pcap file of the older kind; save it as pcapng and give that")]
    OldPcap,
    /// Nothing says whose packets follow a broken description of an interface.
    #[error(
        "an interface is described behind a description that is broken, so that nobody knows \
         whose packets follow"
    )]
    InterfaceUnnumbered,
    /// A section describes more interfaces than are kept.
    #[error(
        "more than {0} bytes of descriptions of interfaces; cut the file down to those that are \
         wanted"
    )]
    TooManyInterfaces(usize),
    /// A section of pcapng in a version that is not known.
    #[error("version {0}.{1} of pcapng is not known; save it as version 1.0")]
    PcapngVersion(u16, u16),
    /// The section header or the interface that the packets depend on is broken.
    #[error("the block that says how to read the rest is broken: {0}")]
    BrokenDescription(BlockError),
    /// The user has to choose an interface.
    #[error("has several CAN interfaces ({0}); choose one with --interface")]
    SeveralInterfaces(String),
    /// The interface that was asked for has no packets, or is not there.
    #[error("no packets of a CAN interface {wanted}; it has: {present}")]
    InterfaceMissing {
        /// The one that was asked for.
        wanted: String,
        /// Those that are there.
        present: String,
    },
    /// There is a CAN interface without packets.
    #[error("no packets on its CAN interface; nothing to read")]
    NoPackets,
    /// There is no CAN interface.
    #[error("no CAN packets; those of link type 227 are read")]
    NoCan,
}

/// Why a block of pcapng cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum BlockError {
    /// It breaks the rules of the format.
    #[error("not by the format: {0}")]
    Malformed(#[from] pcap_file::pcapng::PcapNgParseError),
    /// A packet from before 1970, or from too long behind it.
    #[error("its time is beyond all calendars")]
    Time,
    /// Longer than is taken apart.
    #[error("a block of {length} bytes, more than the {most} that are read")]
    TooLong {
        /// How long it is.
        length: usize,
        /// How long one may be.
        most: usize,
    },
}

/// Why a file cannot be opened or read.
#[derive(Debug, thiserror::Error)]
pub enum FileError {
    /// There is none of that name; perhaps one of almost that name.
    #[error("there is no such file; {}", hint(.0.as_deref()))]
    NotFound(Option<String>),
    /// The user may not read it.
    #[error("you may not read it; ask its owner for the right to")]
    Forbidden,
    /// It is a directory.
    #[error("a directory; give one file in it")]
    Directory,
    /// It can be read once only, where it has to be read twice.
    #[error("a pipe, which can be read once only; save what comes through it, and give that")]
    Pipe,
    /// It has no bytes.
    #[error("empty; the watch that made it never started, or it was not copied whole")]
    Empty,
    /// On Windows, a program that has a file open may keep it from all others.
    #[error("another program has it open; close it there")]
    Locked,
    /// It is no text.
    #[error("no text; is it the right file?")]
    NotText,
    /// It is longer than such a file can be.
    #[error("{0}")]
    TooLong(io::Error),
    /// A directory of data sheets cannot be listed.
    #[error("cannot read the data sheets: {0}")]
    DataSheets(io::Error),
    /// The system refuses for another reason.
    #[error("cannot be read: {0}")]
    Other(io::Error),
}

fn hint(almost: Option<&str>) -> String {
    match almost {
        Some(other) => format!("did you mean {other}?"),
        None => "check its name".into(),
    }
}

/// Why captures cannot be read as one.
#[derive(Debug, thiserror::Error)]
pub enum CaptureSetError {
    /// No capture has anything in it.
    #[error("there is nothing in any of these captures")]
    Empty,
    /// They are of trunks with different bit rates.
    #[error(
        "{first} is of a trunk at {first_rate}, {other} of one at {other_rate}; replay them apart"
    )]
    Bitrates {
        /// The first capture.
        first: String,
        /// Its bit rate, in words.
        first_rate: String,
        /// One that does not go with it.
        other: String,
        /// The bit rate of that.
        other_rate: String,
    },
    /// One begins before another ends.
    #[error("{after} begins {seconds:.3} s before {before} ends; give the pieces of one watch")]
    Overlap {
        /// The capture that begins first.
        before: String,
        /// The one that begins too early.
        after: String,
        /// How much too early.
        seconds: f64,
    },
    /// Their times are further apart than trunk time can count.
    #[error("captures 292 years apart are not one; replay them apart")]
    TooFarApart,
}

/// How many complaints about one file are reported.
const REPORTED: u64 = 10;

/// Collects complaints about one file until they are taken to be shown.
#[derive(Debug)]
pub struct Complaints {
    name: String,
    count: u64,
    waiting: Vec<String>,
}

impl Complaints {
    /// For the file of this name.
    pub fn new(name: impl Display) -> Complaints {
        Complaints { name: name.to_string(), count: 0, waiting: Vec::new() }
    }

    /// Adds a complaint about one place; only the first ten cost more than counting.
    pub fn add(&mut self, place: impl Display, what: impl Display) {
        self.say(format_args!("{place}: {what}"));
    }

    /// Adds a complaint about the whole file.
    pub fn say(&mut self, what: impl Display) {
        self.count += 1;
        if self.count <= REPORTED {
            self.waiting.push(one_line(&format!("{}: {what}", self.name)));
        }
    }

    /// Adds a remark, which does not count as a complaint.
    pub fn note(&mut self, what: impl Display) {
        self.waiting.push(one_line(&format!("{}: {what}", self.name)));
    }

    /// There will be no more: adds how many were not reported.
    pub fn close(&mut self) {
        if self.count > REPORTED {
            let more = self.count - REPORTED;
            self.waiting.push(format!("{}: and {more} more like these", self.name));
            self.count = 0;
        }
    }

    /// Takes what has not been shown yet.
    pub fn take(&mut self) -> Vec<String> {
        std::mem::take(&mut self.waiting)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_are_told_and_the_rest_counted() {
        let mut complaints = Complaints::new("a.jsonl");
        for line in 1..=25 {
            complaints.add(format_args!("line {line}"), "id: missing");
        }
        complaints.close();
        complaints.close();
        let messages = complaints.take();
        assert_eq!(messages.len(), 11);
        assert_eq!(messages[0], "a.jsonl: line 1: id: missing");
        assert_eq!(messages[10], "a.jsonl: and 15 more like these");
        assert!(complaints.take().is_empty());
    }
}
