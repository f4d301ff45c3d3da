//! What the state of the trunk means: findings, and a verdict over them.

mod bus;
mod catalogue;
mod finding;
mod measurement;
mod nodes;
mod rates;
mod verdict;

pub use catalogue::{CATALOGUE, CAUTIONS, Entry};
pub use finding::{Code, Finding, Severity};
pub use rates::TwoRates;
pub use verdict::{State, Verdict};

use crate::trunk::Trunk;
use crate::wire::Bitrate;

/// What is known of the records besides the trunk's state.
#[derive(Debug, Clone, Copy, Default)]
pub struct Context {
    /// The trunk's bit rate.
    pub bitrate: Option<Bitrate>,
    /// Lines or blocks of the source that could not be read.
    pub unreadable: u64,
}

/// Everything found, the gravest first.
pub fn findings(trunk: &Trunk, context: &Context) -> Vec<Finding> {
    let mut found = Vec::new();
    nodes::find(trunk, &mut found);
    bus::find(trunk, context, &mut found);
    measurement::find(trunk, context, &mut found);
    found.sort_by_key(|finding| {
        (std::cmp::Reverse(finding.severity), finding.first, finding.mac_id, finding.code)
    });
    found
}
