//! Whether a node's answers get slower: the medians of stretches of its responses.

use crate::wire::Nanos;

/// The fastest and the slowest stretch of a node's response times.
#[derive(Debug, Clone, Default)]
pub struct Pace {
    spans: Vec<i64>,
    from: Nanos,
    fastest: Option<Stretch>,
    slowest: Option<Stretch>,
    stretches: u64,
    /// Those whose median is more than twice the fastest so far.
    slow: u64,
}

/// So many responses in a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stretch {
    /// When it began.
    pub from: Nanos,
    /// The median of its response times.
    pub median: Nanos,
}

impl Pace {
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
        let stretch = Stretch { from: self.from, median: Nanos(median) };
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
    pub fn fastest(&self) -> Option<Stretch> {
        self.fastest
    }

    /// The stretch with the longest median.
    pub fn slowest(&self) -> Option<Stretch> {
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
    fn a_slow_spell_shows() {
        let mut pace = Pace::default();
        for i in 0..1000i64 {
            let ms = if (400..600).contains(&i) { 9 } else { 2 };
            pace.record(Nanos::from_millis(20 * i), Nanos::from_millis(ms));
        }
        assert_eq!(pace.fastest().unwrap().median, Nanos::from_millis(2));
        let slowest = pace.slowest().unwrap();
        assert_eq!(
            (slowest.median, slowest.from),
            (Nanos::from_millis(9), Nanos::from_millis(7680))
        );
        assert_eq!(pace.stretches(), (15, 3));
    }
}
