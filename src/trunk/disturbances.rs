//! Disturbances over the whole time: how many in each of its equal parts.

use crate::wire::Nanos;

/// Disturbances and time not listened to, in equal parts from time zero on. There are never
/// more than [`DisturbanceHistogram::PARTS`]: when the time outgrows them, two and two become one.
#[derive(Debug, Clone)]
pub struct DisturbanceHistogram {
    width: Nanos,
    parts: Vec<BinCounts>,
    /// Since when nothing can be heard.
    down: Option<Nanos>,
}

#[derive(Debug, Clone, Copy, Default)]
struct BinCounts {
    events: u64,
    deaf: Nanos,
}

/// One part of the time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DisturbanceBin {
    /// Its middle, in seconds from time zero.
    pub middle: f64,
    /// Seconds of it that were listened to.
    pub seconds: f64,
    /// Disturbances in it.
    pub events: u64,
}

impl Default for DisturbanceHistogram {
    fn default() -> Self {
        DisturbanceHistogram { width: Nanos::SECOND, parts: Vec::new(), down: None }
    }
}

impl DisturbanceHistogram {
    /// The most parts that are kept.
    pub const PARTS: usize = 64;

    /// A disturbance.
    pub(super) fn disturbance(&mut self, t: Nanos) {
        self.part(t).events += 1;
    }

    /// The interface went down.
    pub(super) fn down(&mut self, t: Nanos) {
        self.down.get_or_insert(t);
    }

    /// It came up again.
    pub(super) fn up(&mut self, t: Nanos) {
        if let Some(from) = self.down.take() {
            self.deaf(from, t);
        }
    }

    fn deaf(&mut self, from: Nanos, to: Nanos) {
        let (from, to) = (from.max(Nanos::ZERO), to.max(Nanos::ZERO));
        if from >= to {
            return;
        }
        // Makes room first, so that the width stays while the time is shared out.
        self.part(to);
        let width = self.width.0;
        for (index, part) in self.parts.iter_mut().enumerate() {
            let begins = index as i64 * width;
            let ends = begins.saturating_add(width);
            let overlap = to.0.min(ends).saturating_sub(from.0.max(begins)).max(0);
            part.deaf.0 = part.deaf.0.saturating_add(overlap).min(width);
        }
    }

    /// The part that a time falls into. A time before zero falls into the first.
    fn part(&mut self, t: Nanos) -> &mut BinCounts {
        let t = t.0.max(0);
        while t / self.width.0 >= Self::PARTS as i64 {
            self.width = Nanos(self.width.0.saturating_mul(2));
            self.parts = self
                .parts
                .chunks(2)
                .map(|pair| BinCounts {
                    events: pair.iter().map(|part| part.events).sum(),
                    deaf: pair.iter().fold(Nanos::ZERO, |sum, part| sum.plus(part.deaf)),
                })
                .collect();
        }
        let index = (t / self.width.0) as usize;
        if self.parts.len() <= index {
            self.parts.resize(index + 1, BinCounts::default());
        }
        &mut self.parts[index]
    }

    /// The parts of the time up to `now`, those in which nothing could be heard left out.
    pub fn bins(&self, now: Nanos) -> Vec<DisturbanceBin> {
        let mut all = self.clone();
        all.part(now);
        all.up(now);
        let width = all.width.0;
        let bin = |(index, part): (usize, &BinCounts)| {
            let begins = index as i64 * width;
            let ends = now.0.max(0).min(begins.saturating_add(width));
            let seconds = Nanos((ends - begins).saturating_sub(part.deaf.0)).as_secs();
            let middle = (Nanos(begins).as_secs() + Nanos(ends).as_secs()) / 2.0;
            (seconds > 0.0).then_some(DisturbanceBin { middle, seconds, events: part.events })
        };
        all.parts.iter().enumerate().filter_map(bin).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_widen_and_lose_nothing() {
        let mut histogram = DisturbanceHistogram::default();
        for t in 0..10_000 {
            histogram.disturbance(Nanos::from_millis(1000 * t));
        }
        let now = Nanos::from_millis(10_000_000);
        let bins = histogram.bins(now);
        assert!(
            bins.len() <= DisturbanceHistogram::PARTS
                && bins.len() > DisturbanceHistogram::PARTS / 2
        );
        assert_eq!(bins.iter().map(|s| s.events).sum::<u64>(), 10_000);
        assert!((bins.iter().map(|s| s.seconds).sum::<f64>() - 10_000.0).abs() < 1e-6);
        assert_eq!((bins[0].events, bins[0].middle), (256, 128.0));
    }

    #[test]
    fn time_that_was_not_listened_to_counts_for_nothing() {
        let mut histogram = DisturbanceHistogram::default();
        histogram.down(Nanos::from_millis(2500));
        histogram.up(Nanos::from_millis(6000));
        histogram.down(Nanos::from_millis(9500));
        let bins = histogram.bins(Nanos::from_millis(20_000));
        let seconds: Vec<f64> = bins.iter().map(|s| s.seconds).collect();
        assert_eq!(seconds, [1.0, 1.0, 0.5, 1.0, 1.0, 1.0, 0.5]);
        assert_eq!(bins[3].middle, 6.5);
    }

    #[test]
    fn odd_times_do_no_harm() {
        let mut histogram = DisturbanceHistogram::default();
        histogram.disturbance(Nanos(-5));
        histogram.disturbance(Nanos(i64::MAX));
        histogram.down(Nanos(7));
        histogram.up(Nanos(3));
        histogram.down(Nanos(0));
        histogram.up(Nanos(i64::MAX));
        assert!(histogram.bins(Nanos(i64::MIN)).is_empty());
    }
}
