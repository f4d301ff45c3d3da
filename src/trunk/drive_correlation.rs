//! Whether errors come with a drive running, or with its speed: for each drive how long it stood and
//! ran, and how many disturbances fell into each.

use std::collections::VecDeque;

use crate::fieldbus::{MacId, MacIdSet};
use crate::wire::Nanos;

/// For each drive: how long it stood and ran, and how many disturbances fell into each.
#[derive(Debug, Clone)]
pub struct DriveCorrelation {
    drives: Box<[DriveDisturbances; MacId::COUNT]>,
    /// Those whose drive was read.
    known: MacIdSet,
    last: Option<Nanos>,
    last_close: Option<Nanos>,
    /// Frames that were destroyed so far.
    destroyed: u64,
}

/// One drive's times and the disturbances in them.
#[derive(Debug, Clone, Default)]
pub struct DriveDisturbances {
    now: Option<DriveActivity>,
    /// When it ran, the first [`DriveDisturbances::RUNS`] times.
    first_runs: Vec<(Nanos, Nanos)>,
    /// The latest of the times after those, as many at most.
    latest_runs: VecDeque<(Nanos, Nanos)>,
    /// Times between those, which are in the sums alone.
    runs_left_out: u64,
    /// Frames that were destroyed while it stood, and ran.
    destroyed: [u64; 2],
    /// Seconds that it stood, and ran.
    seconds: [f64; 2],
    /// Disturbances while it stood, and ran.
    errors: [u64; 2],
    /// Over the time that it ran: the integrals of its speed and of the square of it.
    speed: [f64; 2],
    /// The sum of its speeds at the disturbances while it ran.
    speed_at_errors: f64,
    /// The same events, told apart more finely.
    close: CloseEvents,
}

/// Disturbances while a drive stood, and ran, that may come in clusters, and how much they do.
///
/// Were they spread by chance over the time that the drive ran, the variance of their number in equal
/// times would be its mean. How much greater it is, is measured over seconds of running and over whole
/// runs; the greater of the two is the dispersion, by which the events are worth less. Source:
/// McCullagh, Nelder, "Generalized linear models" (1989), chapter 6.
#[derive(Debug, Clone, Default)]
struct CloseEvents {
    /// While it stood, and ran.
    events: [u64; 2],
    by_second: Spread,
    by_run: Spread,
}

/// How much the numbers of events in stretches of time differ.
#[derive(Debug, Clone, Default)]
struct Spread {
    /// The stretch that goes on.
    seconds: f64,
    events: u64,
    /// Of those that are over.
    stretches: u64,
    all_seconds: f64,
    all_events: u64,
    /// The sum of events² / seconds.
    squares: f64,
}

/// What a drive does since it was last heard.
#[derive(Debug, Clone, Copy)]
struct DriveActivity {
    since: Nanos,
    running: bool,
    speed: f64,
    /// Frames that had been destroyed on the trunk by then.
    destroyed: u64,
}

/// Disturbances closer than this count once: a burst is one event, however long it takes, and
/// the test of two rates wants events that do not depend on each other. So dense noise counts
/// for less than it is; a finer unit would take any noise that begins once for a tie to every
/// drive that was started shortly before.
const APART: Nanos = Nanos::from_millis(500);

/// The same for events that are looked at for clusters: one noise pulse is one event.
const CLOSE: Nanos = Nanos::from_millis(50);

/// From so few runs nobody can tell whether events come in clusters.
const LEAST_RUNS: u64 = 4;

/// A shorter stretch tells nothing of how events are spread.
const LEAST_STRETCH: f64 = 0.5;

/// A drive not heard for so long may do anything: its time counts for nothing.
const STALE: Nanos = Nanos::from_millis(1000);

impl Default for DriveCorrelation {
    fn default() -> Self {
        let drives = Box::new(std::array::from_fn(|_| DriveDisturbances::default()));
        let known = MacIdSet::default();
        DriveCorrelation { drives, known, last: None, last_close: None, destroyed: 0 }
    }
}

impl DriveCorrelation {
    /// A drive tells whether it runs, and its speed (without its sign; in any unit).
    pub(super) fn drive(&mut self, t: Nanos, mac_id: MacId, running: bool, speed: f64) {
        self.known.insert(mac_id);
        let drive = &mut self.drives[mac_id.index()];
        drive.spend(t, self.destroyed);
        let destroyed = self.destroyed;
        drive.now = Some(DriveActivity { since: t, running, speed, destroyed });
    }

    /// A frame was destroyed.
    pub(super) fn error(&mut self) {
        self.destroyed += 1;
    }

