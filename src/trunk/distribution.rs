//! How a measured span is distributed, in bounded memory, over any length of watch.

use hdrhistogram::Histogram;
use statrs::distribution::{ContinuousCDF, StudentsT};

use super::batches::Batches;
use crate::wire::Nanos;

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

    /// Adds all that another one holds; the result is as if all had been recorded here, but
    /// for the estimate of [`Self::effective_count`].
    pub fn merge(&mut self, other: &Distribution) {
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.sum += other.sum;
        self.batches.append(&other.batches);
        // Auto-resizing, as above.
        let _ = self.histogram.add(&other.histogram);
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
            let told = counts.iter().flat_map(|&(v, n)| std::iter::repeat_n(v.0, n as usize));
            for (got, exact) in told.zip(spans) {
                prop_assert!((got - exact).abs() as f64 <= exact as f64 * 0.001);
            }
        }

        #[test]
        fn merging_is_exact(spans in prop::collection::vec(1i64..1 << 40, 2..200), cut in 0usize..200) {
            let cut = cut % spans.len();
            let collect = |part: &[i64]| {
                let mut d = Distribution::default();
                part.iter().for_each(|&s| d.record(Nanos(s)));
                d
            };
            let mut merged = collect(&spans[..cut]);
            merged.merge(&collect(&spans[cut..]));
            let whole = collect(&spans);
            prop_assert_eq!(merged.count(), whole.count());
            prop_assert_eq!(merged.min(), whole.min());
            prop_assert_eq!(merged.max(), whole.max());
            prop_assert_eq!(merged.mean_ns(), whole.mean_ns());
            for q in [0.5, 0.9, 0.99] {
                prop_assert_eq!(merged.quantile(q), whole.quantile(q));
            }
        }
    }
}
