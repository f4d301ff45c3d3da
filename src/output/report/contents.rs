//! What a report is made of, before any of it is worded or drawn.

use jiff::tz::TimeZone;

use crate::analysis::Finished;
use crate::health::compare::{Comparison, Trend};
use crate::output::event_log::EventDigest;
use crate::trunk::ScanRecorder;
use crate::words::wall_clock::WallClock;

/// All that a report is made of.
#[derive(Debug, Clone, Copy)]
pub struct Report<'a> {
    /// The analysis that ended.
    pub finished: &'a Finished,
    /// What happened, in its order.
    pub log: &'a EventDigest,
    /// Scans as they were; none without a bit rate.
    pub scans: Option<&'a ScanRecorder>,
    /// What changed since the baseline, where there is one.
    pub baseline: Option<&'a Comparison>,
    /// All visits, where they were asked for.
    pub trend: Option<&'a Trend>,
    /// Where this is; a blank to fill in where it is not told.
    pub site: Option<&'a str>,
    /// Who measured; a blank to fill in where it is not told.
    pub by: Option<&'a str>,
    /// Where times of day are told.
    pub zone: &'a TimeZone,
    /// The files that were read, by which the report can be held to its capture.
    pub files: &'a [HashedFile],
}

/// A file and what it holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HashedFile {
    /// Its name, without its directory.
    pub name: String,
    /// SHA-256 of its bytes (FIPS 180-4), in hexadecimal.
    pub sha256: String,
}

impl Report<'_> {
    /// The clock beside the capture.
    pub(super) fn clock(&self) -> WallClock {
        WallClock::new(self.finished.summary.source.started, self.zone.clone())
    }
}
