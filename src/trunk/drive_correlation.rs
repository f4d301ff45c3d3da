//! Whether disturbances come with a drive running, or with its speed.

use crate::fieldbus::{MacId, MacIdSet};
use crate::wire::Nanos;

/// For each drive: how long it stood and ran, and how many disturbances fell into each.
#[derive(Debug, Clone)]
pub struct DriveCorrelation {
    drives: Box<[DriveDisturbances; MacId::COUNT]>,
    /// Those whose drive was read.
    known: MacIdSet,
    last: Option<Nanos>,
}

/// One drive's times and the disturbances in them.
#[derive(Debug, Clone, Copy, Default)]
pub struct DriveDisturbances {
    now: Option<DriveActivity>,
    /// Seconds that it stood, and ran.
    seconds: [f64; 2],
    /// Disturbances while it stood, and ran.
    errors: [u64; 2],
    /// Over the time that it ran: the integrals of its speed and of the square of it.
    speed: [f64; 2],
    /// The sum of its speeds at the disturbances while it ran.
    speed_at_errors: f64,
}

/// What a drive does since it was last heard.
#[derive(Debug, Clone, Copy)]
struct DriveActivity {
    since: Nanos,
    running: bool,
    speed: f64,
}

/// Disturbances closer than this count once: a burst is one event, however long it takes, and
/// the test of two rates wants events that do not depend on each other. So dense noise counts
/// for less than it is; a finer unit would take any noise that begins once for a tie to every
/// drive that was started shortly before.
const APART: Nanos = Nanos::from_millis(500);

/// A drive not heard for so long may do anything: its time counts for nothing.
const STALE: Nanos = Nanos::from_millis(1000);

impl Default for DriveCorrelation {
    fn default() -> Self {
        let drives = Box::new([DriveDisturbances::default(); MacId::COUNT]);
        DriveCorrelation { drives, known: MacIdSet::default(), last: None }
    }
}

impl DriveCorrelation {
    /// A drive tells whether it runs, and its speed (without its sign; in any unit).
    pub(super) fn drive(&mut self, t: Nanos, mac_id: MacId, running: bool, speed: f64) {
        self.known.insert(mac_id);
        let tie = &mut self.drives[mac_id.index()];
        tie.spend(t);
        tie.now = Some(DriveActivity { since: t, running, speed });
    }

    /// A disturbance.
    pub(super) fn disturbance(&mut self, t: Nanos) {
        if self.last.and_then(|last| t.since(last)).is_some_and(|gap| gap < APART) {
            return;
        }
        self.last = Some(t);
        for mac_id in self.known.iter() {
            self.drives[mac_id.index()].disturbance(t);
        }
    }

    /// Nobody knows what the drives do now.
    pub(super) fn doubt(&mut self) {
        self.drives.iter_mut().for_each(|tie| tie.now = None);
    }

    /// The drives that were read.
    pub fn drives(&self) -> impl Iterator<Item = (MacId, &DriveDisturbances)> {
        self.known.iter().map(|mac_id| (mac_id, &self.drives[mac_id.index()]))
    }
}

impl DriveDisturbances {
    fn spend(&mut self, t: Nanos) {
        let Some(doing) = self.now else { return };
        let Some(span) = t.since(doing.since).filter(|&span| span <= STALE) else { return };
        let seconds = span.as_secs();
        self.seconds[usize::from(doing.running)] += seconds;
        if doing.running {
            self.speed[0] += doing.speed * seconds;
            self.speed[1] += doing.speed * doing.speed * seconds;
        }
    }

    fn disturbance(&mut self, t: Nanos) {
        let Some(doing) = self.now else { return };
        if t.since(doing.since).is_none_or(|span| span > STALE) {
            return;
        }
        self.errors[usize::from(doing.running)] += 1;
        if doing.running {
            self.speed_at_errors += doing.speed;
        }
    }

    /// Disturbances, and seconds, while the drive ran.
    pub fn running(&self) -> (u64, f64) {
        (self.errors[1], self.seconds[1])
    }

    /// Disturbances, and seconds, while it stood.
    pub fn standing(&self) -> (u64, f64) {
        (self.errors[0], self.seconds[0])
    }

    /// How much faster it ran at the disturbances than in the mean of its running time, in
    /// standard deviations; `None` if its speed did not vary or nothing happened.
    pub fn speed_excess(&self) -> Option<f64> {
        let ([_, seconds], [_, errors]) = (self.seconds, self.errors);
        let mean = self.speed[0] / seconds;
        let variance = self.speed[1] / seconds - mean * mean;
        let errors = errors as f64;
        // A speed that hardly varies shows no tie to it, only rounding.
        let varies = variance > 1e-6 * mean * mean;
        (errors > 0.0 && varies)
            .then(|| (self.speed_at_errors / errors - mean) / (variance / errors).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A thousand seconds standing, a thousand running, every second a response.
    fn play(disturb: impl Fn(i64, bool) -> bool) -> DriveCorrelation {
        let mac_id = MacId::new(12).unwrap();
        let mut correlation = DriveCorrelation::default();
        for scan in 0..2000 {
            let t = Nanos::from_millis(1000 * scan);
            let running = scan >= 1000;
            let speed = if running { (scan % 100) as f64 } else { 0.0 };
            correlation.drive(t, mac_id, running, speed);
            if disturb(scan, running) {
                correlation.disturbance(t.plus(Nanos::from_millis(5)));
            }
        }
        correlation
    }

    #[test]
    fn disturbances_fall_into_what_the_drive_does() {
        let correlation = play(|scan, running| running && scan % 10 == 0 || scan % 100 == 0);
        let (_, tie) = correlation.drives().next().unwrap();
        assert_eq!((tie.running().0, tie.standing().0), (100, 10));
        assert!((tie.running().1 - 999.0).abs() < 0.1 && (tie.standing().1 - 1000.0).abs() < 0.1);
    }

    #[test]
    fn fast_is_told_from_slow() {
        let fast = play(|scan, running| running && scan % 100 > 80);
        assert!(fast.drives().next().unwrap().1.speed_excess().unwrap() > 5.0);
        let any = play(|scan, running| running && scan % 7 == 0);
        assert!(any.drives().next().unwrap().1.speed_excess().unwrap().abs() < 1.0);
    }

    #[test]
    fn a_drive_not_heard_counts_for_nothing() {
        let mut correlation = DriveCorrelation::default();
        let mac_id = MacId::new(1).unwrap();
        correlation.drive(Nanos::ZERO, mac_id, true, 1.0);
        correlation.disturbance(Nanos::from_millis(5000));
        correlation.drive(Nanos::from_millis(6000), mac_id, true, 1.0);
        let tie = *correlation.drives().next().unwrap().1;
        assert_eq!((tie.running(), tie.standing()), ((0, 0.0), (0, 0.0)));
        correlation.doubt();
        correlation.disturbance(Nanos::from_millis(6001));
        assert_eq!(correlation.drives().next().unwrap().1.running().0, 0);
    }
}
