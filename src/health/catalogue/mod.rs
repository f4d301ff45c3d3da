//! What each finding means, what else would explain it and what to check, in order.

mod nodes;
mod trunk;

use super::code::{CatalogueEntry, Code};

/// The entry of every code.
pub fn catalogue() -> impl Iterator<Item = &'static CatalogueEntry> {
    [trunk::ENTRIES, nodes::ENTRIES].into_iter().flatten()
}

impl Code {
    /// What it means and what to check.
    pub fn entry(self) -> &'static CatalogueEntry {
        catalogue()
            .find(|entry| entry.code == self)
            .unwrap_or_else(|| unreachable!("{self:?} has no entry, which a test would have found"))
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
            assert!(seen.insert(entry.code), "{:?} twice", entry.code);
            assert_eq!(serde_json::to_value(entry.code).unwrap(), entry.code.name());
            assert!(!entry.means.is_empty() && !entry.check.is_empty());
        }
        assert_eq!(seen, Code::VARIANTS.iter().copied().collect());
    }
}
