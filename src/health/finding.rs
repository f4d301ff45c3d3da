//! One finding: what was seen, how grave it is, what to check.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Code, Evidence};
use crate::fieldbus::MacId;
use crate::trunk::Occurrences;
use crate::wire::Nanos;

/// How grave a finding is.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    JsonSchema,
    strum::VariantArray,
)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing.
    Note,
    /// Something is not as it should be; the trunk works.
    Warning,
    /// Something does not work.
    Fault,
}

impl Severity {
    /// The word for it, on a screen and in a file.
    pub const fn word(self) -> &'static str {
        match self {
            Severity::Note => "note",
            Severity::Warning => "warning",
            Severity::Fault => "fault",
        }
    }
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// One finding.
#[derive(Debug, Clone, PartialEq)]
pub struct Finding {
    /// What was found.
    pub code: Code,
    /// How grave it is here.
    pub severity: Severity,
    /// The node that it is about, where it is about one.
    pub mac_id: Option<MacId>,
    /// How often it happened.
    pub count: u64,
    /// When first.
    pub first: Option<Nanos>,
    /// When last.
    pub last: Option<Nanos>,
    /// What was seen.
    pub evidence: Evidence,
}

impl Finding {
    /// A finding about the trunk.
    pub(super) fn new(
        code: Code,
        severity: Severity,
        seen: &Occurrences,
        evidence: Evidence,
    ) -> Self {
        Finding {
            code,
            severity,
            mac_id: None,
            count: seen.count(),
            first: seen.first(),
            last: seen.last(),
            evidence,
        }
    }

    /// The same about a node.
    pub(super) fn at(mut self, mac_id: MacId) -> Self {
        self.mac_id = Some(mac_id);
        self
    }

    /// The same with the times of these.
    pub(super) fn span(mut self, seen: &Occurrences) -> Self {
        self.first = seen.first();
        self.last = seen.last();
        self
    }

    /// The same with a count of its own.
    pub(super) fn times(mut self, count: u64) -> Self {
        self.count = count;
        self
    }
}
