//! To whom errors belong: whose frames they destroy (the frame that follows an error is most often
//! the destroyed one, sent again), and whether they come with a drive running, or with its speed.

use std::collections::VecDeque;

use crate::fieldbus::{MacId, MacIdSet};
use crate::wire::{BitTime, MAX_WIRE_BITS, Nanos};

/// Who talks, and who talks right after errors.
#[derive(Debug, Clone)]
pub struct ErrorAttribution {
    traffic: [TalkerTraffic; TALKERS],
    /// Bits on the wire of what a master sent to each node alone.
    bits_to: [u64; MacId::COUNT],
    struck: [u64; TALKERS],
    /// How many frames have each length.
    lengths: [u64; MAX_WIRE_BITS.0 as usize + 1],
    /// Frames that followed errors, and the sum of their lengths.
    followers: u64,
    follower_bits: u64,
    /// The last record was an error.
    after_error: bool,
}

/// A talker for each address and one for what a master sends, whose address the identifier
/// does not tell.
const TALKERS: usize = MacId::COUNT + 1;
const MASTER: usize = MacId::COUNT;

#[derive(Debug, Clone, Copy, Default)]
struct TalkerTraffic {
    frames: u64,
    bits: u64,
}

/// Who sent a frame, as far as its identifier tells.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Talker {
    /// The node at this address.
    Node(MacId),
    /// A master, or somebody whose identifier names no sender.
    Master,
}

/// How often one talker's frames followed errors, against what chance would give.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TalkerErrors {
    /// Who.
    pub talker: Talker,
    /// Frames of this talker that followed errors.
    pub struck: u64,
    /// Frames of all talkers that followed errors.
    pub all: u64,
    /// This talker's share of all bits on the wire: of the errors, were they to strike blindly.
    pub share: f64,
}

impl TalkerErrors {
    /// How much better "the errors strike this talker as often as seen" explains the
    /// followers than "they strike blindly": the natural logarithm of the likelihood ratio.
    /// Zero if it is struck less often than by chance.
    pub fn log_likelihood_ratio(&self) -> f64 {
        let (struck, all) = (self.struck as f64, self.all as f64);
        let seen = struck / all;
        if all == 0.0 || seen <= self.share {
            return 0.0;
        }
        let term = |count: f64, seen: f64, blind: f64| match count {
            0.0 => 0.0,
            _ => count * (seen / blind).ln(),
        };
        term(struck, seen, self.share) + term(all - struck, 1.0 - seen, 1.0 - self.share)
    }
}

impl Default for ErrorAttribution {
    fn default() -> Self {
        ErrorAttribution {
            traffic: [TalkerTraffic::default(); TALKERS],
            bits_to: [0; MacId::COUNT],
            struck: [0; TALKERS],
            lengths: [0; MAX_WIRE_BITS.0 as usize + 1],
            followers: 0,
            follower_bits: 0,
            after_error: false,
        }
    }
}

impl ErrorAttribution {
    /// A good frame; who sent it and whom it is for, as far as its identifier tells.
    #[inline]
    pub(super) fn frame(
        &mut self,
        source: Option<MacId>,
        destination: Option<MacId>,
        bits: BitTime,
    ) {
        let talker = match (source, destination) {
            (Some(source), _) => source.index(),
            (None, destination) => {
                if let Some(destination) = destination {
                    self.bits_to[destination.index()] += bits.0;
                }
                MASTER
            }
        };
        let traffic = &mut self.traffic[talker];
        traffic.frames += 1;
        traffic.bits += bits.0;
        self.lengths[bits.0.min(MAX_WIRE_BITS.0) as usize] += 1;
        if self.after_error {
            self.after_error = false;
            self.struck[talker] += 1;
            self.followers += 1;
            self.follower_bits += bits.0;
        }
    }

    /// An error frame that destroyed a frame.
    pub(super) fn error(&mut self) {
        self.after_error = true;
    }

    /// Frames were lost or the link was down: what follows is no witness.
    pub(super) fn doubt(&mut self) {
        self.after_error = false;
    }

    /// Frames that followed errors.
    pub fn followers(&self) -> u64 {
        self.followers
    }

    /// Each talker whose frames followed errors.
    pub fn talkers(&self) -> impl Iterator<Item = TalkerErrors> {
        let bits: u64 = self.traffic.iter().map(|share| share.bits).sum();
        self.struck.iter().enumerate().filter(|(_, struck)| **struck > 0).map(
            move |(index, &struck)| TalkerErrors {
                talker: talker(index),
                struck,
                all: self.followers,
                share: self.traffic[index].bits as f64 / bits as f64,
            },
        )
    }

