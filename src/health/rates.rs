//! Two rates of events compared: is one higher, and by how much?
//!
//! The exact conditional test: given n events in all, those in the first exposure are
//! binomial. Source: Gu, Ng, Tang, Schucany, "Testing the ratio of two Poisson rates",
//! Biometrical Journal 50 (2008).

use statrs::distribution::{Beta, Binomial, ContinuousCDF, Discrete, DiscreteCDF};

/// Events counted over two exposures (times, frames, any positive measure).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoRates {
    events: [u64; 2],
    exposures: [f64; 2],
}

/// From so many events on the sum over all outcomes gives way to twice the smaller tail,
/// which differs by then only where neither matters.
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
        assert!(near(rates.p_value(), 0.000_675_182_658_686_321, 1e-9), "{}", rates.p_value());
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
}
