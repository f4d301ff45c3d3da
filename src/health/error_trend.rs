//! Whether bus errors become more or fewer over the time of a measurement.
//!
//! Laplace's test: were the rate constant, the events would lie about the middle of the time.
//! Source: Cox, Lewis, "The statistical analysis of series of events" (1966), chapter 3. Errors
//! come in clusters, which would look like a trend now and then; so the variance is scaled by
//! how much more neighbouring parts of the time differ than chance would make them. Sources:
//! McCullagh, Nelder, "Generalized linear models" (1989), chapter 6, for the scaling; von
//! Neumann, Annals of Mathematical Statistics 12 (1941) 367–395, for the estimate from
//! successive differences, which a trend itself hardly touches.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use statrs::distribution::{ContinuousCDF, Normal};

use crate::trunk::CourseStretch as Stretch;

/// Fewer disturbances show no trend.
const ENOUGH: u64 = 12;
/// The chance that a trend is none, below which there is one.
const TREND_P: f64 = 0.003;

/// Where the rate of bus errors goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Direction {
    /// More and more.
    Rising,
    /// No trend that chance does not explain.
    Steady,
    /// Fewer and fewer.
    Falling,
}

/// The trend of the bus errors. Error frames within 5 ms of each other are one disturbance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ErrorTrend {
    /// Where it goes.
    pub direction: Direction,
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
    /// Over the parts of the time; `None` where there are too few disturbances to say.
    pub fn of(stretches: &[Stretch]) -> Option<ErrorTrend> {
        let seconds: f64 = stretches.iter().map(|s| s.seconds).sum();
        let events: u64 = stretches.iter().map(|s| s.events).sum();
        if events < ENOUGH || stretches.len() < 4 {
            return None;
        }
        let weighted = |of: &dyn Fn(&Stretch) -> f64| -> f64 {
            stretches.iter().map(|s| s.seconds * of(s)).sum::<f64>() / seconds
        };
        let mean = weighted(&|s| s.middle);
        let variance = weighted(&|s| (s.middle - mean).powi(2));
        let count = events as f64;
        let at_events = stretches.iter().map(|s| s.events as f64 * s.middle).sum::<f64>() / count;
        let dispersion = dispersion(stretches);
        let statistic = (at_events - mean) / (dispersion * variance / count).sqrt();
        let p = 2.0 * Normal::standard().cdf(-statistic.abs());
        let direction = match statistic {
            _ if p >= TREND_P => Direction::Steady,
            s if s > 0.0 => Direction::Rising,
            _ => Direction::Falling,
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

    /// In words, with the numbers.
    pub fn words(&self) -> String {
        let (first, second) = (self.first_half_per_s, self.second_half_per_s);
        let what = match self.direction {
            Direction::Rising => "rising",
            Direction::Steady => "no trend",
            Direction::Falling => "falling",
        };
        format!(
            "{what}: {first:.2} disturbances a second in the first half, {second:.2} in the \
             second (Laplace's test {:.1}, p {:.1e})",
            self.statistic, self.p
        )
    }
}

/// Twice what chance would make two neighbours differ is 2, and so on; chance makes 1.
fn dispersion(stretches: &[Stretch]) -> f64 {
    let (mut seen, mut expected) = (0.0, 0.0);
    for pair in stretches.windows(2) {
        let both = (pair[0].events + pair[1].events) as f64;
        let share = pair[0].seconds / (pair[0].seconds + pair[1].seconds);
        seen += (pair[0].events as f64 - both * share).powi(2);
        expected += both * share * (1.0 - share);
    }
    if expected > 0.0 { (seen / expected).max(1.0) } else { 1.0 }
}

/// Events a second in the two halves of the time; the part in the middle is shared out.
fn halves(stretches: &[Stretch], seconds: f64) -> [f64; 2] {
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

    fn parts(events: &[u64]) -> Vec<Stretch> {
        let part = |(index, &events): (usize, &u64)| Stretch {
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
        let trend = ErrorTrend::of(&parts(&[2, 4, 6, 8])).unwrap();
        // mean (2·0.5 + 4·1.5 + 6·2.5 + 8·3.5) / 20 = 2.5; (2.5 − 2) / √(1.25 / 20) = 2
        assert!((trend.statistic - 2.0).abs() < 1e-12, "{trend:?}");
        assert!((trend.p - 0.0455).abs() < 1e-4, "{trend:?}");
        assert_eq!((trend.direction, trend.dispersion), (Direction::Steady, 1.0));
        assert_eq!((trend.first_half_per_s, trend.second_half_per_s), (3.0, 7.0));
    }

    #[test]
    fn rising_and_falling_are_told_apart_and_few_are_not_judged() {
        let rising: Vec<u64> = (0..40).map(|n| n / 5).collect();
        let falling: Vec<u64> = rising.iter().rev().copied().collect();
        let direction = |events: &[u64]| ErrorTrend::of(&parts(events)).map(|t| t.direction);
        assert_eq!(direction(&rising), Some(Direction::Rising));
        assert_eq!(direction(&falling), Some(Direction::Falling));
        assert_eq!(direction(&[3; 40]), Some(Direction::Steady));
        assert_eq!(direction(&[0, 1, 2, 3]), None);
        assert_eq!(direction(&[20]), None);
    }

    /// Two seconds of noise late in a minute are one event, no trend.
    #[test]
    fn one_burst_is_no_trend() {
        let mut events = [0; 60];
        events[44] = 50;
        events[45] = 50;
        let trend = ErrorTrend::of(&parts(&events)).unwrap();
        assert_eq!(trend.direction, Direction::Steady);
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
                let trend = ErrorTrend::of(&parts(&counts)).unwrap();
                found += u64::from(trend.direction != Direction::Steady);
            }
            assert!(found <= 15, "{found} of 1000, clusters of {cluster}");
        }
    }
}
