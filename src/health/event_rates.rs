//! How often something happens: whether two rates differ, and whether a rate rises or falls.
//!
//! Two rates are compared by the exact conditional test: given n events in all, those in the
//! first exposure are binomial. Source: Gu, Ng, Tang, Schucany, "Testing the ratio of two Poisson
//! rates", Biometrical Journal 50 (2008).
//!
//! A trend is found by Laplace's test: were the rate constant, the events would lie about the
//! middle of the time. Source: Cox, Lewis, "The statistical analysis of series of events" (1966),
//! chapter 3. Errors come in clusters, which would look like a trend now and then; so the variance
//! is scaled by how much more neighbouring parts of the time differ than chance would make them.
//! Sources: McCullagh, Nelder, "Generalized linear models" (1989), chapter 6, for the scaling; von
//! Neumann, Annals of Mathematical Statistics 12 (1941) 367–395, for the estimate from successive
//! differences, which a trend itself hardly touches.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use statrs::distribution::{Beta, Binomial, ContinuousCDF, Discrete, DiscreteCDF, Normal};

use crate::trunk::DisturbanceBin;

/// Events counted over two exposures (times, frames, any positive measure).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct TwoRates {
    events: [u64; 2],
    exposures: [f64; 2],
}

/// Up to so many events the sum over all outcomes is used; beyond, twice the smaller tail, which
/// then differs only where neither matters.
const SUM_UP_TO: u64 = 100_000;

impl TwoRates {
    /// `None` unless both exposures are finite and positive.
    pub fn new(first: (u64, f64), second: (u64, f64)) -> Option<TwoRates> {
        let exposures = [first.1, second.1];
        exposures
            .iter()
            .all(|e| e.is_finite() && *e > 0.0)
            .then_some(TwoRates { events: [first.0, second.0], exposures })
    }

    /// The first rate over the second; infinite where the second is zero and the first is
    /// not, unknown where both are.
    pub fn ratio(&self) -> Option<f64> {
        let [first, second] = [0, 1].map(|i| self.events[i] as f64 / self.exposures[i]);
        let ratio = first / second;
        (!ratio.is_nan()).then_some(ratio)
    }

    /// The two-sided probability of what was seen, or less likely, if both rates are equal.
    pub fn p_value(&self) -> f64 {
        six_digits(self.exact_p_value())
    }

    fn exact_p_value(&self) -> f64 {
        let [first, second] = self.events;
        let n = first + second;
        let share = self.exposures[0] / (self.exposures[0] + self.exposures[1]);
        let Ok(binomial) = Binomial::new(share, n) else { return 1.0 };
        if n > SUM_UP_TO {
            let below = binomial.cdf(first);
            let above = if first == 0 { 1.0 } else { binomial.sf(first - 1) };
            return (2.0 * below.min(above)).min(1.0);
        }
        // As R's poisson.test does, so that equal probabilities count as equal in spite of
        // rounding.
        let seen = binomial.pmf(first) * (1.0 + 1e-7);
        let sum: f64 = (0..=n).map(|k| binomial.pmf(k)).filter(|&p| p <= seen).sum();
        sum.min(1.0)
    }

    /// The central interval of the ratio at this confidence, such as 0.95.
    pub fn interval(&self, confidence: f64) -> (f64, f64) {
        let tail = (1.0 - confidence) / 2.0;
        let [first, second] = self.events.map(|events| events as f64);
        let odds = |share: f64| share / (1.0 - share) * self.exposures[1] / self.exposures[0];
        let quantile = |a: f64, b: f64, p: f64| Beta::new(a, b).map(|beta| beta.inverse_cdf(p));
        let low = match first {
            0.0 => 0.0,
            _ => quantile(first, second + 1.0, tail).map_or(0.0, odds),
        };
        let high = match second {
            0.0 => f64::INFINITY,
            _ => quantile(first + 1.0, second, 1.0 - tail).map_or(f64::INFINITY, odds),
        };
        (low, high)
    }
}

/// A probability to six digits. Logarithms and exponentials differ in the last digits from one kind
/// of machine to the next, and the same records must give the same summary on each.
fn six_digits(p: f64) -> f64 {
    format!("{p:.5e}").parse().unwrap_or(p)
}

/// Fewer disturbances show no trend.
const LEAST_DISTURBANCES: u64 = 12;
/// Below this chance of none, there is a trend.
const TREND_P: f64 = 0.003;

/// Whether the rate of bus errors rises or falls.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TrendDirection {
    /// More and more.
    Rising,
    /// No more than chance explains.
    Steady,
    /// Fewer and fewer.
    Falling,
}

