//! Counts with their times, and distributions of spans of time in bounded memory over any length
//! of watch.
//!
//! Latencies follow one another closely, since each scan repeats the one before, so the mean of
//! a batch of neighbours varies more than that of as many independent values. How much more is
//! the inflation, found by the method of batch means. Source: Schmeiser, "Batch size effects in
//! the analysis of simulation output", Operations Research 30 (1982): 10 to 30 batches serve,
//! more do not.

use crate::wire::Nanos;
use hdrhistogram::Histogram;
use statrs::distribution::{ContinuousCDF, StudentsT};

/// Spans of time: count, least, greatest and mean exact to the clock; percentiles at three
/// significant digits.
#[derive(Debug, Clone)]
pub struct Distribution {
    /// Nanoseconds. It grows with the greatest value, to some 400 kB at the very most.
    histogram: Histogram<u64>,
    min: i64,
    max: i64,
    sum: i128,
    batches: Batches,
}

/// What [`Distribution::quantile_range`] leaves out at either end: it holds the true quantile
/// in 99.9 of 100 cases.
const TAIL: f64 = 0.0005;

impl Default for Distribution {
    fn default() -> Self {
        Distribution {
            histogram: empty(),
            min: i64::MAX,
            max: 0,
            sum: 0,
            batches: Batches::default(),
        }
    }
}

/// The unit of 64 ns keeps three digits from 64 µs up, less than the shortest frame takes at
/// 500 kbit/s (47 bits, 94 µs), at a sixth less memory than single nanoseconds.
fn empty() -> Histogram<u64> {
    const UNIT_NS: u64 = 64;
    const DIGITS: u8 = 3;
    let mut histogram = Histogram::new_with_bounds(UNIT_NS, 1 << 20, DIGITS)
        .or_else(|_| Histogram::new(DIGITS))
        .unwrap_or_else(|_| unreachable!("the bounds are constants that the histogram allows"));
    histogram.auto(true);
    histogram
}

impl Distribution {
    /// Adds one span.
    pub fn record(&mut self, span: Nanos) {
        let ns = span.0.max(0);
        self.min = self.min.min(ns);
        self.max = self.max.max(ns);
        self.sum += i128::from(ns);
        self.batches.add(ns as f64);
        // Auto-resizing covers all of u64, so recording cannot fail.
        let _ = self.histogram.record(ns as u64);
    }

    /// How many spans.
    pub fn count(&self) -> u64 {
        self.histogram.len()
    }

    /// The least, exactly.
    pub fn min(&self) -> Option<Nanos> {
        (self.count() > 0).then_some(Nanos(self.min))
    }

    /// The greatest, exactly.
    pub fn max(&self) -> Option<Nanos> {
        (self.count() > 0).then_some(Nanos(self.max))
    }

    /// The mean in nanoseconds, exact but for the rounding of the division.
    pub fn mean_ns(&self) -> Option<f64> {
        (self.count() > 0).then(|| self.sum as f64 / self.count() as f64)
    }

    /// The nearest-rank percentile, for a quantile from 0 to 1.
    pub fn quantile(&self, q: f64) -> Option<Nanos> {
        (self.count() > 0).then(|| {
            let value = i64::try_from(self.histogram.value_at_quantile(q)).unwrap_or(i64::MAX);
            Nanos(value.clamp(self.min, self.max))
        })
    }

    /// The spans in order, least first: about which value, and how many. Values are as exact as
    /// percentiles; there are some thousands at most.
    pub fn counts(&self) -> impl Iterator<Item = (Nanos, u64)> {
        self.histogram.iter_recorded().map(|step| {
            let value = i64::try_from(step.value_iterated_to()).unwrap_or(i64::MAX);
            (Nanos(value.clamp(self.min, self.max)), step.count_since_last_iteration())
        })
    }

