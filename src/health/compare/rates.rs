//! Shares then and now: misses, errors. Judged together, since the more are compared, the
//! likelier one of them differs by chance.
//!
//! Whether a difference is chance says the exact test of two rates. What chance may hide says
//! the range of the difference of two proportions: Newcombe, "Interval estimation for the
//! difference between independent proportions", Statistics in Medicine 17 (1998), method 10.

use super::line::{Judgement, Line, Value, What};
use super::shift::{Measured, difference};
use super::{Tolerance, holm};
use crate::health::TwoRates;

/// Normal deviate of 95 % two-sided.
const DEVIATE: f64 = 1.959_963_985;

/// So many events of so many.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Share {
    pub(super) events: u64,
    pub(super) of: u64,
}

impl Share {
    pub(super) fn value(self) -> Option<f64> {
        (self.of > 0).then(|| self.events as f64 / self.of as f64)
    }

    /// With Wilson's score interval (1927), which Newcombe's method puts together.
    fn measured(self) -> Option<Measured> {
        let (value, n) = (self.value()?, self.of as f64);
        let z2 = DEVIATE * DEVIATE;
        let centre = (self.events as f64 + z2 / 2.0) / (n + z2);
        // More events than there were occasions, as unsolicited responses may be, leave none
        // of this under the root.
        let spread = (z2 / 4.0 + n * value * (1.0 - value)).max(0.0);
        let reach = DEVIATE * spread.sqrt() / (n + z2);
        let (low, high) = ((centre - reach).max(0.0), centre + reach);
        Some(Measured { value, low: Some(low.min(value)), high: Some(high.max(value)) })
    }
}

/// The shares of a comparison, each with its line.
#[derive(Debug, Default)]
pub(super) struct Rates {
    entries: Vec<Entry>,
}

#[derive(Debug)]
struct Entry {
    then: Share,
    now: Share,
    allowed: f64,
    /// Which line: what makes it, before it is judged.
    line: Line,
}

impl Rates {
    /// A line on two shares, of which a difference up to `allowed` does not matter. It is
    /// judged later, by [`Rates::judge`].
    pub(super) fn line(
        &mut self,
        what: What,
        then: Share,
        now: Share,
        allowed: f64,
        place: impl Fn(Line) -> Line,
    ) -> Line {
        let number = |share: Share| share.value().map(Value::Number);
        let mut line = place(Line::new(what, number(then), number(now)));
        line.allowed = Some(allowed);
        self.entries.push(Entry { then, now, allowed, line: line.clone() });
        line
    }

    /// Judges the lines that were made here.
    pub(super) fn judge(self, lines: &mut [Line], tolerance: &Tolerance) {
        let p = |entry: &Entry| {
            let rate = |share: Share| (share.events, share.of as f64);
            TwoRates::new(rate(entry.now), rate(entry.then)).map_or(1.0, |rates| rates.p_value())
        };
        let corrected = holm::corrected(&self.entries.iter().map(p).collect::<Vec<_>>());
        for (entry, p) in self.entries.iter().zip(corrected) {
            if let Some(line) = lines.iter_mut().find(|line| **line == entry.line) {
                entry.judge(line, p, tolerance.significance);
            }
        }
    }
}

impl Entry {
    fn judge(&self, line: &mut Line, p: f64, significance: f64) {
        let (Some(then), Some(now)) = (self.then.measured(), self.now.measured()) else {
            line.judgement = Judgement::CannotSay;
            line.why = "nothing to count in one of the two".to_string();
            return;
        };
        let (low, high) = difference(then, now);
        (line.difference_low, line.difference_high, line.p_value) = (low, high, Some(p));
        let hidden = 2.0 * self.allowed;
        let shift = now.value - then.value;
        line.judgement = if shift.abs() > self.allowed {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fieldbus::MacId;

    /// Newcombe 1998, the examples of his Table II, method 10 (from memory; recalculated by an
    /// independent routine).
    #[test]
    fn the_examples_of_newcombe() {
        let share = |events, of| Share { events, of }.measured().unwrap();
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

    fn judged(then: (u64, u64), now: (u64, u64)) -> Judgement {
        let share = |(events, of)| Share { events, of };
        let mut rates = Rates::default();
        let line = rates.line(What::MissedShare, share(then), share(now), 0.002, |line| line);
        let mut lines = [line];
        rates.judge(&mut lines, &Tolerance::default());
        lines[0].judgement
    }

    #[test]
    fn a_share_is_judged_by_the_test_and_the_tolerance() {
        assert_eq!(judged((0, 3000), (150, 3000)), Judgement::Worse);
        assert_eq!(judged((150, 3000), (0, 3000)), Judgement::Better);
        assert_eq!(judged((0, 3000), (0, 2800)), Judgement::Same);
        // significant, and far too little to matter
        assert_eq!(judged((0, 1_000_000), (300, 1_000_000)), Judgement::Same);
        // much, and perhaps chance
        assert_eq!(judged((0, 3000), (1, 100)), Judgement::CannotSay);
        // nothing missed, of nearly nothing
        assert_eq!(judged((0, 3000), (0, 100)), Judgement::CannotSay);
        assert_eq!(judged((0, 3000), (0, 0)), Judgement::CannotSay);
    }

    #[test]
    fn more_responses_than_commands_are_no_trouble() {
        assert_eq!(judged((0, 3000), (4000, 3000)), Judgement::Worse);
    }

    /// The more are compared, the more it takes.
    #[test]
    fn one_of_many_needs_more() {
        let mut rates = Rates::default();
        let mut line = |address: u8, now: u64| {
            let (then, now) = (Share { events: 0, of: 2000 }, Share { events: now, of: 2000 });
            rates.line(What::MissedShare, then, now, 0.002, move |mut line| {
                line.mac_id = MacId::new(address);
                line
            })
        };
        let mut lines: Vec<Line> = (0..60).map(|address| line(address, 0)).collect();
        lines.push(line(60, 9));
        assert_eq!(judged((0, 2000), (9, 2000)), Judgement::Worse);
        rates.judge(&mut lines, &Tolerance::default());
        assert_eq!(lines[60].judgement, Judgement::CannotSay);
    }
}
