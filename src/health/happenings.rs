//! When something happens on a trunk that is watched for long: a finding that is new, or that
//! grows again after a quiet time.

use std::collections::BTreeMap;

use super::{Code, Finding, Severity};
use crate::fieldbus::MacId;
use crate::wire::Nanos;

/// Follows the findings of one watch. It holds one entry for each code and address at most.
#[derive(Debug)]
pub struct Happenings {
    quiet: Nanos,
    seen: BTreeMap<(Code, Option<MacId>), Seen>,
}

#[derive(Debug)]
struct Seen {
    severity: Severity,
    count: u64,
    grew: Nanos,
}

/// What one look at the findings showed.
#[derive(Debug, Default, PartialEq)]
pub struct Look {
    /// What begins just now.
    pub begun: Vec<Happening>,
    /// Whether anything that had begun before goes on.
    pub goes_on: bool,
}

/// Something begins to happen.
#[derive(Debug, Clone, PartialEq)]
pub struct Happening {
    /// The finding as it is now.
    pub finding: Finding,
    /// Whether it had happened before, and had been quiet since.
    pub again: bool,
}

impl Happenings {
    /// A finding that did not grow for so long, and then grows, happens again.
    pub fn new(quiet: Nanos) -> Happenings {
        Happenings { quiet, seen: BTreeMap::new() }
    }

    /// Takes the findings as they are now. Notes are passed over.
    pub fn look(&mut self, now: Nanos, findings: Vec<Finding>) -> Look {
        let mut look = Look::default();
        for finding in findings {
            let Finding { code, severity, mac_id, count, .. } = finding;
            if severity == Severity::Note {
                continue;
            }
            let Some(seen) = self.seen.get_mut(&(code, mac_id)) else {
                self.seen.insert((code, mac_id), Seen { severity, count, grew: now });
                look.begun.push(Happening { finding, again: false });
                continue;
            };
            let graver = severity > seen.severity;
            if count <= seen.count && !graver {
                // What is judged anew may shrink, too.
                seen.count = count;
                continue;
            }
            // A clock that stepped back tells of no quiet time.
            let was_quiet = now.since(seen.grew).is_some_and(|span| span >= self.quiet);
            *seen = Seen { severity: severity.max(seen.severity), count, grew: now };
            if was_quiet || graver {
                look.begun.push(Happening { finding, again: !graver });
            } else {
                look.goes_on = true;
            }
        }
        look
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
        let mut happenings = Happenings::new(second(60));
        let mut look = |t, findings| happenings.look(second(t), findings);
        let note = finding(Code::BitRateUnknown, Severity::Note, None, 1);
        assert_eq!(look(1, vec![note.clone()]), Look::default());
        let first = look(2, vec![missed(1), note]);
        assert_eq!(first.begun, [Happening { finding: missed(1), again: false }]);
        assert_eq!(look(3, vec![missed(1)]), Look::default());
        assert_eq!(look(50, vec![missed(2)]), Look { begun: vec![], goes_on: true });
        let again = vec![Happening { finding: missed(3), again: true }];
        assert_eq!(look(110, vec![missed(3)]), Look { begun: again, goes_on: false });
        // Another node is another matter.
        let other = finding(Code::MissedPolls, Severity::Warning, Some(13), 1);
        assert_eq!(look(111, vec![missed(3), other]).begun.len(), 1);
    }

    #[test]
    fn what_gets_graver_begins_and_a_clock_set_back_does_not() {
        let mut happenings = Happenings::new(second(60));
        happenings.look(second(1000), vec![missed(1)]);
        let grave = finding(Code::MissedPolls, Severity::Fault, Some(12), 2);
        let look = happenings.look(second(1001), vec![grave.clone()]);
        assert_eq!(look.begun, [Happening { finding: grave, again: false }]);
        assert_eq!(happenings.look(second(1002), vec![missed(1)]), Look::default());
        let after = happenings.look(second(10), vec![missed(5)]);
        assert_eq!(after, Look { begun: vec![], goes_on: true });
    }
}
