//! Whether errors come in a rhythm: the times of the latest ones.

use std::collections::VecDeque;

use crate::wire::Nanos;

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

    /// How many of the latest disturbances are kept.
    pub fn len(&self) -> usize {
        self.times.len()
    }

    /// Whether there was none.
    pub fn is_empty(&self) -> bool {
        self.times.is_empty()
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
        assert_eq!(rhythm.len(), Rhythm::KEPT);
    }
}