    /// How many spans fall between neighbouring edges, which ascend: as many bins as there are
    /// edges, less one. What is outside counts in the first or the last bin.
    pub fn bins(&self, edges: &[Nanos]) -> Vec<u64> {
        let mut bins = vec![0; edges.len().saturating_sub(1)];
        let Some(last) = bins.len().checked_sub(1) else { return bins };
        for (value, count) in self.counts() {
            let at = edges.partition_point(|&edge| edge <= value);
            bins[at.saturating_sub(1).min(last)] += count;
        }
        bins
    }

    /// The standard deviation in nanoseconds, to three digits.
    pub fn deviation_ns(&self) -> Option<f64> {
        (self.count() > 0).then(|| self.histogram.stdev())
    }

    /// How many independent spans these are worth: neighbours are alike, so fewer than
    /// [`Self::count`]. `None` for too few to tell.
    pub fn effective_count(&self) -> Option<f64> {
        Some(self.count() as f64 / self.inflation()?)
    }

    fn inflation(&self) -> Option<f64> {
        self.batches.inflation(self.deviation_ns()?.powi(2))
    }

    /// Between which values the quantile of the underlying distribution lies, at 99.9 %,
    /// whatever its shape; an end beyond the least or greatest span is not known.
    ///
    /// Order statistics (David and Nagaraja, "Order Statistics", on distribution-free
    /// intervals for quantiles): the number of spans under the true quantile is binomial. Its
    /// variance is taken as inflated as that of the mean, and Student's factor allows for the
    /// uncertainty of the inflation itself.
    pub fn quantile_range(&self, q: f64) -> (Option<Nanos>, Option<Nanos>) {
        let factor = StudentsT::new(0.0, 1.0, self.batches.count().saturating_sub(1) as f64);
        let (Some(inflation), Ok(factor)) = (self.inflation(), factor) else {
            return (None, None);
        };
        let n = self.count() as f64;
        let reach = factor.inverse_cdf(1.0 - TAIL) * (inflation * n * q * (1.0 - q)).sqrt();
        let at_rank =
            |rank: f64| (1.0..=n).contains(&rank).then(|| self.quantile(rank / n)).flatten();
        (at_rank((n * q - reach).floor()), at_rank((n * q + reach).ceil() + 1.0))
    }
}

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

/// A count with the times of its first and last one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Occurrences {
    count: u64,
    first: Nanos,
    last: Nanos,
}

impl Occurrences {
    /// One more, at this time.
    pub fn add(&mut self, t: Nanos) {
        if self.count == 0 {
            self.first = t;
        }
        self.last = t;
        self.count += 1;
    }

    /// How many.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// When the first one happened.
    pub fn first(&self) -> Option<Nanos> {
        (self.count > 0).then_some(self.first)
    }

