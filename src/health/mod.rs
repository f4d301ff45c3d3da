//! What the state of the trunk means: findings, and a verdict over them.

mod bus;
mod catalogue;
pub mod compare;
mod drives;
mod event_rates;
pub mod evidence;
mod expectation;
mod explanation;
mod finding;
pub(crate) mod json;
mod nodes;
pub mod summary;

pub use catalogue::catalogue;
pub(crate) use event_rates::TwoRates;
pub use event_rates::{ErrorTrend, TrendDirection};
pub use evidence::Evidence;
pub use expectation::Expectation;
pub(crate) use expectation::References;
pub(crate) use explanation::roots;
pub use finding::{
    CatalogueEntry, Code, Condition, Context, Explanation, Finding, Rank, Severity, Verdict,
};
pub(crate) use finding::{Onset, OnsetTracker, OnsetUpdate};
pub use summary::Summary;

use crate::trunk::Trunk;

/// Everything found, also where the wire differs from plan and data sheets: each cause followed by
/// what it explains, the gravest first, of equally grave ones the nearest to a cause.
pub(crate) fn findings(trunk: &Trunk, context: &Context, references: References) -> Vec<Finding> {
    let mut found = Vec::new();
    nodes::find(trunk, &mut found);
    nodes::find_on_connections(trunk, context, &mut found);
    bus::find(trunk, context, &mut found);
    if let Some(plan) = references.plan {
        plan.compare(trunk, context, &mut found);
    }
    if let Some(sheets) = references.sheets {
        expectation::compare_data_sheets(sheets, trunk, &mut found);
    }
    explanation::explain(trunk, found)
}
