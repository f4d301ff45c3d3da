//! Whether a quantity differs between two visits beyond chance and beyond the tolerance.
//!
//! - The range of a difference comes from the ranges of the two values, whatever their shape.
//!   Source: Zou and Donner, "Construction of confidence limits about effect measures: a general
//!   approach", Statistics in Medicine 27 (2008). Of two shares it is method 10 of Newcombe,
//!   "Interval estimation for the difference between independent proportions", Statistics in
//!   Medicine 17 (1998).
//! - Shares (misses, errors) are judged together by the exact test of two rates: the more are
//!   compared, the likelier one of them differs by chance. Source of the correction: Holm, "A
//!   simple sequentially rejective multiple test procedure", Scandinavian Journal of Statistics 6
//!   (1979).

use super::comparison_line::{ComparedValue, ComparisonLine, Judgement};
use crate::health::TwoRates;
use crate::health::summary::SpanStatistics;

/// A measured value, and the range in which the true one lies; an end may not be known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Estimate {
    pub(super) value: f64,
    pub(super) low: Option<f64>,
    pub(super) high: Option<f64>,
}

impl Estimate {
    /// Whether both ends are known.
    pub(super) fn is_bounded(&self) -> bool {
        self.low.is_some() && self.high.is_some()
    }
}

/// The range of `now` less `then`.
pub(super) fn difference(then: Estimate, now: Estimate) -> (Option<f64>, Option<f64>) {
    let difference = now.value - then.value;
    // A root is exact to the last digit on every machine, which `hypot` is not.
    let reach = |down: Option<f64>, up: Option<f64>| Some((down?.powi(2) + up?.powi(2)).sqrt());
    let below = reach(now.low.map(|l| now.value - l), then.high.map(|h| h - then.value));
    let above = reach(now.high.map(|h| h - now.value), then.low.map(|l| then.value - l));
    (below.map(|reach| difference - reach), above.map(|reach| difference + reach))
}

/// Judges a difference with this range: more than `allowed` matters, and more is worse. Within
/// the tolerance it is the same, unless chance may hide more than twice the tolerance.
pub(super) fn judge_shift(
    difference: f64,
    range: (Option<f64>, Option<f64>),
    allowed: f64,
) -> Judgement {
    let (low, high) = range;
    let over = |value: Option<f64>, limit: f64| value.is_some_and(|value| value > limit);
    let under = |value: Option<f64>, limit: f64| value.is_some_and(|value| value < limit);
    if difference > allowed {
        if over(low, 0.0) { Judgement::Worse } else { Judgement::CannotSay }
    } else if difference < -allowed {
        if under(high, 0.0) { Judgement::Better } else { Judgement::CannotSay }
    } else if under(high, 2.0 * allowed) && over(low, -2.0 * allowed) {
        Judgement::Same
    } else {
        Judgement::CannotSay
    }
}

/// Normal deviate of 99.9 % two-sided, for ranges of older summaries.
const DEVIATE_99_9: f64 = 3.29;

/// How many times fewer independent values there are than values, which older summaries do not
/// tell. A guess on the safe side, no source.
const GUESSED_INFLATION: f64 = 4.0;

/// A percentile with its range. An older summary does not tell the range, but the percentiles on
/// both sides: with enough values the true one lies between two of those.
pub(super) fn percentile(spans: &SpanStatistics, q: f64) -> Option<Estimate> {
    let (value, range) = match q {
        0.5 => (spans.p50?, spans.p50_range),
        0.9 => (spans.p90?, spans.p90_range),
        _ => (spans.p99?, spans.p99_range),
    };
    if spans.effective_count.is_some() {
        return Some(Estimate { value, low: range.low, high: range.high });
    }
    let known = [
        (0.0, spans.min),
        (0.5, spans.p50),
        (0.9, spans.p90),
        (0.99, spans.p99),
        (0.999, spans.p999),
        (1.0, spans.max),
    ];
    let n = spans.count as f64;
    let reach = DEVIATE_99_9 * (GUESSED_INFLATION * q * (1.0 - q) / n).sqrt();
    let below = known.iter().rev().find(|(at, _)| *at <= q - reach).and_then(|(_, v)| *v);
    let above = known.iter().find(|(at, _)| *at >= q + reach).and_then(|(_, v)| *v);
    Some(Estimate { value, low: below, high: above })
}

