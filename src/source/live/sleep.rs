//! A computer that slept while it should have listened: nothing was received meanwhile, though the
//! interface never went down. A laptop does so when its lid is closed.

use std::time::Duration;

use nix::time::{ClockId, clock_gettime};

use crate::wire::{Nanos, Record, What};

/// How often it is looked for where nothing is received.
pub(super) const LOOK: Duration = Duration::from_secs(1);

/// A shorter one is not told from how unevenly a busy computer runs.
const SHORTEST: Nanos = Nanos(2 * Nanos::SECOND.0);

/// Why the link counts as down.
const ASLEEP: &str = "the computer slept";

/// Finds out how long the computer slept.
#[derive(Debug)]
pub(super) struct SleepMeter {
    /// How long it has slept since it was started, when it was last looked at.
    slept: Nanos,
    /// When that was.
    looked: Nanos,
}

impl SleepMeter {
    /// Counts from now on.
    pub fn new(now: Nanos) -> SleepMeter {
        SleepMeter { slept: slept_in_all(), looked: now }
    }

    /// Whether it slept since the last look, and how long. Then the link counts as down between what
    /// was received before, from `first` on in the batch, and what was received after.
    pub fn look(&mut self, now: Nanos, first: usize, batch: &mut Vec<Record>) -> Option<Nanos> {
        let before = std::mem::replace(&mut self.slept, slept_in_all());
        let looked = std::mem::replace(&mut self.looked, now);
        let slept = self.slept.since(before).filter(|&slept| slept >= SHORTEST)?;
        part(looked, slept, first, batch);
        Some(slept)
    }
}

/// Of the two clocks of clock_gettime(2) that are never set, one stands still while the computer
/// sleeps.
fn slept_in_all() -> Nanos {
    let now = |clock| {
        let now = clock_gettime(clock).map(Duration::from).unwrap_or_default();
        i64::try_from(now.as_nanos()).unwrap_or(i64::MAX)
    };
    Nanos(now(ClockId::CLOCK_BOOTTIME).saturating_sub(now(ClockId::CLOCK_MONOTONIC)))
}

/// It fell asleep some time after `looked` and slept longer than the time between two looks.
fn part(looked: Nanos, slept: Nanos, first: usize, batch: &mut Vec<Record>) {
    let woke = looked.plus(slept);
    let at = first + batch[first..].iter().take_while(|record| record.t < woke).count();
    let fell = batch[first..at].last().map_or(looked, |record| record.t.max(looked));
    let rose = fell.plus(slept);
    let rose = batch.get(at).map_or(rose, |record| record.t.min(rose));
    let down = Record { t: fell, what: What::LinkDown(Some(ASLEEP.into())) };
    batch.splice(at..at, [down, Record { t: rose, what: What::LinkUp }]);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(seconds: i64) -> Record {
        Record { t: Nanos(seconds * Nanos::SECOND.0), what: What::Mark("frame".into()) }
    }

    /// Seconds of the records, those of the link negative.
    fn parted(looked: i64, slept: i64, frames: &[i64]) -> Vec<i64> {
        let seconds = |n: i64| Nanos(n * Nanos::SECOND.0);
        let mut batch: Vec<Record> = frames.iter().map(|&t| mark(t)).collect();
        part(seconds(looked), seconds(slept), 0, &mut batch);
        batch
            .iter()
            .map(|record| {
                let t = record.t.0 / Nanos::SECOND.0;
                if matches!(record.what, What::Mark(_)) { t } else { -t }
            })
            .collect()
    }

    #[test]
    fn the_link_is_down_between_what_was_received_before_and_after() {
        assert_eq!(parted(10, 3600, &[]), [-10, -3610]);
        assert_eq!(parted(10, 3600, &[11]), [11, -11, -3611]);
        assert_eq!(parted(10, 3600, &[3612]), [-10, -3610, 3612]);
        assert_eq!(parted(10, 3600, &[10, 11, 3611, 3612]), [10, 11, -11, -3611, 3611, 3612]);
        // Sooner than it can be: clocks are read one after the other.
        assert_eq!(parted(10, 3600, &[11, 3610]), [11, -11, -3610, 3610]);
    }

    #[test]
    fn a_computer_that_is_awake_has_not_slept() {
        let mut meter = SleepMeter::new(Nanos::ZERO);
        let mut batch = vec![mark(1)];
        assert_eq!(meter.look(Nanos(Nanos::SECOND.0), 0, &mut batch), None);
        assert_eq!(batch.len(), 1);
    }
}
