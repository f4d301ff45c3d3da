//! Response times over time: a series in windows, and whether they get slower.

use crate::wire::Nanos;

/// The most windows that are kept.
const MOST: usize = 256;

/// Spans of time by when they were measured, over any length of watch: whenever there are too
/// many windows, they are merged in pairs and are twice as long from then on.
#[derive(Debug, Clone)]
pub struct LatencySeries {
    window: i64,
    windows: Vec<LatencyWindow>,
    /// What is before this belongs to the last window.
    next: i64,
}

/// One window that held something.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LatencyWindow {
    /// The window, counted from 0 at t = 0.
    pub index: i64,
    /// How many spans were measured.
    pub count: u64,
    /// Their sum, in nanoseconds.
    pub sum_ns: i128,
    /// The worst of them.
    pub max: Nanos,
    /// How many were missed: no span could be measured where one was due.
    pub missed: u64,
}

impl LatencyWindow {
    fn merge(&mut self, other: &LatencyWindow) {
        self.count += other.count;
        self.sum_ns += other.sum_ns;
        self.max = self.max.max(other.max);
        self.missed += other.missed;
    }
}

impl Default for LatencySeries {
    fn default() -> LatencySeries {
        LatencySeries { window: Nanos::SECOND.0, windows: Vec::new(), next: i64::MIN }
    }
}

impl LatencySeries {
    /// A span that was measured at this time.
    pub(super) fn measured(&mut self, t: Nanos, span: Nanos) {
        let window = self.at(t);
        window.count += 1;
        window.sum_ns += i128::from(span.0);
        window.max = window.max.max(span);
    }

    /// A span was due at this time and none could be measured.
    pub(super) fn missed(&mut self, t: Nanos) {
        self.at(t).missed += 1;
    }

    fn at(&mut self, t: Nanos) -> &mut LatencyWindow {
        // After a step back of the clock the newest window takes what comes until it is past.
        if t.0 >= self.next {
            self.begin(t.0.div_euclid(self.window));
        }
        let last = self.windows.len() - 1;
        &mut self.windows[last]
    }

    fn begin(&mut self, index: i64) {
        if self.windows.last().is_none_or(|last| last.index < index) {
            self.windows.push(LatencyWindow { index, ..LatencyWindow::default() });
            while self.windows.len() > MOST {
                self.halve();
            }
        }
        let last = self.windows.last().map_or(index, |last| last.index);
        self.next = last.saturating_add(1).saturating_mul(self.window);
    }

    fn halve(&mut self) {
        self.window = self.window.saturating_mul(2);
        for window in &mut self.windows {
            window.index = window.index.div_euclid(2);
        }
        self.windows.dedup_by(|later, earlier| {
            let same = later.index == earlier.index;
            if same {
                earlier.merge(later);
            }
            same
        });
    }

    /// How long a window is.
    pub fn window(&self) -> Nanos {
        Nanos(self.window)
    }

    /// The windows that held something, oldest first.
    pub fn windows(&self) -> &[LatencyWindow] {
        &self.windows
    }
}

/// The fastest and the slowest stretch of a node's response times.
#[derive(Debug, Clone, Default)]
pub struct LatencyDrift {
    spans: Vec<i64>,
    from: Nanos,
    fastest: Option<DriftStretch>,
    slowest: Option<DriftStretch>,
    stretches: u64,
    /// Those whose median is more than twice the fastest so far.
    slow: u64,
}

/// So many responses in a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DriftStretch {
    /// When it began.
    pub from: Nanos,
    /// The median of its response times.
    pub median: Nanos,
}

impl LatencyDrift {
    /// Responses in a stretch.
    pub const STRETCH: usize = 64;

    /// A response.
    pub(super) fn record(&mut self, t: Nanos, span: Nanos) {
        if self.spans.is_empty() {
            self.from = t;
        }
        self.spans.push(span.0);
        if self.spans.len() < Self::STRETCH {
            return;
        }
        let (_, &mut median, _) = self.spans.select_nth_unstable(Self::STRETCH / 2);
        self.spans.clear();
        let stretch = DriftStretch { from: self.from, median: Nanos(median) };
        self.stretches += 1;
        if self.fastest.is_none_or(|fastest| stretch.median < fastest.median) {
            self.fastest = Some(stretch);
        }
        if self.slowest.is_none_or(|slowest| stretch.median > slowest.median) {
            self.slowest = Some(stretch);
        }
        self.slow += u64::from(self.fastest.is_some_and(|f| median > 2 * f.median.0));
    }

    /// The stretch with the shortest median.
    pub fn fastest(&self) -> Option<DriftStretch> {
        self.fastest
    }

    /// The stretch with the longest median.
    pub fn slowest(&self) -> Option<DriftStretch> {
        self.slowest
    }

    /// Whole stretches, and how many of them took more than twice as long as the fastest one
    /// before.
    pub fn stretches(&self) -> (u64, u64) {
        (self.stretches, self.slow)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_lost_when_windows_merge() {
        let mut series = LatencySeries::default();
        for second in 0..5_000 {
            let t = Nanos::from_millis(second * 1000);
            series.measured(t, Nanos(second + 1));
            if second % 10 == 0 {
                series.missed(t);
            }
        }
        assert!(series.windows().len() <= MOST);
        assert_eq!(series.window(), Nanos(Nanos::SECOND.0 * 32));
        assert_eq!(series.windows().iter().map(|p| p.count).sum::<u64>(), 5_000);
        assert_eq!(series.windows().iter().map(|p| p.missed).sum::<u64>(), 500);
        assert_eq!(series.windows().last().unwrap().max, Nanos(5_000));
        assert_eq!(series.windows()[0].sum_ns, (1..=32).sum::<i128>());
    }

    #[test]
    fn leaps_of_the_clock_cost_nothing() {
        let mut series = LatencySeries::default();
        for n in 0..10_000_i64 {
            series.measured(Nanos(i64::MIN + n * 900_000_000_000_000), Nanos(1));
            series.measured(Nanos(n % 7), Nanos(1));
        }
        assert!(series.windows().len() <= MOST);
        assert_eq!(series.windows().iter().map(|p| p.count).sum::<u64>(), 20_000);
        assert!(series.windows().is_sorted_by(|a, b| a.index < b.index));
    }
}

#[cfg(test)]
mod pace_tests {
    use super::*;

    #[test]
    fn a_slow_spell_shows() {
        let mut drift = LatencyDrift::default();
        for i in 0..1000i64 {
            let ms = if (400..600).contains(&i) { 9 } else { 2 };
            drift.record(Nanos::from_millis(20 * i), Nanos::from_millis(ms));
        }
        assert_eq!(drift.fastest().unwrap().median, Nanos::from_millis(2));
        let slowest = drift.slowest().unwrap();
        assert_eq!(
            (slowest.median, slowest.from),
            (Nanos::from_millis(9), Nanos::from_millis(7680))
        );
        assert_eq!(drift.stretches(), (15, 3));
    }
}