/// Normal deviate of 95 % two-sided.
const DEVIATE_95: f64 = 1.959_963_985;

/// So many events of so many occasions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct EventShare {
    pub(super) events: u64,
    pub(super) of: u64,
}

impl EventShare {
    pub(super) fn value(self) -> Option<f64> {
        (self.of > 0).then(|| self.events as f64 / self.of as f64)
    }

    /// With Wilson's score interval (1927), which Newcombe's method puts together.
    fn estimate(self) -> Option<Estimate> {
        let (value, n) = (self.value()?, self.of as f64);
        let z2 = DEVIATE_95 * DEVIATE_95;
        let centre = (self.events as f64 + z2 / 2.0) / (n + z2);
        // More events than there were occasions, as unsolicited responses may be, leave none
        // of this under the root.
        let spread = (z2 / 4.0 + n * value * (1.0 - value)).max(0.0);
        let reach = DEVIATE_95 * spread.sqrt() / (n + z2);
        let (low, high) = ((centre - reach).max(0.0), centre + reach);
        Some(Estimate { value, low: Some(low.min(value)), high: Some(high.max(value)) })
    }
}

/// The shares of a comparison, which are judged together.
#[derive(Debug, Default)]
pub(super) struct SharesToJudge(Vec<ShareToJudge>);

#[derive(Debug)]
struct ShareToJudge {
    /// Which line.
    index: usize,
    then: EventShare,
    now: EventShare,
}

impl SharesToJudge {
    /// Puts the shares into a line that has its place and its allowed difference, and appends it.
    pub(super) fn push(
        &mut self,
        lines: &mut Vec<ComparisonLine>,
        line: ComparisonLine,
        then: EventShare,
        now: EventShare,
    ) {
        self.0.push(ShareToJudge { index: lines.len(), then, now });
        let number = |share: EventShare| share.value().map(ComparedValue::Number);
        let difference = then.value().zip(now.value()).map(|(then, now)| now - then);
        lines.push(ComparisonLine { then: number(then), now: number(now), difference, ..line });
    }

    /// Judges the lines appended here.
    pub(super) fn judge(&self, lines: &mut [ComparisonLine], significance: f64) {
        let p_value = |share: &ShareToJudge| {
            let rate = |share: EventShare| (share.events, share.of as f64);
            TwoRates::new(rate(share.now), rate(share.then)).map_or(1.0, |rates| rates.p_value())
        };
        let p_values: Vec<f64> = self.0.iter().map(p_value).collect();
        for (share, p) in self.0.iter().zip(holm_corrected(&p_values)) {
            if let Some(line) = lines.get_mut(share.index) {
                share.judge(line, p, significance);
            }
        }
    }
}

impl ShareToJudge {
    fn judge(&self, line: &mut ComparisonLine, p: f64, significance: f64) {
        let (Some(then), Some(now)) = (self.then.estimate(), self.now.estimate()) else {
            line.judgement = Judgement::CannotSay;
            line.why = "nothing to count in one of the two".to_string();
            return;
        };
        let (low, high) = difference(then, now);
        (line.difference_low, line.difference_high, line.p_value) = (low, high, Some(p));
        let allowed = line.allowed.unwrap_or_default();
        let hidden = 2.0 * allowed;
        let shift = now.value - then.value;
        line.judgement = if shift.abs() > allowed {
            match (p < significance, shift > 0.0) {
                (true, true) => Judgement::Worse,
                (true, false) => Judgement::Better,
                (false, _) => Judgement::CannotSay,
            }
        } else if self.then == self.now
            || high.is_some_and(|high| high < hidden) && low.is_some_and(|low| low > -hidden)
        {
            Judgement::Same
        } else {
            Judgement::CannotSay
        };
        line.why = format!(
            "{} of {} then, {} of {} now",
            self.then.events, self.then.of, self.now.events, self.now.of
        );
        if line.judgement == Judgement::CannotSay {
            line.why += "; too few to tell from chance";
        }
    }
}

