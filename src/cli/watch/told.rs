//! What a program that is run on a finding is told: one line of JSON.

use jiff::SignedDuration;
use serde::Serialize;

use crate::health::Onset;
use crate::health::summary::Finding;
use crate::wire::{Header, Nanos};
use crate::words::caution::CAUTIONS;

#[derive(Serialize)]
struct Told<'a> {
    format: &'a str,
    version: u32,
    /// The interface that is listened to.
    interface: Option<&'a str>,
    /// When it was found, in UTC.
    time: String,
    /// When the watch began; the times of the finding count from there.
    started: String,
    /// Whether it had happened before, and had been quiet since.
    again: bool,
    /// As in a summary.
    finding: Finding,
    cautions: [&'a str; CAUTIONS.len()],
}

/// The line, with its line feed.
pub(super) fn line(header: &Header, now: Nanos, onset: &Onset) -> String {
    let time = header.started.saturating_add(SignedDuration::from_nanos(now.0));
    let told = Told {
        format: "dropline-finding",
        version: 2,
        interface: header.interface.as_deref(),
        time: time.unwrap_or(header.started).to_string(),
        started: header.started.to_string(),
        again: onset.again,
        finding: Finding::of(&onset.finding),
        cautions: CAUTIONS,
    };
    // Plain fields, text keys: this cannot fail.
    let mut line = serde_json::to_string(&told).unwrap_or_default();
    line.push('\n');
    line
}
