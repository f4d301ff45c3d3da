//! A measured quantity then and now: has it shifted, beyond chance and beyond the tolerance?
//!
//! The range of a difference is put together from the ranges of the two values, whatever
//! their shape. Source: Zou and Donner, "Construction of confidence limits about effect
//! measures: a general approach", Statistics in Medicine 27 (2008).

use super::line::Judgement;
use crate::health::summary::Spans;

/// A value, and within what the true one lies; an end may not be known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Measured {
    pub(super) value: f64,
    pub(super) low: Option<f64>,
    pub(super) high: Option<f64>,
}

impl Measured {
    /// Whether both ends are known.
    pub(super) fn is_bounded(&self) -> bool {
        self.low.is_some() && self.high.is_some()
    }
}

/// The range of `now` less `then`.
pub(super) fn difference(then: Measured, now: Measured) -> (Option<f64>, Option<f64>) {
    let difference = now.value - then.value;
    let reach = |down: Option<f64>, up: Option<f64>| Some(down?.hypot(up?));
    let below = reach(now.low.map(|l| now.value - l), then.high.map(|h| h - then.value));
    let above = reach(now.high.map(|h| h - now.value), then.low.map(|l| then.value - l));
    (below.map(|reach| difference - reach), above.map(|reach| difference + reach))
}

/// What to think of a difference in this range, of which more than `allowed` matters and more
/// is worse.
///
/// A difference within the tolerance is the same, unless so little was measured that chance
/// may hide more than twice the tolerance.
pub(super) fn judge(difference: f64, range: (Option<f64>, Option<f64>), allowed: f64) -> Judgement {
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
const DEVIATE: f64 = 3.29;

/// Unknown in older summaries: how many times fewer independent values there are. A guess to
/// be on the safe side, no source.
const GUESSED_INFLATION: f64 = 4.0;

/// A percentile with its range. A summary that does not tell the range still has percentiles
/// on both sides: with enough values the true one lies between two of those.
pub(super) fn percentile(spans: &Spans, q: f64) -> Option<Measured> {
    let (value, range) = match q {
        0.5 => (spans.p50?, spans.p50_range),
        0.9 => (spans.p90?, spans.p90_range),
        _ => (spans.p99?, spans.p99_range),
    };
    if spans.effective_count.is_some() {
        return Some(Measured { value, low: range.low, high: range.high });
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
    let reach = DEVIATE * (GUESSED_INFLATION * q * (1.0 - q) / n).sqrt();
    let below = known.iter().rev().find(|(at, _)| *at <= q - reach).and_then(|(_, v)| *v);
    let above = known.iter().find(|(at, _)| *at >= q + reach).and_then(|(_, v)| *v);
    Some(Measured { value, low: below, high: above })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn exactly(value: f64) -> Measured {
        Measured { value, low: Some(value), high: Some(value) }
    }

    fn about(value: f64, by: f64) -> Measured {
        Measured { value, low: Some(value - by), high: Some(value + by) }
    }

    fn judged(then: Measured, now: Measured, allowed: f64) -> Judgement {
        judge(now.value - then.value, difference(then, now), allowed)
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
        let open = Measured { value: 1000.0, low: Some(900.0), high: None };
        assert_eq!(judged(open, about(2000.0, 1.0), 250.0), Judgement::CannotSay);
        // how far it may lie above does not matter for its being above
        let open = Measured { value: 2000.0, low: Some(1900.0), high: None };
        assert_eq!(judged(about(1000.0, 1.0), open, 250.0), Judgement::Worse);
    }

    #[test]
    fn an_older_summary_has_percentiles_on_both_sides() {
        let spans = |count| Spans {
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
}