/// The trend of the bus errors. Error frames within 5 ms of each other are one disturbance.
///
/// Laplace's test (Cox, Lewis 1966) over the times of disturbances, its variance scaled by how
/// much neighbouring parts of the time differ, since errors come in clusters. Twelve disturbances
/// at least, p under 0.003; time with the interface down does not count.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ErrorTrend {
    /// Whether it rises or falls.
    pub direction: TrendDirection,
    /// Disturbances in all.
    pub disturbances: u64,
    /// Disturbances a second in the first half of the time.
    pub first_half_per_s: f64,
    /// Disturbances a second in the second half.
    pub second_half_per_s: f64,
    /// How much more the parts of the time differ than chance would make them; at least 1.
    pub dispersion: f64,
    /// Laplace's statistic, after that is allowed for: standard normal without a trend.
    pub statistic: f64,
    /// The chance of a statistic as far from zero without a trend.
    pub p: f64,
}

impl ErrorTrend {
    /// The trend over the parts of a measurement; `None` if there are too few disturbances to say.
    pub fn from_bins(stretches: &[DisturbanceBin]) -> Option<ErrorTrend> {
        let seconds: f64 = stretches.iter().map(|s| s.seconds).sum();
        let events: u64 = stretches.iter().map(|s| s.events).sum();
        if events < LEAST_DISTURBANCES || stretches.len() < 4 {
            return None;
        }
        let weighted = |of: &dyn Fn(&DisturbanceBin) -> f64| -> f64 {
            stretches.iter().map(|s| s.seconds * of(s)).sum::<f64>() / seconds
        };
        let mean = weighted(&|s| s.middle);
        let variance = weighted(&|s| (s.middle - mean).powi(2));
        let count = events as f64;
        let at_events = stretches.iter().map(|s| s.events as f64 * s.middle).sum::<f64>() / count;
        let dispersion = dispersion(stretches);
        let statistic = (at_events - mean) / (dispersion * variance / count).sqrt();
        let p = six_digits(2.0 * Normal::standard().cdf(-statistic.abs()));
        let direction = match statistic {
            _ if p >= TREND_P => TrendDirection::Steady,
            s if s > 0.0 => TrendDirection::Rising,
            _ => TrendDirection::Falling,
        };
        let [first, second] = halves(stretches, seconds);
        Some(ErrorTrend {
            direction,
            disturbances: events,
            first_half_per_s: first,
            second_half_per_s: second,
            dispersion,
            statistic,
            p,
        })
    }
}

/// How much more neighbouring parts differ than chance would make them; 1 is chance.
fn dispersion(stretches: &[DisturbanceBin]) -> f64 {
    let (mut seen, mut expected) = (0.0, 0.0);
    for pair in stretches.windows(2) {
        let both = (pair[0].events + pair[1].events) as f64;
        let share = pair[0].seconds / (pair[0].seconds + pair[1].seconds);
        seen += (pair[0].events as f64 - both * share).powi(2);
        expected += both * share * (1.0 - share);
    }
    if expected > 0.0 { (seen / expected).max(1.0) } else { 1.0 }
}