    /// A disturbance.
    pub(super) fn disturbance(&mut self, t: Nanos) {
        if self.last_close.and_then(|last| t.since(last)).is_none_or(|gap| gap >= CLOSE) {
            self.last_close = Some(t);
            for mac_id in self.known.iter() {
                self.drives[mac_id.index()].close_event(t);
            }
        }
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
        self.drives.iter_mut().for_each(|drive| drive.now = None);
    }

    /// The drives that were read.
    pub fn drives(&self) -> impl Iterator<Item = (MacId, &DriveDisturbances)> {
        self.known.iter().map(|mac_id| (mac_id, &self.drives[mac_id.index()]))
    }
}

impl DriveDisturbances {
    /// So many times of running are kept of each drive from the beginning, and as many from the end.
    pub const RUNS: usize = 200;

    fn spend(&mut self, t: Nanos, destroyed: u64) {
        let Some(doing) = self.now else { return };
        let Some(span) = t.since(doing.since).filter(|&span| span <= STALE) else { return };
        let seconds = span.as_secs();
        self.seconds[usize::from(doing.running)] += seconds;
        self.destroyed[usize::from(doing.running)] += destroyed - doing.destroyed;
        self.close.spend(seconds, doing.running);
        if doing.running {
            self.ran(doing.since, t);
            self.speed[0] += doing.speed * seconds;
            self.speed[1] += doing.speed * doing.speed * seconds;
        }
    }

    fn ran(&mut self, from: Nanos, to: Nanos) {
        let last = self.latest_runs.back_mut().or(self.first_runs.last_mut());
        if let Some(last) = last.filter(|last| last.1 == from) {
            last.1 = to;
        } else if self.first_runs.len() < Self::RUNS {
            self.first_runs.push((from, to));
        } else {
            if self.latest_runs.len() == Self::RUNS {
                self.latest_runs.pop_front();
                self.runs_left_out += 1;
            }
            self.latest_runs.push_back((from, to));
        }
    }

    /// What it does at this time, if it was heard lately.
    fn doing(&self, t: Nanos) -> Option<DriveActivity> {
        self.now.filter(|doing| t.since(doing.since).is_some_and(|span| span <= STALE))
    }

    fn close_event(&mut self, t: Nanos) {
        if let Some(doing) = self.doing(t) {
            self.close.event(doing.running);
        }
    }

