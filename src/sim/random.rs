//! Chance with a seed: whole numbers only, so that every machine draws the same.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::time::Time;

/// One stream of chance. Each node and each fault has its own, so that switching on one fault
/// leaves what the others draw as it was.
#[derive(Debug, Clone)]
pub(super) struct Chance(ChaCha8Rng);

impl Chance {
    /// The stream with this number of this seed.
    pub(super) fn new(seed: u64, stream: u64) -> Chance {
        let mut bytes = [0; 32];
        bytes[..8].copy_from_slice(&seed.to_le_bytes());
        let mut rng = ChaCha8Rng::from_seed(bytes);
        rng.set_stream(stream);
        Chance(rng)
    }

    /// A number under `bound`, each as likely; 0 for a bound of 0.
    pub(super) fn below(&mut self, bound: u64) -> u64 {
        // The high half of the product; the bias is under bound / 2^64.
        ((u128::from(self.0.next_u64()) * u128::from(bound)) >> 64) as u64
    }

    /// A number from `low` to `high`, both included.
    pub(super) fn between(&mut self, low: u64, high: u64) -> u64 {
        low + self.below(high.saturating_sub(low) + 1)
    }

    /// `true` in so many cases of 2^32.
    pub(super) fn happens(&mut self, likely: Likely) -> bool {
        u64::from(self.0.next_u32()) < likely.0
    }

    /// A span whose distribution is exponential with this mean.
    ///
    /// Von Neumann's method (1951): only comparisons of uniform numbers, no logarithm, which
    /// differs between machines in its last digit.
    pub(super) fn exponential(&mut self, mean: Time) -> Time {
        let mut whole = 0_u64;
        loop {
            let first = self.0.next_u32();
            let mut last = first;
            let mut descents = 0;
            loop {
                let next = self.0.next_u32();
                if next >= last {
                    break;
                }
                last = next;
                descents += 1;
            }
            if descents % 2 == 0 {
                let scaled = u128::from(whole << 32 | u64::from(first)) * u128::from(mean.0);
                return Time((scaled >> 32) as u64);
            }
            whole += 1;
        }
    }

    /// Random bytes.
    pub(super) fn fill(&mut self, bytes: &mut [u8]) {
        self.0.fill_bytes(bytes);
    }
}

/// How likely something is, in parts of 2^32.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Likely(u64);

impl Likely {
    /// Always.
    pub(super) const ALWAYS: Likely = Likely(1 << 32);

    /// From a share of 0 to 1; outside it the nearer end.
    pub(super) fn share(share: f64) -> Likely {
        // Multiplying by a power of two is exact on every machine.
        Likely((share.clamp(0.0, 1.0) * 4_294_967_296.0) as u64)
    }

    /// This, times a ratio of at most 1.
    pub(super) fn times(self, part: u64, whole: u64) -> Likely {
        let product = u128::from(self.0) * u128::from(part.min(whole));
        Likely((product / u128::from(whole.max(1))) as u64)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_draws_the_same_and_streams_differ() {
        let draw = |seed, stream| {
            let mut chance = Chance::new(seed, stream);
            [chance.below(1000), chance.below(1000), chance.exponential(Time(1000)).0]
        };
        assert_eq!(draw(7, 1), draw(7, 1));
        assert_ne!(draw(7, 1), draw(7, 2));
        assert_ne!(draw(7, 1), draw(8, 1));
    }

    /// An exponential distribution has its mean, and 1/e of it lies above the mean.
    #[test]
    fn exponential_spans_have_their_mean() {
        let mut chance = Chance::new(1, 0);
        let spans: Vec<u64> = (0..40_000).map(|_| chance.exponential(Time(10_000)).0).collect();
        let mean = spans.iter().sum::<u64>() as f64 / spans.len() as f64;
        assert!((mean - 10_000.0).abs() < 150.0, "{mean}");
        let above = spans.iter().filter(|&&s| s > 10_000).count() as f64 / spans.len() as f64;
        assert!((above - 0.3679).abs() < 0.01, "{above}");
    }

    #[test]
    fn shares_happen_as_often_as_they_say() {
        let mut chance = Chance::new(3, 0);
        let hits = (0..40_000).filter(|_| chance.happens(Likely::share(0.25))).count();
        assert!((9_600..10_400).contains(&hits), "{hits}");
        assert!(chance.happens(Likely::ALWAYS));
        assert!(!chance.happens(Likely::share(0.0)));
        assert_eq!(Likely::share(0.5).times(1, 2), Likely::share(0.25));
    }
}