/// Events a second in the two halves of the time; the part in the middle is split.
fn halves(stretches: &[DisturbanceBin], seconds: f64) -> [f64; 2] {
    let half = seconds / 2.0;
    let (mut first, mut before) = (0.0, 0.0);
    for stretch in stretches {
        let share = ((half - before) / stretch.seconds).clamp(0.0, 1.0);
        first += share * stretch.events as f64;
        before += stretch.seconds;
    }
    let all: u64 = stretches.iter().map(|s| s.events).sum();
    [first / half, (all as f64 - first) / half]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(a: f64, b: f64, relative: f64) -> bool {
        (a - b).abs() <= relative * b.abs()
    }

    /// Gu et al. 2008, the example, with the values of the statsmodels tests and of R's
    /// exactci: minimum likelihood p, central interval.
    #[test]
    fn the_example_of_gu_et_al() {
        let rates = TwoRates::new((60, 51_477.5), (30, 54_308.7)).unwrap();
        assert!(near(rates.ratio().unwrap(), 2.109_997_57, 1e-8));
        assert!(near(rates.exact_p_value(), 0.000_675_182_658_686_321, 1e-9));
        let (low, high) = rates.interval(0.95);
        assert!(near(low, 1.339_735_72, 1e-7) && near(high, 3.388_365_57, 1e-7), "{low} {high}");
    }

    /// R, help page of poisson.test.
    #[test]
    fn the_example_of_r() {
        let rates = TwoRates::new((11, 800.0), (21, 3011.0)).unwrap();
        assert!(near(rates.p_value(), 0.079_668_6, 1e-5), "{}", rates.p_value());
        assert!(near(rates.ratio().unwrap(), 1.971_488, 1e-6));
        let (low, high) = rates.interval(0.95);
        assert!(near(low, 0.858_426, 1e-5) && near(high, 4.277_266, 1e-5), "{low} {high}");
    }

    #[test]
    fn no_events_say_nothing() {
        let none = TwoRates::new((0, 10.0), (0, 20.0)).unwrap();
        assert_eq!((none.ratio(), none.p_value()), (None, 1.0));
        assert_eq!(none.interval(0.95), (0.0, f64::INFINITY));
        assert!(TwoRates::new((1, 0.0), (1, 1.0)).is_none());
        assert!(TwoRates::new((1, f64::NAN), (1, 1.0)).is_none());
    }

    #[test]
    fn many_events_take_the_short_way_to_the_same_end() {
        let rates = TwoRates::new((50_400, 1.0), (49_700, 1.0)).unwrap();
        let sum: f64 = {
            let binomial = Binomial::new(0.5, 100_100).unwrap();
            let seen = binomial.pmf(50_400) * (1.0 + 1e-7);
            (0..=100_100).map(|k| binomial.pmf(k)).filter(|&p| p <= seen).sum()
        };
        assert!(near(rates.p_value(), sum, 1e-3), "{} {sum}", rates.p_value());
    }

    fn parts(events: &[u64]) -> Vec<DisturbanceBin> {
        let part = |(index, &events): (usize, &u64)| DisturbanceBin {
            middle: index as f64 + 0.5,
            seconds: 1.0,
            events,
        };
        events.iter().enumerate().map(part).collect()
    }

    /// Calculated by hand from the formula in Cox and Lewis: 20 events at 3.5 of 0 to 4 on the
    /// mean; the centres of four parts of one second have the variance 1.25 about 2.
    #[test]
    fn laplaces_statistic() {
        let trend = ErrorTrend::from_bins(&parts(&[2, 4, 6, 8])).unwrap();
        // mean (2·0.5 + 4·1.5 + 6·2.5 + 8·3.5) / 20 = 2.5; (2.5 − 2) / √(1.25 / 20) = 2
        assert!((trend.statistic - 2.0).abs() < 1e-12, "{trend:?}");
        assert!((trend.p - 0.0455).abs() < 1e-4, "{trend:?}");
        assert_eq!((trend.direction, trend.dispersion), (TrendDirection::Steady, 1.0));
        assert_eq!((trend.first_half_per_s, trend.second_half_per_s), (3.0, 7.0));
    }

    #[test]
    fn rising_and_falling_are_told_apart_and_few_are_not_judged() {
        let rising: Vec<u64> = (0..40).map(|n| n / 5).collect();
        let falling: Vec<u64> = rising.iter().rev().copied().collect();
        let direction = |events: &[u64]| ErrorTrend::from_bins(&parts(events)).map(|t| t.direction);
        assert_eq!(direction(&rising), Some(TrendDirection::Rising));
        assert_eq!(direction(&falling), Some(TrendDirection::Falling));
        assert_eq!(direction(&[3; 40]), Some(TrendDirection::Steady));
        assert_eq!(direction(&[0, 1, 2, 3]), None);
        assert_eq!(direction(&[20]), None);
    }

    /// Two seconds of noise late in a minute are one event, no trend.
    #[test]
    fn one_burst_is_no_trend() {
        let mut events = [0; 60];
        events[44] = 50;
        events[45] = 50;
        let trend = ErrorTrend::from_bins(&parts(&events)).unwrap();
        assert_eq!(trend.direction, TrendDirection::Steady);
        assert!(trend.dispersion > 20.0);
    }

    /// A constant rate seldom looks like a trend, whether its events come singly or in clusters.
    #[test]
    fn chance_is_seldom_taken_for_a_trend() {
        use rand_chacha::ChaCha8Rng;
        use rand_chacha::rand_core::{Rng, SeedableRng};
        let mut random = ChaCha8Rng::seed_from_u64(7);
        for (cluster, events) in [(1, 60), (8, 20)] {
            let mut found = 0;
            for _ in 0..1000 {
                let mut counts = [0; 60];
                for _ in 0..events {
                    counts[(random.next_u32() % 60) as usize] += cluster;
                }
                let trend = ErrorTrend::from_bins(&parts(&counts)).unwrap();
                found += u64::from(trend.direction != TrendDirection::Steady);
            }
            assert!(found <= 15, "{found} of 1000, clusters of {cluster}");
        }
    }
}
