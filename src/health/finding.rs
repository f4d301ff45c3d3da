//! A finding, its code and what the catalogue says of it, how grave it is, when it begins; the verdict
//! over all findings.

use std::collections::BTreeMap;
use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::evidence::{CountedEvent, Evidence};
use crate::fieldbus::MacId;
use crate::trunk::Occurrences;
use crate::wire::{Bitrate, Header, Nanos};

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

/// What explains a finding.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Explanation {
    /// The finding that explains it.
    pub code: Code,
    /// The node that that one is about, where it is about one.
    pub mac_id: Option<MacId>,
    /// How the one leads to the other, in words.
    pub reason: String,
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
    /// The finding of which it is a consequence, where it is one.
    pub explained_by: Option<Explanation>,
}

impl Finding {
    /// A finding about the trunk; not counted, at no certain time.
    pub(super) fn new(code: Code, severity: Severity, evidence: Evidence) -> Finding {
        Finding {
            code,
            severity,
            mac_id: None,
            count: 0,
            first: None,
            last: None,
            evidence,
            explained_by: None,
        }
    }

    /// A finding of which only the number matters; none if it is zero.
    pub(super) fn counted(
        code: Code,
        severity: Severity,
        what: CountedEvent,
        occurrences: &Occurrences,
    ) -> Option<Finding> {
        let evidence = Evidence::Count { what, count: occurrences.count() };
        let finding = || Finding::new(code, severity, evidence).with_occurrences(occurrences);
        (occurrences.count() > 0).then(finding)
    }

    /// The same about a node.
    pub(super) fn at(self, mac_id: MacId) -> Finding {
        Finding { mac_id: Some(mac_id), ..self }
    }

    /// The same with a count.
    pub(super) fn with_count(self, count: u64) -> Finding {
        Finding { count, ..self }
    }

    /// The same with the first and the last time.
    pub(super) fn with_times(self, first: Option<Nanos>, last: Option<Nanos>) -> Finding {
        Finding { first, last, ..self }
    }

    /// The same with count and times of these.
    pub(super) fn with_occurrences(self, occurrences: &Occurrences) -> Finding {
        self.with_count(occurrences.count()).with_times(occurrences.first(), occurrences.last())
    }
}

/// How the trunk is, in a word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Condition {
    /// No fault and no warning.
    Well,
    /// Warnings, no fault.
    WantsALook,
    /// At least one fault.
    NotWell,
    /// Too little was heard to judge.
    CannotTell,
}

impl fmt::Display for Condition {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Condition::Well => "WELL",
            Condition::WantsALook => "WANTS A LOOK",
            Condition::NotWell => "NOT WELL",
            Condition::CannotTell => "CANNOT TELL",
        })
    }
}

/// The verdict in a word, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Verdict {
    /// The word.
    pub state: Condition,
    /// How many faults.
    pub faults: usize,
    /// How many warnings.
    pub warnings: usize,
    /// How many notes.
    pub notes: usize,
}

impl Verdict {
    /// The verdict over all findings.
    pub fn from_findings(findings: &[Finding]) -> Verdict {
        Verdict::new(findings.iter().map(|finding| (finding.code, finding.severity)))
    }

    /// From codes and severities alone.
    pub fn new(findings: impl Iterator<Item = (Code, Severity)> + Clone) -> Verdict {
        let count = |severity| findings.clone().filter(|f| f.1 == severity).count();
        let (faults, warnings) = (count(Severity::Fault), count(Severity::Warning));
        let deaf = findings
            .clone()
            .any(|(code, _)| matches!(code, Code::NothingHeard | Code::NothingUnderstood));
        let state = match (deaf, faults, warnings) {
            (true, ..) => Condition::CannotTell,
            (_, 0, 0) => Condition::Well,
            (_, 0, _) => Condition::WantsALook,
            _ => Condition::NotWell,
        };
        Verdict { state, faults, warnings, notes: count(Severity::Note) }
    }
}

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

impl Context {
    /// From the source's header.
    pub fn new(header: &Header, unreadable: u64) -> Context {
        Context { bitrate: header.bitrate, reports_errors: header.reports_errors, unreadable }
    }
}

/// Follows the findings of one watch. Bounded: one entry for each code and address.
///
/// A warning or a fault begins when it is new, gets graver, or grows after a quiet time. What
/// grows without a pause is kept for ten quiet times at most.
#[derive(Debug)]
pub(crate) struct OnsetTracker {
    quiet: Nanos,
    known: BTreeMap<(Code, Option<MacId>), KnownFinding>,
}

#[derive(Debug)]
struct KnownFinding {
    severity: Severity,
    count: u64,
    last_growth: Nanos,
}

