//! A measured span over time: count, mean and worst of each window, in bounded memory.

use crate::wire::Nanos;

/// The most windows that are kept.
const MOST: usize = 256;

/// Spans of time by when they were measured, over any length of watch: whenever there are too
/// many windows, they are merged in pairs and are twice as long from then on.
#[derive(Debug, Clone)]
pub struct Trail {
    window: i64,
    points: Vec<Point>,
    /// What is before this belongs to the last point.
    next: i64,
}

/// One window that held something.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Point {
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

impl Point {
    fn merge(&mut self, other: &Point) {
        self.count += other.count;
        self.sum_ns += other.sum_ns;
        self.max = self.max.max(other.max);
        self.missed += other.missed;
    }
}

impl Default for Trail {
    fn default() -> Trail {
        Trail { window: Nanos::SECOND.0, points: Vec::new(), next: i64::MIN }
    }
}

impl Trail {
    /// A span that was measured at this time.
    pub(super) fn measured(&mut self, t: Nanos, span: Nanos) {
        let point = self.at(t);
        point.count += 1;
        point.sum_ns += i128::from(span.0);
        point.max = point.max.max(span);
    }

    /// A span was due at this time and none could be measured.
    pub(super) fn missed(&mut self, t: Nanos) {
        self.at(t).missed += 1;
    }

    fn at(&mut self, t: Nanos) -> &mut Point {
        // After a step back of the clock the newest window takes what comes until it is past.
        if t.0 >= self.next {
            self.begin(t.0.div_euclid(self.window));
        }
        let last = self.points.len() - 1;
        &mut self.points[last]
    }

    fn begin(&mut self, index: i64) {
        if self.points.last().is_none_or(|last| last.index < index) {
            self.points.push(Point { index, ..Point::default() });
            while self.points.len() > MOST {
                self.halve();
            }
        }
        let last = self.points.last().map_or(index, |last| last.index);
        self.next = last.saturating_add(1).saturating_mul(self.window);
    }

    fn halve(&mut self) {
        self.window = self.window.saturating_mul(2);
        for point in &mut self.points {
            point.index = point.index.div_euclid(2);
        }
        self.points.dedup_by(|later, earlier| {
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
    pub fn points(&self) -> &[Point] {
        &self.points
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_lost_when_windows_merge() {
        let mut trail = Trail::default();
        for second in 0..5_000 {
            let t = Nanos::from_millis(second * 1000);
            trail.measured(t, Nanos(second + 1));
            if second % 10 == 0 {
                trail.missed(t);
            }
        }
        assert!(trail.points().len() <= MOST);
        assert_eq!(trail.window(), Nanos(Nanos::SECOND.0 * 32));
        assert_eq!(trail.points().iter().map(|p| p.count).sum::<u64>(), 5_000);
        assert_eq!(trail.points().iter().map(|p| p.missed).sum::<u64>(), 500);
        assert_eq!(trail.points().last().unwrap().max, Nanos(5_000));
        assert_eq!(trail.points()[0].sum_ns, (1..=32).sum::<i128>());
    }

    #[test]
    fn leaps_of_the_clock_cost_nothing() {
        let mut trail = Trail::default();
        for n in 0..10_000_i64 {
            trail.measured(Nanos(i64::MIN + n * 900_000_000_000_000), Nanos(1));
            trail.measured(Nanos(n % 7), Nanos(1));
        }
        assert!(trail.points().len() <= MOST);
        assert_eq!(trail.points().iter().map(|p| p.count).sum::<u64>(), 20_000);
        assert!(trail.points().is_sorted_by(|a, b| a.index < b.index));
    }
}
