//! How many independent values a series of values is worth whose neighbours are alike: the
//! method of batch means, in bounded memory.
//!
//! Latencies follow one another closely, since each scan repeats the one before. The mean of
//! a batch of neighbours then varies more than the mean of as many independent values would;
//! how much more is the inflation. Source: Schmeiser, "Batch size effects in the analysis of
//! simulation output", Operations Research 30 (1982): 10 to 30 batches serve, more do not.

/// So many batches are put together in pairs.
const MOST: usize = 32;

/// Fewer batches say nothing.
const FEWEST: usize = 8;

/// The sums of successive batches of equal size.
#[derive(Debug, Clone)]
pub(super) struct Batches {
    sums: Vec<f64>,
    /// Values in a batch.
    size: u64,
    open: f64,
    in_open: u64,
}

impl Default for Batches {
    fn default() -> Self {
        Batches { sums: Vec::new(), size: 1, open: 0.0, in_open: 0 }
    }
}

impl Batches {
    /// The next value.
    pub(super) fn add(&mut self, value: f64) {
        self.open += value;
        self.in_open += 1;
        if self.in_open == self.size {
            self.sums.push(self.open);
            (self.open, self.in_open) = (0.0, 0);
            if self.sums.len() == MOST {
                self.pair();
            }
        }
    }

    /// What another series adds, as if it had come after this one. Batches that are not whole
    /// are left out; they are a small part.
    pub(super) fn append(&mut self, other: &Batches) {
        let mut other = other.clone();
        while self.size < other.size {
            self.pair();
        }
        while other.size < self.size {
            other.pair();
        }
        self.sums.append(&mut other.sums);
        (self.open, self.in_open) = (0.0, 0);
        while self.sums.len() >= MOST {
            self.pair();
        }
    }

    fn pair(&mut self) {
        self.sums = self.sums.chunks_exact(2).map(|pair| pair[0] + pair[1]).collect();
        self.size *= 2;
    }

    /// How many whole batches there are.
    pub(super) fn count(&self) -> usize {
        self.sums.len()
    }

    /// How many times as uncertain (as variance) the mean is as that of independent values of
    /// this variance; at least 1. `None` for too few values.
    pub(super) fn inflation(&self, variance: f64) -> Option<f64> {
        if self.sums.len() < FEWEST {
            return None;
        }
        let (count, size) = (self.sums.len() as f64, self.size as f64);
        let mean = self.sums.iter().sum::<f64>() / count;
        let squares: f64 = self.sums.iter().map(|sum| (sum - mean).powi(2)).sum();
        // Of a sum of `size` independent values the variance is `size` times that of one.
        let inflation = squares / (count - 1.0) / size / variance;
        Some(if inflation.is_finite() { inflation.clamp(1.0, count * size) } else { 1.0 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A first-order autoregressive series with normal-ish steps, from a plain generator.
    fn series(memory: f64, count: usize, seed: u64) -> Vec<f64> {
        let mut state = seed;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888);
            (state >> 33) as f64 / (1u64 << 31) as f64 - 0.5
        };
        let mut value = 0.0;
        (0..count)
            .map(|_| {
                let step: f64 = (0..12).map(|_| uniform()).sum();
                value = memory * value + step;
                value
            })
            .collect()
    }

    fn mean_inflation(memory: f64) -> f64 {
        let runs = 200;
        let one = |seed: u64| {
            let values = series(memory, 3000, seed);
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let variance =
                values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / values.len() as f64;
            let mut batches = Batches::default();
            values.iter().for_each(|&v| batches.add(v));
            assert!((16..32).contains(&batches.count()));
            batches.inflation(variance).unwrap()
        };
        (1..=runs).map(|n| one(n * 7_919)).sum::<f64>() / runs as f64
    }

    /// Of a first-order autoregressive series with memory φ the inflation is (1 + φ)/(1 − φ):
    /// the sum of its autocorrelations φ^k (a textbook result, as in Box and Jenkins, "Time
    /// Series Analysis").
    #[test]
    fn the_inflation_of_a_series_with_memory() {
        let with_memory = mean_inflation(0.6);
        assert!((3.4..4.6).contains(&with_memory), "{with_memory}, calculated 4");
        let without = mean_inflation(0.0);
        assert!((1.0..1.3).contains(&without), "{without}, calculated 1, never less");
    }

    #[test]
    fn equal_values_are_not_inflated_and_few_say_nothing() {
        let mut batches = Batches::default();
        (0..7).for_each(|_| batches.add(5.0));
        assert_eq!(batches.inflation(1.0), None);
        (0..100).for_each(|_| batches.add(5.0));
        assert_eq!(batches.inflation(0.0), Some(1.0));
    }

    #[test]
    fn appending_keeps_whole_batches() {
        let fill = |count| {
            let mut batches = Batches::default();
            (0..count).for_each(|n| batches.add(f64::from(n % 3)));
            batches
        };
        let mut both = fill(3000);
        both.append(&fill(40));
        both.append(&fill(5000));
        assert!(both.count() >= FEWEST && both.count() < MOST, "{}", both.count());
        assert!(both.inflation(2.0 / 3.0).is_some());
    }
}
