//! The verdict: is it well, and if not, who?

use std::fmt;

use schemars::JsonSchema;
use serde::Serialize;

use super::{Code, Finding, Severity};

/// How the trunk is, in a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// No fault and no warning.
    Well,
    /// Warnings, no fault.
    WantsALook,
    /// At least one fault.
    NotWell,
    /// Too little was heard to judge.
    CannotTell,
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            State::Well => "WELL",
            State::WantsALook => "WANTS A LOOK",
            State::NotWell => "NOT WELL",
            State::CannotTell => "CANNOT TELL",
        })
    }
}

/// The verdict in a word, and why.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct Verdict {
    /// The word.
    pub state: State,
    /// How many faults.
    pub faults: usize,
    /// How many warnings.
    pub warnings: usize,
    /// How many notes.
    pub notes: usize,
}

impl Verdict {
    /// Over all that was found.
    pub fn over(findings: &[Finding]) -> Verdict {
        let count = |severity| findings.iter().filter(|f| f.severity == severity).count();
        let (faults, warnings) = (count(Severity::Fault), count(Severity::Warning));
        let deaf =
            findings.iter().any(|f| matches!(f.code, Code::NothingHeard | Code::NothingUnderstood));
        let state = match (deaf, faults, warnings) {
            (true, ..) => State::CannotTell,
            (_, 0, 0) => State::Well,
            (_, 0, _) => State::WantsALook,
            _ => State::NotWell,
        };
        Verdict { state, faults, warnings, notes: count(Severity::Note) }
    }
}
