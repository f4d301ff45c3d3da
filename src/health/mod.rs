//! What the state of the trunk means: findings, and a verdict over them.

mod answers;
mod bus;
mod catalogue;
mod code;
pub mod compare;
mod data_sheets;
mod disturbances;
mod drives;
mod event_rates;
pub mod evidence;
mod finding;
mod masters;
mod measurement;
mod nodes;
mod onset;
mod plan;
pub mod summary;

pub use catalogue::catalogue;
pub use code::{CatalogueEntry, Code, Rank};
pub use event_rates::{Direction, ErrorTrend, TwoRates};
pub use evidence::Evidence;
pub use finding::{Context, Finding, Severity, State, Verdict};
pub use onset::{Onset, OnsetTracker, OnsetUpdate};
pub use plan::Expectation;
pub use summary::Summary;

use crate::fieldbus::eds::Index;
use crate::trunk::Trunk;

/// What the wire is held against.
#[derive(Debug, Clone, Copy, Default)]
pub struct Against<'a> {
    /// The plan of the trunk.
    pub plan: Option<&'a Expectation>,
    /// The data sheet files.
    pub sheets: Option<&'a Index>,
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
