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
pub use event_rates::{ErrorTrend, TrendDirection, TwoRates};
pub use evidence::Evidence;
pub use finding::{Condition, Context, Finding, Severity, Verdict};
pub use onset::{Onset, OnsetTracker, OnsetUpdate};
pub use plan::Expectation;
pub use summary::Summary;

use crate::fieldbus::eds::SheetIndex;
use crate::trunk::Trunk;

/// What the wire is compared with.
#[derive(Debug, Clone, Copy, Default)]
pub struct References<'a> {
    /// The plan of the trunk.
    pub plan: Option<&'a Expectation>,
    /// The data sheet files.
    pub sheets: Option<&'a SheetIndex>,
}

/// Everything found, also where the wire differs from plan and data sheets: the gravest first, of
/// equally grave ones the nearest to a cause.
pub fn findings(trunk: &Trunk, context: &Context, references: References) -> Vec<Finding> {
    let mut found = Vec::new();
    nodes::find(trunk, &mut found);
    answers::find(trunk, &mut found);
    masters::find(trunk, context, &mut found);
    drives::find(trunk, &mut found);
    bus::find(trunk, context, &mut found);
    measurement::find(trunk, context, &mut found);
    if let Some(plan) = references.plan {
        plan.find(trunk, context, &mut found);
    }
    if let Some(sheets) = references.sheets {
        data_sheets::find(sheets, trunk, &mut found);
    }
    found.sort_by_key(|finding| {
        let rank = finding.code.entry().rank;
        let grave_first = std::cmp::Reverse((finding.severity, rank));
        (grave_first, finding.first.is_none(), finding.first, finding.mac_id, finding.code)
    });
    found
}
