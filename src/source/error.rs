//! What is wrong with a source: the error that ends it, and the complaints that do not, of which
//! ten are reported at most, then how many more.

use std::fmt::Display;
use std::io;

use crate::wire::{Bitrate, LineError};
use crate::words::{CLIP_ON, one_line};

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
    /// It has no bytes.
    #[error("empty; the watch that made it never started, or it was not copied whole")]
    Empty,
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

/// Why a live interface cannot be listened to, or set to listen.
#[derive(Debug, thiserror::Error)]
pub enum LiveError {
    /// There is none of that name.
    #[error("no interface is named {name:?}; {hint}")]
    NoInterface {
        /// The name that was given.
        name: String,
        /// Which there are.
        hint: String,
    },
    /// The kernel does not answer.
    #[error("the kernel cannot be asked about {name}: {error}")]
    NoAnswer {
        /// The interface's name.
        name: String,
        /// What went wrong.
        error: NetlinkError,
    },
    /// It is an interface of another kind.
    #[error("{0} is not a CAN interface")]
    NotCan(String),
    /// It is down.
    #[error("{name} is down; bring it up with: {command}")]
    Down {
        /// The interface's name.
        name: String,
        /// The command that sets it up.
        command: String,
    },
    /// Its driver has no listen-only mode.
    #[error(
        "the driver of {0} has no listen-only mode: {MAY_DISTURB}. Use an adapter that has it, or \
         make sure of the bit rate first; {INSIST}. {CLIP_ON}"
    )]
    NoListenOnly(String),
    /// Its driver does not tell whether it can send.
    #[error(
        "the driver of {0} does not say whether it only listens: if not, {MAY_DISTURB}. Make sure \
         of both in the adapter's own settings; {INSIST}. {CLIP_ON}"
    )]
    ListenOnlyUnknown(String),
    /// It can send.
    #[error(
        "{name} is not in listen-only mode: {MAY_DISTURB}. Set it with: {command}  ({INSIST}). {CLIP_ON}"
    )]
    AbleToSend {
        /// The interface's name.
        name: String,
        /// The command that sets it to listen only.
        command: String,
    },
    /// It is set to another bit rate than the one asked for.
    #[error(
        "{name} is set to {set}, not to the {asked} asked for; leave out --bitrate, or set it \
         with: {command}"
    )]
    OtherBitrate {
        /// The interface's name.
        name: String,
        /// The bit rate that it is set to.
        set: Bitrate,
        /// The bit rate asked for.
        asked: Bitrate,
        /// The command that sets it.
        command: String,
    },
    /// It came back with a bit rate and was begun without one.
    #[error("{0} has a bit rate now and had none at the start")]
    BitrateAppeared(String),
    /// No socket can be opened on it.
    #[error("{name} cannot be listened to: {error}")]
    CannotListen {
        /// The interface's name.
        name: String,
        /// The system's error.
        error: io::Error,
    },
    /// The socket failed while it was read.
    #[error("{name} cannot be read any more: {error}")]
    Interrupted {
        /// The interface's name.
        name: String,
        /// The system's error.
        error: io::Error,
    },
    /// Trunk time cannot count from now.
    #[error("the system clock is past the year 2262")]
    ClockTooLate,
    /// A virtual bus has no bit rate.
    #[error("{0} is virtual: it has no bit rate to find")]
    Virtual(String),
    /// To find a bit rate through it would disturb the trunk.
    #[error(
        "{0} has no listen-only mode: on a wrong bit rate it would destroy live traffic. Use an \
         adapter that has it"
    )]
    SearchNeedsListenOnly(String),
    /// Its driver has no settings.
    #[error("{0} cannot be set from here: its driver has no settings")]
    NoSettings(String),
    /// Somebody may be sending through it.
    #[error(
        "{0} is up and able to send, so that some program may be sending through it; take it down \
         first: ip link set {0} down"
    )]
    InUse(String),
    /// It was set to listen-only mode and is not in it.
    #[error("{0} was set to listen-only mode and is not in it; it is left down")]
    NotListenOnly(String),
    /// It went down during the search for the bit rate.
    #[error("{0} went down while it was listened to")]
    WentDown(String),
    /// The user may not set it.
    #[error("{name} cannot {action}: only root may; try it with sudo")]
    NotRoot {
        /// The interface's name.
        name: String,
        /// What was tried, as in "be brought up".
        action: String,
    },
    /// It went away.
    #[error("{name} cannot {action}: it is gone; was it unplugged?")]
    Gone {
        /// The interface's name.
        name: String,
        /// What was tried.
        action: String,
    },
    /// The kernel does not set it.
    #[error("{name} cannot {action}: {error}")]
    CannotSet {
        /// The interface's name.
        name: String,
        /// What was tried.
        action: String,
        /// The kernel's error.
        error: socketcan::Error,
    },
    /// The search failed, and the interface could not be set back either.
    #[error("{0}; {1}")]
    NotSetBack(Box<SourceError>, Box<LiveError>),
    /// Not the kind of interface that frames may be played onto.
    #[error(
        "{name}: not a virtual interface (its kind is {kind}); dropline never sends on a trunk, it \
         plays only onto one made with: ip link add dev vcan0 type vcan"
    )]
    NotVirtual {
        /// The interface's name.
        name: String,
        /// Its kind, in words.
        kind: String,
    },
    /// A virtual interface cannot be opened for playing.
    #[error("{name}: cannot be opened: {error}")]
    CannotPlay {
        /// The interface's name.
        name: String,
        /// The system's error.
        error: io::Error,
    },
    /// A virtual interface takes no frame.
    #[error("{name}: takes no frame: {error}")]
    NotPlayed {
        /// The interface's name.
        name: String,
        /// The system's error.
        error: socketcan::Error,
    },
}

const MAY_DISTURB: &str = "on a wrong bit rate it would destroy live traffic, and on the right one \
                           it acknowledges frames as if it belonged there";
const INSIST: &str = "--allow-active listens all the same";

/// Why the kernel cannot be asked about an interface.
#[derive(Debug, thiserror::Error)]
#[error(transparent)]
pub struct NetlinkError(Box<dyn std::error::Error + Send + Sync>);

impl NetlinkError {
    /// For any error of a netlink library.
    pub(super) fn new(error: impl Into<Box<dyn std::error::Error + Send + Sync>>) -> NetlinkError {
        NetlinkError(error.into())
    }
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

    #[test]
    fn what_a_file_holds_cannot_steer_the_terminal() {}
}