    fn disturbance(&mut self, t: Nanos) {
        let Some(doing) = self.doing(t) else { return };
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

    /// Disturbances told apart more finely, while it ran and while it stood, and by how much less
    /// they are worth, since they come in clusters; `None` if nobody can tell.
    pub fn close_events(&self) -> Option<([u64; 2], f64)> {
        let [standing, running] = self.close.events;
        self.close.dispersion().map(|dispersion| ([running, standing], dispersion))
    }

    /// Frames that were destroyed while it ran, and while it stood.
    pub fn destroyed(&self) -> (u64, u64) {
        (self.destroyed[1], self.destroyed[0])
    }

    /// When it ran, oldest first: the first and the latest [`DriveDisturbances::RUNS`] times.
    pub fn runs(&self) -> impl Iterator<Item = (Nanos, Nanos)> {
        self.first_runs.iter().chain(&self.latest_runs).copied()
    }

    /// How many times between those it ran.
    pub fn runs_left_out(&self) -> u64 {
        self.runs_left_out
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

impl CloseEvents {
    fn spend(&mut self, seconds: f64, running: bool) {
        if !running {
            self.by_run.end();
            return;
        }
        self.by_run.seconds += seconds;
        self.by_second.seconds += seconds;
        if self.by_second.seconds >= 1.0 {
            self.by_second.end();
        }
    }

    fn event(&mut self, running: bool) {
        self.events[usize::from(running)] += 1;
        if running {
            self.by_run.events += 1;
            self.by_second.events += 1;
        }
    }

    fn dispersion(&self) -> Option<f64> {
        let by_run = self.by_run.dispersion().filter(|_| self.by_run.stretches >= LEAST_RUNS)?;
        Some(by_run.max(self.by_second.dispersion()?).max(1.0))
    }
}

impl Spread {
    /// The stretch is over.
    fn end(&mut self) {
        let (seconds, events) =
            (std::mem::take(&mut self.seconds), std::mem::take(&mut self.events));
        if seconds >= LEAST_STRETCH {
            self.stretches += 1;
            self.all_seconds += seconds;
            self.all_events += events;
            self.squares += (events * events) as f64 / seconds;
        }
    }

    /// Pearson's chi-square of the stretches over its degrees of freedom; `None` without events, or of
    /// one stretch.
    fn dispersion(&self) -> Option<f64> {
        let events = self.all_events as f64;
        let freedom = self.stretches.checked_sub(1).filter(|&freedom| freedom > 0)? as f64;
        let expected = events / self.all_seconds;
        (events > 0.0).then(|| (self.squares / expected - events) / freedom)
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
        let (_, drive) = correlation.drives().next().unwrap();
        assert_eq!((drive.running().0, drive.standing().0), (100, 10));
        assert!((drive.running().1 - 999.0).abs() < 0.1);
        assert!((drive.standing().1 - 1000.0).abs() < 0.1);
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
        let drive = correlation.drives().next().unwrap().1;
        assert_eq!((drive.running(), drive.standing()), ((0, 0.0), (0, 0.0)));
        assert_eq!(drive.runs().count(), 0);
        correlation.doubt();
        correlation.disturbance(Nanos::from_millis(6001));
        assert_eq!(correlation.drives().next().unwrap().1.running().0, 0);
    }

    #[test]
    fn destroyed_frames_and_runs_are_told_apart() {
        let mac_id = MacId::new(12).unwrap();
        let mut correlation = DriveCorrelation::default();
        let steps = [(0, false, 0), (20, false, 1), (40, true, 0), (60, true, 3), (80, false, 1)];
        for (ms, running, errors) in steps {
            (0..errors).for_each(|_| correlation.error());
            correlation.drive(Nanos::from_millis(ms), mac_id, running, 0.0);
        }
        let drive = correlation.drives().next().unwrap().1;
        let run = (Nanos::from_millis(40), Nanos::from_millis(80));
        assert_eq!((drive.destroyed(), drive.runs().collect()), ((4, 1), vec![run]));
    }

    #[test]
    fn a_drive_that_starts_and_stops_for_days_takes_no_more_memory() {
        let mac_id = MacId::new(12).unwrap();
        let mut correlation = DriveCorrelation::default();
        for step in 0..10_000 {
            correlation.drive(Nanos::from_millis(step * 20), mac_id, step % 2 == 0, 0.0);
        }
        let drive = correlation.drives().next().unwrap().1;
        let kept = (drive.runs().count(), drive.runs_left_out());
        assert_eq!(kept, (2 * DriveDisturbances::RUNS, 4600));
        assert_eq!(drive.runs().last(), Some((Nanos(199_960_000_000), Nanos(199_980_000_000))));
    }

    /// Runs of six seconds and stands of three, with a response each 100 ms; `disturb` gets the time in
    /// ms, which run it is, and the time in it.
    fn cycles(disturb: impl Fn(i64, i64, i64) -> bool) -> Option<([u64; 2], f64)> {
        let mac_id = MacId::new(12).unwrap();
        let mut correlation = DriveCorrelation::default();
        for step in 0..900 {
            let ms = step * 100;
            let (cycle, into) = (ms / 9000, ms % 9000);
            let t = Nanos::from_millis(ms);
            correlation.drive(t, mac_id, into < 6000, 100.0);
            if into < 6000 && disturb(ms, cycle, into) {
                correlation.disturbance(t.plus(Nanos::from_millis(5)));
            }
        }
        correlation.drives().next().unwrap().1.close_events()
    }

    #[test]
    fn events_spread_over_the_runs_are_worth_what_they_are() {
        // By a multiplicative sequence, so that no second is like another.
        let (events, dispersion) = cycles(|ms, _, _| ms * 7919 % 10_007 < 900).unwrap();
        assert!(events[0] > 40 && events[1] == 0, "{events:?}");
        assert!(dispersion < 1.6, "{dispersion}");
    }

    #[test]
    fn events_in_clusters_are_worth_little() {
        // One spell of noise, which happened to fall into one run; two short ones in each run.
        let (spell, dispersion) = cycles(|_, cycle, _| cycle == 4).unwrap();
        assert!(spell[0] as f64 / dispersion < 3.0, "{spell:?} {dispersion}");
        let (bursts, dispersion) = cycles(|_, cycle, into| cycle < 5 && into < 1000).unwrap();
        assert!(bursts[0] as f64 / dispersion < 8.0, "{bursts:?} {dispersion}");
    }

    #[test]
    fn of_few_runs_nobody_can_tell() {
        assert_eq!(
            play(|scan, running| running && scan % 10 == 0)
                .drives()
                .next()
                .unwrap()
                .1
                .close_events(),
            None
        );
    }
}