/// What changed since the last update.
#[derive(Debug, Default, PartialEq)]
pub(crate) struct OnsetUpdate {
    /// The findings that begin now.
    pub onsets: Vec<Onset>,
    /// Whether one that began earlier still grows.
    pub ongoing: bool,
}

/// A finding begins.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Onset {
    /// The finding as it is now.
    pub finding: Finding,
    /// Whether it was there before, and was quiet in between.
    pub again: bool,
}

impl OnsetTracker {
    /// A finding that grows after it did not for the time `quiet` begins again.
    pub fn new(quiet: Nanos) -> OnsetTracker {
        OnsetTracker { quiet, known: BTreeMap::new() }
    }

    /// Takes the findings as they are now. Notes are skipped.
    pub fn update(&mut self, now: Nanos, findings: Vec<Finding>) -> OnsetUpdate {
        let mut update = OnsetUpdate::default();
        for finding in findings {
            let Finding { code, severity, mac_id, count, .. } = finding;
            if severity == Severity::Note {
                continue;
            }
            let Some(seen) = self.known.get_mut(&(code, mac_id)) else {
                self.known
                    .insert((code, mac_id), KnownFinding { severity, count, last_growth: now });
                update.onsets.push(Onset { finding, again: false });
                continue;
            };
            let graver = severity > seen.severity;
            if count <= seen.count && !graver {
                // A count may shrink: some findings are judged afresh each time.
                seen.count = count;
                continue;
            }
            // A clock that stepped back measures no quiet time.
            let was_quiet = now.since(seen.last_growth).is_some_and(|span| span >= self.quiet);
            *seen = KnownFinding { severity: severity.max(seen.severity), count, last_growth: now };
            if was_quiet || graver {
                update.onsets.push(Onset { finding, again: !graver });
            } else {
                update.ongoing = true;
            }
        }
        update
    }
}

/// What was found.
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
    strum::IntoStaticStr,
    strum::VariantArray,
)]
#[serde(rename_all = "kebab-case")]
#[strum(serialize_all = "kebab-case")]
pub enum Code {
    /// Nothing at all was received.
    NothingHeard,
    /// Error frames but not one good frame.
    NothingUnderstood,
    /// The adapter's controller went bus-off.
    BusOff,
    /// Two devices want one address.
    AddressClash,
    /// A node is polled and was never heard.
    NeverAnswered,
    /// A node stopped answering, and may have returned.
    NodeLeft,
    /// A node does not answer every poll.
    MissedPolls,
    /// A node ran its address check again.
    NodeRestarted,
    /// Another device took the address of one that had gone.
    DeviceReplaced,
    /// Error frames.
    BusErrors,
    /// The bus is nearly full.
    LoadHigh,
    /// An identifier that is never allowed.
    InvalidIdentifier,
    /// Frames that do not belong on this kind of trunk.
    ForeignFrames,
    /// Frames were not received.
    FramesLost,
    /// The interface was down for a time.
    LinkDown,
    /// The capture has no end.
    CaptureCutOff,
    /// Parts of the capture could not be read.
    CaptureDamaged,
    /// The clock stepped back.
    ClockStepped,
    /// The bit rate is not known.
    BitRateUnknown,
    /// The adapter was set not to report bus errors.
    ErrorsNotReported,
    /// A node's answers take much longer than before, or than those of its peers.
    SlowAnswers,
    /// A node answers more often than it is asked.
    TwoAnswer,
    /// Responses of another size than the connection has, or of several sizes.
    ResponseSize,
    /// Commands of another size than the connection has, or of several sizes.
    CommandSize,
    /// Nobody polls any more.
    PollingStopped,
    /// The scan asks for more than the bus can carry.
    ScanTooShort,
    /// A node is on line and nobody allocates it.
    NeverAllocated,
    /// A node is allocated and nobody polls it.
    NotPolled,
    /// A connection's watchdog is shorter than the time between its polls.
    PacketRateShort,
    /// A connection timed out.
    ConnectionTimedOut,
    /// A node is allocated again and again.
    AllocatedAgain,
    /// A node refuses explicit requests, or does not answer them.
    RequestsRefused,
    /// A drive does not do what it is asked, and nothing that it says explains it.
    DriveNotFollowing,
    /// A drive says that it is faulted.
    DriveFaulted,
    /// A drive takes run and stop from elsewhere.
    DriveControlElsewhere,
    /// A master has a drive run and does not ask for control.
    DriveControlNotAsked,
    /// A drive is sent one assembly and answers with one that does not go with it.
    DriveAssemblyPair,
    /// A drive takes its speed from elsewhere.
    DriveSpeedElsewhere,
    /// A master asks a drive for both directions at once.
    DriveBothDirections,
    /// A drive waits for run to be taken away and given again.
    DriveRunHeld,
    /// A drive is not ready.
    DriveNotReady,
    /// A master is idle: it polls with no data.
    MasterIdle,
    /// A node answers with no data.
    EmptyAnswers,
    /// Several nodes left or restarted at the same time.
    SeveralAtOnce,
    /// Errors strike one node.
    ErrorsStrikeNode,
    /// Errors come with long frames, more than their length explains.
    ErrorsWithLength,
    /// Errors come with a drive running, or with its speed.
    ErrorsWithDrive,
    /// Errors come in a rhythm.
    ErrorsInRhythm,
    /// Errors come in dense bursts, as of a device at another bit rate.
    DenseBursts,
    /// A node was thrown off the bus by its own errors.
    NodeBusOff,
    /// Nobody acknowledges.
    AloneOnTheWire,
    /// A node fills the bus.
    NodeFloods,
    /// A node of the plan was not heard.
    NodeMissing,
    /// A node is there, or is asked for, that the plan does not have.
    NodeUnplanned,
    /// I/O of another length than the plan says.
    IoSizeDiffers,
    /// Another device than the plan says.
    IdentityDiffers,
    /// Another revision than the plan says.
    RevisionDiffers,
    /// No data sheet file describes a node.
    DataSheetMissing,
    /// The data sheet files of a node's maker describe other products.
    DataSheetProduct,
    /// A node's data sheet file is for another revision.
    DataSheetRevision,
    /// A node's data sheet file has faults of its own.
    DataSheetFaulty,
    /// I/O of a size that the node's data sheet file does not offer.
    DataSheetSize,
    /// A node has its turn less often than the plan says.
    IntervalOverPlan,
    /// More load than the plan can need.
    LoadOverPlan,
}