/// The probabilities corrected for their number, in the order given: if those of at most α are
/// believed, the chance that any of them is wrong is at most α.
fn holm_corrected(probabilities: &[f64]) -> Vec<f64> {
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
    use super::super::comparison_line::Quantity;
    use super::*;
    use crate::fieldbus::MacId;

    fn exactly(value: f64) -> Estimate {
        Estimate { value, low: Some(value), high: Some(value) }
    }

    fn about(value: f64, by: f64) -> Estimate {
        Estimate { value, low: Some(value - by), high: Some(value + by) }
    }

    fn judged(then: Estimate, now: Estimate, allowed: f64) -> Judgement {
        judge_shift(now.value - then.value, difference(then, now), allowed)
    }

    #[test]
    fn beyond_chance_and_beyond_the_tolerance() {
        assert_eq!(judged(about(1000.0, 30.0), about(1400.0, 40.0), 250.0), Judgement::Worse);
        assert_eq!(judged(about(1400.0, 30.0), about(1000.0, 40.0), 250.0), Judgement::Better);
        // beyond chance alone
        assert_eq!(judged(about(1000.0, 1.0), about(1100.0, 1.0), 250.0), Judgement::Same);
        // beyond the tolerance alone
        assert_eq!(judged(about(1000.0, 400.0), about(1400.0, 40.0), 250.0), Judgement::CannotSay);
        // neither, but chance could hide much
        assert_eq!(judged(about(1000.0, 600.0), about(1010.0, 9.0), 250.0), Judgement::CannotSay);
        assert_eq!(judged(exactly(5.0), exactly(5.0), 1.0), Judgement::Same);
    }

    #[test]
    fn an_end_that_is_not_known_proves_nothing() {
        let open = Estimate { value: 1000.0, low: Some(900.0), high: None };
        assert_eq!(judged(open, about(2000.0, 1.0), 250.0), Judgement::CannotSay);
        // how far it may lie above does not matter for its being above
        let open = Estimate { value: 2000.0, low: Some(1900.0), high: None };
        assert_eq!(judged(about(1000.0, 1.0), open, 250.0), Judgement::Worse);
    }

    #[test]
    fn an_older_summary_has_percentiles_on_both_sides() {
        let spans = |count| SpanStatistics {
            count,
            min: Some(800.0),
            mean: Some(1022.0),
            p50: Some(990.0),
            p90: Some(1500.0),
            p99: Some(2100.0),
            p999: Some(3000.0),
            max: Some(3103.0),
            sd: None,
            effective_count: None,
            p50_range: Default::default(),
            p90_range: Default::default(),
            p99_range: Default::default(),
        };
        let median = percentile(&spans(3000), 0.5).unwrap();
        assert_eq!((median.low, median.high), (Some(800.0), Some(1500.0)));
        // 1 % of 1000 with a reach of 2 %: beyond the greatest value nothing is known
        assert_eq!(percentile(&spans(1000), 0.99).unwrap().high, None);
    }

    /// Newcombe 1998, the examples of his Table II, method 10 (from memory; recalculated by an
    /// independent routine).
    #[test]
    fn the_examples_of_newcombe() {
        let share = |events, of| EventShare { events, of }.estimate().unwrap();
        for (first, second, low, high) in [
            ((56, 70), (48, 80), 0.0524, 0.3339),
            ((9, 10), (3, 10), 0.1705, 0.8090),
            ((6, 7), (2, 7), 0.0582, 0.8062),
            ((5, 56), (0, 29), -0.0381, 0.1926),
            ((0, 10), (0, 20), -0.1611, 0.2775),
            ((10, 10), (0, 20), 0.6791, 1.0),
        ] {
            let now = share(first.0, first.1);
            let (got_low, got_high) = difference(share(second.0, second.1), now);
            let near = |got: Option<f64>, expected: f64| (got.unwrap() - expected).abs() < 5.1e-5;
            assert!(near(got_low, low) && near(got_high, high), "{got_low:?} {got_high:?}");
        }
    }

    fn missed_share(mac_id: u8) -> ComparisonLine {
        let mut line = ComparisonLine::new(Quantity::MissedShare, None, None);
        (line.mac_id, line.allowed) = (MacId::new(mac_id), Some(0.002));
        line
    }

    fn judged_share(then: (u64, u64), now: (u64, u64)) -> Judgement {
        let share = |(events, of)| EventShare { events, of };
        let (mut shares, mut lines) = (SharesToJudge::default(), Vec::new());
        shares.push(&mut lines, missed_share(12), share(then), share(now));
        shares.judge(&mut lines, 0.01);
        lines[0].judgement
    }

    #[test]
    fn a_share_is_judged_by_the_test_and_the_tolerance() {
        assert_eq!(judged_share((0, 3000), (150, 3000)), Judgement::Worse);
        assert_eq!(judged_share((150, 3000), (0, 3000)), Judgement::Better);
        assert_eq!(judged_share((0, 3000), (0, 2800)), Judgement::Same);
        // significant, and far too little to matter
        assert_eq!(judged_share((0, 1_000_000), (300, 1_000_000)), Judgement::Same);
        // much, and perhaps chance
        assert_eq!(judged_share((0, 3000), (1, 100)), Judgement::CannotSay);
        // nothing missed, of nearly nothing
        assert_eq!(judged_share((0, 3000), (0, 100)), Judgement::CannotSay);
        assert_eq!(judged_share((0, 3000), (0, 0)), Judgement::CannotSay);
    }

    #[test]
    fn more_responses_than_commands_are_no_trouble() {
        assert_eq!(judged_share((0, 3000), (4000, 3000)), Judgement::Worse);
    }

    /// The more are compared, the more it takes.
    #[test]
    fn one_of_many_needs_more() {
        let (mut shares, mut lines) = (SharesToJudge::default(), Vec::new());
        let of_2000 = |events| EventShare { events, of: 2000 };
        for mac_id in 0..60 {
            shares.push(&mut lines, missed_share(mac_id), of_2000(0), of_2000(0));
        }
        shares.push(&mut lines, missed_share(60), of_2000(0), of_2000(9));
        assert_eq!(judged_share((0, 2000), (9, 2000)), Judgement::Worse);
        shares.judge(&mut lines, 0.01);
        assert_eq!(lines[60].judgement, Judgement::CannotSay);
    }

    /// Four hypotheses with p = 0.01, 0.04, 0.03, 0.005, an often printed example of Holm's
    /// procedure (from memory, no one source): at 0.05 the fourth and the first are rejected.
    /// The corrected values are calculated by hand from Holm's rule: 0.005 × 4, 0.01 × 3,
    /// 0.03 × 2, and the last one not less than the one before.
    #[test]
    fn four_hypotheses() {
        let got = holm_corrected(&[0.01, 0.04, 0.03, 0.005]);
        for (got, expected) in got.iter().zip([0.03, 0.06, 0.06, 0.02]) {
            assert!((got - expected).abs() < 1e-12, "{got} {expected}");
        }
    }

    #[test]
    fn none_one_and_never_over_one() {
        assert!(holm_corrected(&[]).is_empty());
        assert_eq!(holm_corrected(&[0.2]), [0.2]);
        assert_eq!(holm_corrected(&[0.9, 0.8]), [1.0, 1.0]);
    }
}