    /// When the last one happened.
    pub fn last(&self) -> Option<Nanos> {
        (self.count > 0).then_some(self.last)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn an_empty_one_knows_nothing() {
        let empty = Distribution::default();
        assert_eq!((empty.min(), empty.max(), empty.quantile(0.5)), (None, None, None));
        assert_eq!(empty.mean_ns(), None);
    }

    #[test]
    fn bins_hold_everything() {
        let mut one = Distribution::default();
        for us in [50, 150, 1_500, 1_500, 90_000] {
            one.record(Nanos::from_micros(us));
        }
        let edges = [100, 1_000, 10_000].map(Nanos::from_micros);
        assert_eq!(one.bins(&edges), [2, 3]);
        assert!(one.bins(&edges[..1]).is_empty());
    }

    #[test]
    fn takes_the_longest_span_there_is() {
        let mut one = Distribution::default();
        one.record(Nanos(i64::MAX));
        assert_eq!(one.count(), 1);
        assert_eq!(one.quantile(0.5), Some(Nanos(i64::MAX)));
    }

    /// Of 2000 series of 400 independent uniform spans, how many ranges miss the true quantile:
    /// at most some few more than one in a thousand.
    #[test]
    fn a_range_misses_the_true_quantile_about_once_in_a_thousand() {
        let mut state = 1_u64;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888);
            1_000_000 + (state >> 33) as i64 % 1_000_000
        };
        let mut missed = [0; 2];
        for _ in 0..2000 {
            let mut all = Distribution::default();
            (0..400).for_each(|_| all.record(Nanos(next())));
            for (missed, q) in missed.iter_mut().zip([0.5, 0.9]) {
                let truth = 1_000_000.0 * (1.0 + q);
                let (low, high) = all.quantile_range(q);
                let inside = low.unwrap().0 as f64 * 0.999 <= truth
                    && high.unwrap().0 as f64 * 1.001 >= truth;
                *missed += u32::from(!inside);
            }
        }
        assert!(missed.iter().all(|&missed| missed <= 8), "{missed:?} of 2000");
    }

    proptest! {
        /// Nearest rank: the smallest value with at least q of all at or under it.
        #[test]
        fn percentiles_are_nearest_rank_at_three_digits(
            mut spans in prop::collection::vec(100_000i64..10_000_000_000, 1..400),
            q in prop::sample::select(vec![0.5, 0.9, 0.99, 0.999]),
        ) {
            let mut all = Distribution::default();
            for &span in &spans {
                all.record(Nanos(span));
            }
            spans.sort_unstable();
            let rank = ((q * spans.len() as f64).ceil() as usize).clamp(1, spans.len());
            let exact = spans[rank - 1] as f64;
            let got = all.quantile(q).unwrap().0 as f64;
            prop_assert!((got - exact).abs() <= exact * 0.001, "{got} for {exact}");
            prop_assert_eq!(all.min().unwrap().0, spans[0]);
            prop_assert_eq!(all.max().unwrap().0, spans[spans.len() - 1]);
        }

        /// A range lies about its quantile, and never beyond what was measured.
        #[test]
        fn a_range_holds_its_quantile(
            spans in prop::collection::vec(100_000i64..10_000_000, 1..3000),
            q in prop::sample::select(vec![0.5, 0.9, 0.99]),
        ) {
            let mut all = Distribution::default();
            spans.iter().for_each(|&span| all.record(Nanos(span)));
            let (low, high) = all.quantile_range(q);
            let at = all.quantile(q).unwrap();
            prop_assert!(low.is_none_or(|low| low <= at && low >= all.min().unwrap()));
            prop_assert!(high.is_none_or(|high| high >= at && high <= all.max().unwrap()));
            prop_assert!(all.effective_count().is_none_or(|n| n >= 1.0 && n <= spans.len() as f64));
        }

        #[test]
        fn counts_hold_every_span_in_order(
            mut spans in prop::collection::vec(100_000i64..10_000_000_000, 1..400),
        ) {
            let mut all = Distribution::default();
            for &span in &spans {
                all.record(Nanos(span));
            }
            spans.sort_unstable();
            let counts: Vec<_> = all.counts().collect();
            prop_assert_eq!(counts.iter().map(|(_, n)| n).sum::<u64>(), spans.len() as u64);
            let values = counts.iter().flat_map(|&(v, n)| std::iter::repeat_n(v.0, n as usize));
            for (got, exact) in values.zip(spans) {
                prop_assert!((got - exact).abs() as f64 <= exact as f64 * 0.001);
            }
        }
    }
}

#[cfg(test)]
mod batches_tests {
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
}

#[cfg(test)]
mod occurrences_tests {
    use super::*;

    #[test]
    fn keeps_first_and_last() {
        let mut seen = Occurrences::default();
        assert_eq!((seen.first(), seen.last()), (None, None));
        for t in [3, 5, 9] {
            seen.add(Nanos(t));
        }
        assert_eq!(seen.count(), 3);
        assert_eq!((seen.first(), seen.last()), (Some(Nanos(3)), Some(Nanos(9))));
    }
}
