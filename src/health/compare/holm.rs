//! Many tests at once: how likely the smallest probabilities are, given how many were tried.
//!
//! Source: Holm, "A simple sequentially rejective multiple test procedure", Scandinavian
//! Journal of Statistics 6 (1979).

/// The probabilities corrected for their number, in the order given: those at most α may be
/// believed, with a chance of at most α that any of them is wrong.
pub(super) fn corrected(probabilities: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..probabilities.len()).collect();
    order.sort_by(|&a, &b| probabilities[a].total_cmp(&probabilities[b]));
    let mut corrected = vec![1.0; probabilities.len()];
    let mut least: f64 = 0.0;
    for (rank, &index) in order.iter().enumerate() {
        let left = (probabilities.len() - rank) as f64;
        least = least.max((probabilities[index] * left).min(1.0));
        corrected[index] = least;
    }
    corrected
}

#[cfg(test)]
mod tests {
    use super::corrected;

    /// Four hypotheses with p = 0.01, 0.04, 0.03, 0.005, an often printed example of Holm's
    /// procedure (from memory, no one source): at 0.05 the fourth and the first are rejected.
    /// The corrected values are calculated by hand from Holm's rule: 0.005 × 4, 0.01 × 3,
    /// 0.03 × 2, and the last one not less than the one before.
    #[test]
    fn four_hypotheses() {
        let got = corrected(&[0.01, 0.04, 0.03, 0.005]);
        for (got, expected) in got.iter().zip([0.03, 0.06, 0.06, 0.02]) {
            assert!((got - expected).abs() < 1e-12, "{got} {expected}");
        }
    }

    #[test]
    fn none_one_and_never_over_one() {
        assert!(corrected(&[]).is_empty());
        assert_eq!(corrected(&[0.2]), [0.2]);
        assert_eq!(corrected(&[0.9, 0.8]), [1.0, 1.0]);
    }
}
