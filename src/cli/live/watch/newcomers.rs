//! The acceptance of newcomers while a trunk is watched: each point as it is seen.

use std::collections::HashMap;
use std::path::Path;
use std::time::{Duration, Instant};

use crate::analysis::{Analysis, Given};
use crate::cli::compare::visit;
use crate::fieldbus::MacId;
use crate::health::Summary;
use crate::health::compare::{Acceptance, AcceptanceResult, Comparison, Point, Tolerance};
use crate::health::summary::SourceKind;
use crate::words::called;

/// How often the points are looked at, by the computer's clock: a silent trunk has no time.
const EVERY: Duration = Duration::from_millis(900);

/// What newcomers are held against, and how they stand.
pub(super) struct ExpectedNewcomers {
    baseline: Summary,
    expected: Vec<MacId>,
    checked: Option<Instant>,
    standing: Vec<Acceptance>,
    told: HashMap<(MacId, Option<Point>), AcceptanceResult>,
}

impl ExpectedNewcomers {
    /// Reads the baseline; `None` if nobody is expected.
    pub(super) fn read(
        baseline: Option<&Path>,
        expected: &[MacId],
    ) -> anyhow::Result<Option<ExpectedNewcomers>> {
        let Some(baseline) = baseline.filter(|_| !expected.is_empty()) else { return Ok(None) };
        Ok(Some(ExpectedNewcomers {
            baseline: visit(baseline, None, Given::default())?,
            expected: expected.to_vec(),
            checked: None,
            standing: Vec::new(),
            told: HashMap::new(),
        }))
    }

    /// How they stand now.
    pub(super) fn standing(&self) -> &[Acceptance] {
        &self.standing
    }

    /// Looks at them again, if it is time. Returns what is new, a line each.
    pub(super) fn look(&mut self, analysis: &Analysis) -> Vec<String> {
        if self.checked.is_some_and(|last| last.elapsed() < EVERY) {
            return Vec::new();
        }
        self.checked = Some(Instant::now());
        self.judge(&analysis.summary_so_far(SourceKind::Live, ""))
    }

    /// The same for the summary at the end; whether all of them are accepted.
    pub(super) fn finish(&mut self, summary: &Summary) -> (Vec<String>, bool) {
        self.told.clear();
        let comparison = self.compare(summary);
        let accepted = comparison.accepted == Some(true);
        self.standing = comparison.newcomers;
        (self.news(), accepted)
    }

    fn compare(&self, summary: &Summary) -> Comparison {
        let tolerance = Tolerance::default();
        Comparison::expecting(&self.baseline, summary, &tolerance, &self.expected)
    }

    fn judge(&mut self, summary: &Summary) -> Vec<String> {
        self.standing = self.compare(summary).newcomers;
        self.standing.retain(|newcomer| newcomer.expected);
        self.news()
    }

    fn news(&mut self) -> Vec<String> {
        let mut lines = Vec::new();
        for newcomer in self.standing.iter().filter(|newcomer| newcomer.expected) {
            let who = called(newcomer.mac_id, newcomer.name.as_deref());
            for point in &newcomer.points {
                let key = (newcomer.mac_id, Some(point.point));
                let before = self.told.insert(key, point.result);
                let begins = before.is_none() && point.result == AcceptanceResult::NotSeen;
                if before != Some(point.result) && !begins {
                    let (title, result) = (point.point.title(), point.result.word());
                    lines.push(format!("{who}: {title}: {result}: {}", point.measured));
                }
            }
            let before = self.told.insert((newcomer.mac_id, None), newcomer.result);
            if before != Some(newcomer.result) && newcomer.result == AcceptanceResult::Pass {
                lines.push(format!("{who}: ACCEPTED: every point passes"));
            }
        }
        lines
    }
}
