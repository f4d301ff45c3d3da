//! The record: one thing that happened on the wire, and when; and the header, what a source says
//! about itself before its first record.

use std::iter;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{Bitrate, ErrorFrame, Frame, Nanos};

/// One record of a capture or of a live watch, in the order received.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Record {
    /// When the last bit had been received, counted from the capture's `started`.
    pub t: Nanos,
    /// What happened.
    pub what: What,
}

impl Record {
    /// The memory that it takes, with its text, in bytes.
    pub fn memory(&self) -> usize {
        let text = match &self.what {
            What::Mark(text) | What::LinkDown(Some(text)) => text.len(),
            _ => 0,
        };
        size_of::<Record>() + text
    }

    /// Appends the record of a good frame, made in place: `push` takes one that is made elsewhere and
    /// copied while it is still being stored, which takes several times as long.
    #[inline]
    pub fn add_frame(records: &mut Vec<Record>, t: Nanos, frame: Frame) {
        records.extend(iter::once_with(|| Record { t, what: What::Frame(frame) }));
    }
}

/// What a record tells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum What {
    /// A good frame.
    Frame(Frame),
    /// An error frame, as the controller's driver reported it.
    Error(ErrorFrame),
    /// So many frames were dropped by the kernel or the adapter since the record before.
    Lost(u64),
    /// The interface went down or vanished, for the reason given.
    LinkDown(Option<Box<str>>),
    /// The interface is up again.
    LinkUp,
    /// A note by the person who watched.
    Mark(Box<str>),
    /// The capture ended cleanly; what it should hold.
    End(Box<Tally>),
}

/// How much a capture holds, written at its end so that a reader can tell that it has it all.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    Default,
    serde::Serialize,
    serde::Deserialize,
    schemars::JsonSchema,
)]
#[serde(default)]
pub struct Tally {
    /// Good frames.
    pub frames: u64,
    /// Error frames.
    pub error_frames: u64,
    /// Frames known to be lost: the sum of all `lost` records.
    pub lost_frames: u64,
}

impl Tally {
    /// The tally of both together.
    pub fn plus(self, other: Tally) -> Tally {
        Tally {
            frames: self.frames.saturating_add(other.frames),
            error_frames: self.error_frames.saturating_add(other.error_frames),
            lost_frames: self.lost_frames.saturating_add(other.lost_frames),
        }
    }

    /// Counts one more record.
    pub fn add(&mut self, what: &What) {
        match what {
            What::Frame(_) => self.frames += 1,
            What::Error(_) => self.error_frames += 1,
            What::Lost(n) => self.lost_frames = self.lost_frames.saturating_add(*n),
            _ => {}
        }
    }
}

/// Whose clock stamped the records.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Clock {
    /// The adapter's own.
    Hardware,
    /// The kernel's, at reception.
    Kernel,
    /// A simulation's.
    Simulated,
    /// Taken over from another file.
    Imported,
}

impl std::fmt::Display for Clock {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Clock::Hardware => "hardware",
            Clock::Kernel => "kernel",
            Clock::Simulated => "simulated",
            Clock::Imported => "imported",
        })
    }
}

/// Where, when and how the records were taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// Trunk time zero.
    pub started: Timestamp,
    /// The trunk's bit rate; unknown for a virtual interface that was given none.
    pub bitrate: Option<Bitrate>,
    /// The interface's name.
    pub interface: Option<String>,
    /// Whether the controller could only listen; unknown where nobody said.
    pub listen_only: Option<bool>,
    /// Whether the driver made an error frame of each bus error; unknown where that cannot be
    /// switched, or nobody said.
    pub reports_errors: Option<bool>,
    /// Whose clock stamped the records; unknown where the file does not say.
    pub clock: Option<Clock>,
    /// The program that made the capture, and its version.
    pub tool: Option<String>,
}

impl Header {
    /// One that knows only when it started.
    pub fn starting(started: Timestamp) -> Header {
        Header {
            started,
            bitrate: None,
            interface: None,
            listen_only: None,
            reports_errors: None,
            clock: None,
            tool: None,
        }
    }

    /// What this program writes as `tool`.
    pub const TOOL: &str = concat!("dropline ", env!("CARGO_PKG_VERSION"));
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two to a cache line: records go from core to core.
    #[test]
    fn a_record_is_half_a_cache_line() {
        assert!(size_of::<Record>() <= 32);
    }
}
