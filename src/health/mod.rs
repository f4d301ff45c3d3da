//! What the state of the trunk means: findings, and a verdict over them.

mod answers;
mod bus;
mod catalogue;
mod code;
pub mod compare;
mod data_sheets;
mod disturbances;
mod drives;
mod error_trend;
pub mod evidence;
mod finding;
mod happenings;
mod masters;
mod measurement;
mod nodes;
mod plan;
mod rates;
pub mod summary;
mod verdict;

pub use catalogue::catalogue;
pub use code::{CatalogueEntry, Code, Rank};
pub use error_trend::{Direction, ErrorTrend};
pub use evidence::Evidence;
pub use finding::{Finding, Severity};
pub use happenings::{Happening, Happenings, Look};
pub use plan::Expectation;
pub use rates::TwoRates;
pub use summary::Summary;
pub use verdict::{State, Verdict};

use crate::fieldbus::eds::Index;
use crate::trunk::Trunk;
use crate::wire::{Bitrate, Header};

/// What is known of the records besides the trunk's state.
#[derive(Debug, Clone, Copy, Default)]
pub struct Context {
    /// The trunk's bit rate.
    pub bitrate: Option<Bitrate>,
    /// Whether each bus error became an error frame, where that is known.
    pub reports_errors: Option<bool>,
    /// Lines or blocks of the source that could not be read.
    pub unreadable: u64,
}

/// What the wire is held against.
#[derive(Debug, Clone, Copy, Default)]
pub struct Against<'a> {
    /// The plan of the trunk.
    pub plan: Option<&'a Expectation>,
    /// The data sheet files.
    pub sheets: Option<&'a Index>,
}

impl Context {
    /// What the source's header tells.
    pub fn of(header: &Header, unreadable: u64) -> Context {
        Context { bitrate: header.bitrate, reports_errors: header.reports_errors, unreadable }
    }
}

/// Everything found: the gravest first, of equally grave ones the nearest to a cause.
pub fn findings(trunk: &Trunk, context: &Context) -> Vec<Finding> {
    findings_against(Against::default(), trunk, context)
}

/// The same; with a plan, and data sheets, also where the wire differs from them.
pub fn findings_against(against: Against, trunk: &Trunk, context: &Context) -> Vec<Finding> {
    let mut found = Vec::new();
    nodes::find(trunk, &mut found);
    answers::find(trunk, &mut found);
    masters::find(trunk, context, &mut found);
    drives::find(trunk, &mut found);
    bus::find(trunk, context, &mut found);
    measurement::find(trunk, context, &mut found);
    if let Some(plan) = against.plan {
        plan.find(trunk, context, &mut found);
    }
    if let Some(sheets) = against.sheets {
        data_sheets::find(sheets, trunk, &mut found);
    }
    found.sort_by_key(|finding| {
        let rank = finding.code.entry().rank;
        let grave_first = std::cmp::Reverse((finding.severity, rank));
        (grave_first, finding.first.is_none(), finding.first, finding.mac_id, finding.code)
    });
    found
}