    /// Frames that a talker sent.
    pub fn frames(&self, of: Talker) -> u64 {
        self.traffic[index(of)].frames
    }

    /// Bits on the wire that a talker sent.
    pub fn bits(&self, of: Talker) -> BitTime {
        BitTime(self.traffic[index(of)].bits)
    }

    /// Bits on the wire of what a node sent and of what was sent to it alone.
    pub fn bits_for(&self, mac_id: MacId) -> BitTime {
        let own = self.traffic[mac_id.index()].bits;
        BitTime(own + self.bits_to[mac_id.index()])
    }

    /// How much longer the frames that followed errors are than blind errors would make them,
    /// in standard deviations: blind errors strike a frame as often as it is long. `None`
    /// without followers or if all frames are equally long.
    pub fn length_excess(&self) -> Option<f64> {
        let power = |n| {
            let term = |(length, &frames): (usize, &u64)| frames as f64 * (length as f64).powi(n);
            self.lengths.iter().enumerate().map(term).sum::<f64>()
        };
        let [first, second, third] = [1, 2, 3].map(power);
        let mean = second / first;
        let variance = third / first - mean * mean;
        let followers = self.followers as f64;
        let excess = self.follower_bits as f64 / followers - mean;
        (followers > 0.0 && variance > 0.0).then(|| excess / (variance / followers).sqrt())
    }
}

fn talker(index: usize) -> Talker {
    match u8::try_from(index).ok().and_then(MacId::new) {
        Some(mac_id) => Talker::Node(mac_id),
        None => Talker::Master,
    }
}

fn index(talker: Talker) -> usize {
    match talker {
        Talker::Node(mac_id) => mac_id.index(),
        Talker::Master => MASTER,
    }
}

/// For each drive: how long it stood and ran, and how many disturbances fell into each.
#[derive(Debug, Clone)]
pub struct DriveCorrelation {
    drives: Box<[DriveDisturbances; MacId::COUNT]>,
    /// Those whose drive was read.
    known: MacIdSet,
    last: Option<Nanos>,
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

/// A drive not heard for so long may do anything: its time counts for nothing.
const STALE: Nanos = Nanos::from_millis(1000);

impl Default for DriveCorrelation {
    fn default() -> Self {
        let drives = Box::new(std::array::from_fn(|_| DriveDisturbances::default()));
        DriveCorrelation { drives, known: MacIdSet::default(), last: None, destroyed: 0 }
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

#[cfg(test)]
mod tests {
    use super::*;

    fn response(mac: u8) -> Option<MacId> {
        MacId::new(mac)
    }

    #[test]
    fn a_node_that_follows_most_errors_stands_out() {
        let mut attribution = ErrorAttribution::default();
        for scan in 0..1000 {
            for mac in 0..10 {
                // nine of ten errors strike node 3, one anybody
                let struck = if scan % 50 == 0 { 7 } else { 3 };
                if mac == struck && scan % 5 == 0 {
                    attribution.error();
                    attribution.error();
                }
                attribution.frame(response(mac), None, BitTime(80));
            }
        }
        let best = attribution
            .talkers()
            .max_by(|a, b| a.log_likelihood_ratio().total_cmp(&b.log_likelihood_ratio()))
            .unwrap();
        let expected = TalkerErrors {
            talker: Talker::Node(MacId::new(3).unwrap()),
            struck: 180,
            all: 200,
            share: 0.1,
        };
        assert_eq!(best, expected);
        // 180 ln(0.9 / 0.1) + 20 ln(0.1 / 0.9), by hand
        assert!((best.log_likelihood_ratio() - 351.556).abs() < 0.001);
    }

    #[test]
    fn blind_errors_single_nobody_out_and_favour_no_length() {
        let mut attribution = ErrorAttribution::default();
        for slot in 0..20_000u64 {
            let (mac, bits) = [(1, 50), (2, 100)][(slot % 2) as usize];
            // twice as long, so struck twice as often
            if slot % 2 == 0 && slot % 100 == 0 || slot % 2 == 1 && slot % 50 == 1 {
                attribution.error();
            }
            attribution.frame(response(mac), None, BitTime(bits));
        }
        assert!(attribution.talkers().all(|s| s.log_likelihood_ratio() < 0.01));
        assert!(attribution.length_excess().unwrap().abs() < 0.1);
    }

    #[test]
    fn what_follows_a_loss_is_no_witness() {
        let mut attribution = ErrorAttribution::default();
        attribution.error();
        attribution.doubt();
        attribution.frame(response(1), None, BitTime(80));
        assert_eq!(attribution.followers(), 0);
        assert_eq!(attribution.length_excess(), None);
    }
}

#[cfg(test)]
mod drive_correlation_tests {
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
}
