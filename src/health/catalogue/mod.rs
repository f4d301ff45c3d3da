//! What each finding means, what else would explain it and what to check, in order.

mod bus;
mod connections;
mod data_sheets;
mod errors;
mod measurement;
mod nodes;
mod plan;

use super::Code;

/// One line of the catalogue.
#[derive(Debug, Clone, Copy)]
pub struct Entry {
    /// What it is about.
    pub code: Code,
    /// Its name in the summary.
    pub name: &'static str,
    /// How near it is to a cause.
    pub rank: Rank,
    /// What it means, in a sentence.
    pub means: &'static str,
    /// What else would explain it.
    pub or_else: &'static [&'static str],
    /// What to check, the likeliest or easiest first.
    pub check: &'static [&'static str],
}

/// How near a finding is to a cause: of two equally grave ones, the nearer comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rank {
    /// What many causes lead to.
    Symptom,
    /// What happened, whatever led to it.
    State,
    /// What leads to the others.
    Cause,
    /// What leads even to some of those, and so would be taken for them.
    Root,
    /// What even disturbs the wire, and so would be taken for any of these.
    Origin,
}

/// Every finding.
pub fn catalogue() -> impl Iterator<Item = &'static Entry> {
    [
        &measurement::ENTRIES[..],
        &bus::ENTRIES,
        &errors::ENTRIES,
        &nodes::ENTRIES,
        &connections::ENTRIES,
        &plan::ENTRIES,
        &data_sheets::ENTRIES,
    ]
    .into_iter()
    .flatten()
}

impl Entry {
    pub(super) fn of(code: Code) -> &'static Entry {
        catalogue()
            .find(|entry| entry.code == code)
            .unwrap_or_else(|| unreachable!("{code:?} has no entry, which a test would have found"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;
    use strum::VariantArray;

    #[test]
    fn every_code_has_one_entry_by_its_own_name() {
        let mut seen = BTreeSet::new();
        for entry in catalogue() {
            assert!(seen.insert(entry.code), "{} twice", entry.name);
            assert_eq!(serde_json::to_value(entry.code).unwrap(), entry.name);
            assert!(!entry.means.is_empty() && !entry.check.is_empty());
        }
        assert_eq!(seen, Code::VARIANTS.iter().copied().collect());
    }
}