impl Code {
    /// The code that said this before it was told apart: an older summary may have it.
    pub(crate) fn formerly(self) -> Code {
        match self {
            Code::DriveFaulted
            | Code::DriveControlElsewhere
            | Code::DriveControlNotAsked
            | Code::DriveAssemblyPair
            | Code::DriveSpeedElsewhere
            | Code::DriveBothDirections
            | Code::DriveRunHeld
            | Code::DriveNotReady => Code::DriveNotFollowing,
            code => code,
        }
    }

    /// Its name in the summary.
    pub fn name(self) -> &'static str {
        self.into()
    }
}

/// What the catalogue says of a code.
#[derive(Debug, Clone, Copy)]
pub struct CatalogueEntry {
    /// What it is about.
    pub code: Code,
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

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(code: Code, severity: Severity, mac_id: Option<u8>, count: u64) -> Finding {
        Finding {
            code,
            severity,
            mac_id: mac_id.and_then(MacId::new),
            count,
            first: None,
            last: None,
            evidence: crate::health::Evidence::NoBitRate,
            explained_by: None,
        }
    }

    fn missed(count: u64) -> Finding {
        finding(Code::MissedPolls, Severity::Warning, Some(12), count)
    }

    fn second(s: i64) -> Nanos {
        Nanos(s * Nanos::SECOND.0)
    }

    #[test]
    fn new_going_on_quiet_and_again() {
        let mut tracker = OnsetTracker::new(second(60));
        let mut look = |t, findings| tracker.update(second(t), findings);
        let note = finding(Code::BitRateUnknown, Severity::Note, None, 1);
        assert_eq!(look(1, vec![note.clone()]), OnsetUpdate::default());
        let first = look(2, vec![missed(1), note]);
        assert_eq!(first.onsets, [Onset { finding: missed(1), again: false }]);
        assert_eq!(look(3, vec![missed(1)]), OnsetUpdate::default());
        assert_eq!(look(50, vec![missed(2)]), OnsetUpdate { onsets: vec![], ongoing: true });
        let again = vec![Onset { finding: missed(3), again: true }];
        assert_eq!(look(110, vec![missed(3)]), OnsetUpdate { onsets: again, ongoing: false });
        // Another node is another matter.
        let other = finding(Code::MissedPolls, Severity::Warning, Some(13), 1);
        assert_eq!(look(111, vec![missed(3), other]).onsets.len(), 1);
    }

    #[test]
    fn what_gets_graver_begins_and_a_clock_set_back_does_not() {
        let mut tracker = OnsetTracker::new(second(60));
        tracker.update(second(1000), vec![missed(1)]);
        let grave = finding(Code::MissedPolls, Severity::Fault, Some(12), 2);
        let look = tracker.update(second(1001), vec![grave.clone()]);
        assert_eq!(look.onsets, [Onset { finding: grave, again: false }]);
        assert_eq!(tracker.update(second(1002), vec![missed(1)]), OnsetUpdate::default());
        let after = tracker.update(second(10), vec![missed(5)]);
        assert_eq!(after, OnsetUpdate { onsets: vec![], ongoing: true });
    }
}
