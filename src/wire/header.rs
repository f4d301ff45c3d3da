//! What a source says about itself before its first record: the first line of a capture.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::Bitrate;

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
