//! Whether disturbances come in a rhythm: one in each cycle of what disturbs, or two, as from something
//! that disturbs when it is switched on and when it is switched off.

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
    /// How many disturbances there are in a period. If two, `on_beat` counts the disturbances after
    /// which another came one period later, and `gaps` those after which one could.
    pub edges: u8,
}

impl Rhythm {
    /// Error frames with no longer gap than this are one disturbance.
    pub const ONE: Nanos = Nanos::from_millis(5);
    /// How many disturbances are kept.
    pub const KEPT: usize = 256;
    /// A gap that is a multiple of the period by chance: within a tenth either way, so one in
    /// five. So many of all gaps must be for a rhythm.
    const ON_BEAT: f64 = 0.8;
    /// A chance above this says nothing: so dense a series comes again at any period.
    const BY_CHANCE: f64 = 0.4;
    /// How far from a period later, as a share of it, the second of two disturbances may be.
    const JITTER: f64 = 0.06;
    /// Fewer disturbances of two a period make no rhythm.
    const ENOUGH_EDGES: usize = 16;
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
        self.one_edge().or_else(|| self.two_edges())
    }

    /// Two disturbances in each period, not evenly apart: nearly each comes again one period later.
    fn two_edges(&self) -> Option<Period> {
        let times: Vec<i64> = self.times.iter().map(|t| t.0).collect();
        if times.len() < Self::ENOUGH_EDGES || !times.is_sorted() {
            return None;
        }
        let mut apart: Vec<i64> = times.windows(3).map(|three| three[2] - three[0]).collect();
        apart.sort_unstable();
        // The period is where most of them are.
        let near = |&from: &i64| {
            let to = from as f64 * (1.0 + 2.0 * Self::JITTER);
            let members = &apart[apart.partition_point(|&gap| gap < from)..];
            &members[..members.partition_point(|&gap| (gap as f64) <= to)]
        };
        let usual = apart.iter().map(near).max_by_key(|members| members.len())?;
        let period = usual.iter().map(|&gap| gap as f64).sum::<f64>() / usual.len() as f64;
        let window = Self::JITTER * period;
        // So many would come again by chance, in a series without any rhythm.
        let span = (times[times.len() - 1] - times[0]) as f64;
        let by_chance = 1.0 - (-2.0 * window * times.len() as f64 / span.max(1.0)).exp();
        if by_chance > Self::BY_CHANCE {
            return None;
        }
        let comes_again = |&t: &i64| {
            let due = t as f64 + period;
            let first = times.partition_point(|&other| (other as f64) < due - window);
            times.get(first).is_some_and(|&other| other as f64 <= due + window)
        };
        let last = times[times.len() - 1] as f64 - period - window;
        let due: Vec<i64> = times.iter().copied().filter(|&t| (t as f64) <= last).collect();
        let on_beat = due.iter().filter(|t| comes_again(t)).count();
        let enough = on_beat as f64 >= Self::ON_BEAT * due.len() as f64;
        (enough && due.len() >= Self::ENOUGH_EDGES).then_some(Period {
            period: Nanos(period.round() as i64),
            on_beat,
            gaps: due.len(),
            edges: 2,
        })
    }

    fn one_edge(&self) -> Option<Period> {
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
            edges: 1,
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

    /// On for 230 ms of 667, some edges missed, each up to 12 ms off.
    #[test]
    fn two_edges_a_cycle_are_found() {
        let mut rhythm = Rhythm::default();
        for cycle in 0..60 {
            for (edge, at) in [(0, 0), (1, 230)] {
                if (2 * cycle + edge) % 19 != 7 {
                    let off = (cycle * 7 + edge * 11) % 25 - 12;
                    rhythm.error(Nanos::from_millis(cycle * 667 + at + off));
                }
            }
        }
        let period = rhythm.period().unwrap();
        assert_eq!(period.edges, 2);
        assert!((period.period.0 - 667_000_000).abs() < 10_000_000, "{period:?}");
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
