//! The verdict: is it well, and if not, who?

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Code, Finding, Severity};

/// How the trunk is, in a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
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
        Verdict::of(findings.iter().map(|finding| (finding.code, finding.severity)))
    }

    /// The same from codes and severities alone.
    pub fn of(findings: impl Iterator<Item = (Code, Severity)> + Clone) -> Verdict {
        let count = |severity| findings.clone().filter(|f| f.1 == severity).count();
        let (faults, warnings) = (count(Severity::Fault), count(Severity::Warning));
        let deaf = findings
            .clone()
            .any(|(code, _)| matches!(code, Code::NothingHeard | Code::NothingUnderstood));
        let state = match (deaf, faults, warnings) {
            (true, ..) => State::CannotTell,
            (_, 0, 0) => State::Well,
            (_, 0, _) => State::WantsALook,
            _ => State::NotWell,
        };
        Verdict { state, faults, warnings, notes: count(Severity::Note) }
    }
}
