//! Disturbances over the whole time: how many in each of its equal parts, and whether they come in
//! a rhythm.

use crate::wire::Nanos;
use std::collections::VecDeque;

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

/// The times of the latest disturbances; error frames close after one another are one.
#[derive(Debug, Clone, Default)]
pub struct Rhythm {
    times: VecDeque<Nanos>,
    last: Option<Nanos>,
}

/// A period that the disturbances keep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Period {
    /// From one to the next.
    pub period: Nanos,
    /// How many gaps are a whole multiple of it, within a tenth of a period.
    pub on_beat: usize,
    /// How many gaps there are.
    pub gaps: usize,
}

impl Rhythm {
    /// Error frames with no longer gap than this are one disturbance.
    pub const ONE: Nanos = Nanos::from_millis(5);
    /// How many disturbances are kept.
    pub const KEPT: usize = 256;
    /// A gap that is a multiple of the period by chance: within a tenth either way, so one in
    /// five. So many of all gaps must be for a rhythm.
    const ON_BEAT: f64 = 0.8;
    /// Fewer gaps make no rhythm.
    const ENOUGH: usize = 8;

    /// An error frame. `true`: a disturbance begins with it.
    pub(super) fn error(&mut self, t: Nanos) -> bool {
        let apart = self.last.is_none_or(|last| t.since(last).is_none_or(|gap| gap > Self::ONE));
        self.last = Some(t);
        if apart {
            if self.times.len() == Self::KEPT {
                self.times.pop_front();
            }
            self.times.push_back(t);
        }
        apart
    }

    /// The period, if the latest disturbances keep one.
    pub fn period(&self) -> Option<Period> {
        let mut gaps: Vec<i64> = self
            .times
            .iter()
            .zip(self.times.iter().skip(1))
            .filter_map(|(&a, &b)| b.since(a))
            .map(|gap| gap.0)
            .collect();
        if gaps.len() < Self::ENOUGH {
            return None;
        }
        gaps.sort_unstable();
        // Some beats may be missing, so the shortest usual gap is the period, not the median.
        let short = gaps[gaps.len() / 4];
        let usual: Vec<i64> = gaps
            .iter()
            .copied()
            .filter(|&gap| (gap - short).saturating_mul(5).saturating_abs() <= short)
            .collect();
        let period = usual.iter().map(|&gap| gap as f64).sum::<f64>() / usual.len() as f64;
        let on_beat = gaps
            .iter()
            .filter(|&&gap| {
                let beats = gap as f64 / period;
                beats.round() >= 1.0 && (beats - beats.round()).abs() <= 0.1
            })
            .count();
        (on_beat as f64 >= Self::ON_BEAT * gaps.len() as f64).then_some(Period {
            period: Nanos(period.round() as i64),
            on_beat,
            gaps: gaps.len(),
        })
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

#[cfg(test)]
mod rhythm_tests {
    use super::*;

    #[test]
    fn a_beat_with_some_missing_is_found() {
        let mut rhythm = Rhythm::default();
        for beat in (0..60).filter(|beat| beat % 7 != 3) {
            let t = beat * 250_000 + beat % 3 * 1000;
            rhythm.error(Nanos::from_micros(t));
            rhythm.error(Nanos::from_micros(t + 900));
        }
        let period = rhythm.period().unwrap();
        assert!((period.period.0 - 250_000_000).abs() < 2_500_000, "{period:?}");
        assert_eq!(period.on_beat, period.gaps);
    }

    #[test]
    fn random_errors_have_no_beat() {
        let mut state = 7u64;
        for _ in 0..50 {
            let mut rhythm = Rhythm::default();
            let mut t = 0.0;
            for _ in 0..200 {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                let uniform = ((state >> 33) as f64 + 1.0) / (1u64 << 31) as f64;
                t -= uniform.ln() * 0.3e9;
                rhythm.error(Nanos(t as i64));
            }
            assert_eq!(rhythm.period(), None);
        }
    }

    #[test]
    fn a_few_errors_have_no_beat_and_no_memory_grows() {
        let mut rhythm = Rhythm::default();
        assert_eq!(rhythm.period(), None);
        for t in 0..10_000 {
            rhythm.error(Nanos::from_millis(t * 50));
        }
        assert_eq!(rhythm.times.len(), Rhythm::KEPT);
    }
}
