//! When a finding begins on a trunk that is watched for long: it is new, or it grows again after
//! a quiet time.

use std::collections::BTreeMap;

use super::{Code, Finding, Severity};
use crate::fieldbus::MacId;
use crate::wire::Nanos;

/// Follows the findings of one watch. Bounded: one entry for each code and address.
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
