//! Bus load: exact bits, the fullest second, the load over time in bounded memory, and the second
//! in which one node sent the most.

use super::error_attribution::{ErrorAttribution, Talker};
use crate::fieldbus::MacId;
use crate::wire::{BitTime, Nanos};
use std::collections::VecDeque;
use std::ops::Range;

/// The windows, laid end to end from t = 0, of which the fullest is the peak.
pub const WINDOW: Nanos = Nanos::SECOND;

/// How many spans a level of [`BusLoad::over_time`] keeps; the next level's are twice as long.
const LEVEL: usize = 128;

/// The wire bits of all good frames.
///
/// The windows are those of whole seconds, up to the last record.
#[derive(Debug, Clone, Default)]
pub struct BusLoad {
    total: BitTime,
    /// When the window at the back of level 0 begins and ends; nothing, before the first one.
    newest: Range<i64>,
    /// Newest window at the back of level 0. Each level is older and coarser than the one
    /// before.
    levels: Vec<VecDeque<LoadWindow>>,
}

/// The load of one or more whole windows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LoadWindow {
    /// The first window, counted from 0 at t = 0.
    pub first: i64,
    /// How many windows. Those with no frame hold nothing and are counted.
    pub windows: i64,
    /// Wire bits of good frames in all of them.
    pub bits: BitTime,
    /// Wire bits in the fullest of them.
    pub peak: BitTime,
    /// Error frames in all of them.
    pub error_frames: u64,
}

impl LoadWindow {
    fn one(window: i64, bits: BitTime, error_frames: u64) -> LoadWindow {
        LoadWindow { first: window, windows: 1, bits, peak: bits, error_frames }
    }

    /// For a single window.
    fn add(&mut self, bits: BitTime, error_frames: u64) {
        self.bits += bits;
        self.peak = self.bits;
        self.error_frames += error_frames;
    }

    fn contains(&self, window: i64) -> bool {
        self.first <= window && window - self.first < self.windows
    }
}

impl BusLoad {
    /// A good frame that ended at this time.
    #[inline]
    pub fn frame(&mut self, t: Nanos, bits: BitTime) {
        self.total += bits;
        self.add(t, bits, 0);
    }

    /// An error frame that ended at this time.
    pub fn error_frame(&mut self, t: Nanos) {
        self.add(t, BitTime(0), 1);
    }

    #[inline]
    fn add(&mut self, t: Nanos, bits: BitTime, error_frames: u64) {
        // Nearly all frames are of the newest window, and there is no need to divide.
        match self.levels.first_mut().and_then(VecDeque::back_mut) {
            Some(span) if self.newest.contains(&t.0) => span.add(bits, error_frames),
            _ => self.add_elsewhere(t, bits, error_frames),
        }
    }

    fn add_elsewhere(&mut self, t: Nanos, bits: BitTime, error_frames: u64) {
        let index = t.0.div_euclid(WINDOW.0);
        if self.levels.is_empty() {
            self.levels.push(VecDeque::with_capacity(LEVEL + 1));
        }
        let newest = &mut self.levels[0];
        match newest.back_mut() {
            Some(span) if span.first == index => span.add(bits, error_frames),
            Some(span) if span.first > index => self.add_late(index, bits, error_frames),
            _ => {
                newest.push_back(LoadWindow::one(index, bits, error_frames));
                self.newest = index.saturating_mul(WINDOW.0)
                    ..index.saturating_add(1).saturating_mul(WINDOW.0);
                self.make_room();
            }
        }
    }

    /// The clock stepped back into an older window. One that has been merged into a coarser
    /// span no longer knows its own load, so there the peak stays as it is.
    fn add_late(&mut self, index: i64, bits: BitTime, error_frames: u64) {
        let [newest, coarser @ ..] = &mut self.levels[..] else { return };
        let after = newest.partition_point(|span| span.first <= index);
        let window = match after.checked_sub(1) {
            Some(at) if newest[at].first == index => &mut newest[at],
            None if !coarser.is_empty() => {
                let mut older = coarser.iter_mut().flatten();
                if let Some(span) = older.find(|span| span.contains(index)) {
                    span.bits += bits;
                    span.error_frames += error_frames;
                }
                return;
            }
            _ => {
                newest.insert(after, LoadWindow::one(index, BitTime(0), 0));
                &mut newest[after]
            }
        };
        window.add(bits, error_frames);
        self.make_room();
    }

    /// Merges the two oldest spans of a level that is full into one of the next.
    fn make_room(&mut self) {
        let mut level = 0;
        while self.levels[level].len() > LEVEL {
            let merged = match (self.levels[level].pop_front(), self.levels[level].pop_front()) {
                (Some(a), Some(b)) => LoadWindow {
                    first: a.first,
                    windows: b.first.saturating_add(b.windows).saturating_sub(a.first),
                    bits: a.bits + b.bits,
                    peak: a.peak.max(b.peak),
                    error_frames: a.error_frames + b.error_frames,
                },
                _ => return,
            };
            level += 1;
            if level == self.levels.len() {
                self.levels.push(VecDeque::with_capacity(LEVEL + 1));
            }
            self.levels[level].push_back(merged);
        }
    }

    /// Wire bits of all good frames.
    pub fn total(&self) -> BitTime {
        self.total
    }

    /// The fullest window that is whole at this time; `None` before the first one is.
    pub fn peak(&self, end: Nanos) -> Option<BitTime> {
        let whole = end.0.div_euclid(WINDOW.0);
        let is_whole = |span: &&LoadWindow| span.first.saturating_add(span.windows) <= whole;
        let peak = self.over_time().filter(is_whole).map(|span| span.peak).max();
        (whole >= 1).then(|| peak.unwrap_or_default())
    }

    /// When the fullest window that is whole at this time began, as nearly as older time is kept.
    pub fn peak_from(&self, end: Nanos) -> Option<Nanos> {
        let whole = end.0.div_euclid(WINDOW.0);
        let is_whole = |span: &&LoadWindow| span.first.saturating_add(span.windows) <= whole;
        // The first of equally full ones.
        let fullest = self
            .over_time()
            .filter(is_whole)
            .reduce(|fullest, span| if span.peak > fullest.peak { span } else { fullest });
        fullest.map(|span| Nanos(span.first.saturating_mul(WINDOW.0)))
    }

    /// The load over time, oldest first: the newest windows singly, older time coarser.
    pub fn over_time(&self) -> impl Iterator<Item = &LoadWindow> {
        self.levels.iter().rev().flatten()
    }
}

/// A second of one node.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PeakSecond {
    /// Where the second begins.
    pub from: Nanos,
    /// Who.
    pub mac_id: MacId,
    /// The node's frames in it.
    pub frames: u64,
    /// The node's bits in it.
    pub bits: BitTime,
}

/// Frames and bits of each node, a second at a time: what they sent by its end, less what they had
/// sent by its beginning.
#[derive(Debug, Clone)]
pub struct PeakTalker {
    /// When the second begins and ends; nothing, before the first frame.
    second: Range<i64>,
    before: [(u64, BitTime); MacId::COUNT],
    most: Option<PeakSecond>,
}

impl Default for PeakTalker {
    fn default() -> Self {
        PeakTalker { second: 0..0, before: [(0, BitTime(0)); MacId::COUNT], most: None }
    }
}

impl PeakTalker {
    /// A node is about to send, after all that these know of.
    #[inline]
    pub(super) fn before(&mut self, t: Nanos, attribution: &ErrorAttribution) {
        if !self.second.contains(&t.0) {
            self.begin(t, attribution);
        }
    }

    #[cold]
    fn begin(&mut self, t: Nanos, attribution: &ErrorAttribution) {
        self.close(attribution);
        let index = t.0.div_euclid(Nanos::SECOND.0);
        self.second = index.saturating_mul(Nanos::SECOND.0)
            ..index.saturating_add(1).saturating_mul(Nanos::SECOND.0);
    }

    /// The second is over.
    pub(super) fn close(&mut self, attribution: &ErrorAttribution) {
        for (mac_id, before) in MacId::all().zip(&mut self.before) {
            let node = Talker::Node(mac_id);
            let now = (attribution.frames(node), attribution.bits(node));
            let (frames, bits) = (now.0 - before.0, now.1.0 - before.1.0);
            *before = now;
            if frames > 0 && self.most.is_none_or(|most| bits > most.bits.0) {
                self.most = Some(PeakSecond {
                    from: Nanos(self.second.start),
                    mac_id,
                    frames,
                    bits: BitTime(bits),
                });
            }
        }
    }

    /// The second in which one node sent the most bits.
    pub fn most(&self) -> Option<&PeakSecond> {
        self.most.as_ref()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(ms: i64) -> Nanos {
        Nanos::from_millis(ms)
    }

    #[test]
    fn the_peak_is_that_of_whole_windows() {
        let mut load = BusLoad::default();
        load.frame(at(0), BitTime(100));
        load.frame(at(999), BitTime(100));
        load.frame(at(1000), BitTime(150));
        load.frame(at(2100), BitTime(900));
        assert_eq!(load.total(), BitTime(1250));
        assert_eq!(load.peak(at(999)), None);
        assert_eq!(load.peak(at(2100)), Some(BitTime(200)));
        assert_eq!(load.peak(at(3000)), Some(BitTime(900)));
    }

    #[test]
    fn long_watches_get_coarser_not_larger() {
        let mut load = BusLoad::default();
        let days = 30 * 86_400;
        for second in 0..days {
            load.frame(at(second * 1000), BitTime(1));
        }
        let spans: Vec<_> = load.over_time().collect();
        assert!(spans.len() < 20 * LEVEL, "{}", spans.len());
        assert_eq!(spans.iter().map(|s| s.windows).sum::<i64>(), days);
        assert_eq!(spans.iter().map(|s| s.bits).sum::<BitTime>(), BitTime(days as u64));
        assert!(spans.windows(2).all(|pair| pair[0].first + pair[0].windows == pair[1].first));
        assert_eq!(spans.last().unwrap().windows, 1);
    }

    #[test]
    fn a_leap_over_centuries_costs_nothing() {
        let mut load = BusLoad::default();
        for t in [i64::MIN, 0, i64::MAX] {
            load.frame(Nanos(t), BitTime(10));
            load.error_frame(Nanos(t));
        }
        assert_eq!(load.over_time().count(), 3);
    }

    #[test]
    fn a_long_step_back_does_not_heap_up() {
        let mut load = BusLoad::default();
        for second in 0..1000 {
            load.frame(at(second * 1000), BitTime(10));
        }
        for second in 0..1000 {
            load.frame(at(second * 1000), BitTime(10));
        }
        assert_eq!(load.peak(at(1_000_000)), Some(BitTime(20)));
        assert_eq!(load.over_time().map(|s| s.bits).sum::<BitTime>(), load.total());
    }

    #[test]
    fn after_a_step_back_the_older_window_fills_up() {
        let mut load = BusLoad::default();
        load.frame(at(500), BitTime(100));
        load.frame(at(1500), BitTime(120));
        load.frame(at(900), BitTime(100));
        assert_eq!(load.peak(at(2000)), Some(BitTime(200)));
        assert_eq!(load.over_time().map(|s| s.bits.0).collect::<Vec<_>>(), [200, 120]);
        load.frame(at(-500), BitTime(7));
        assert_eq!(load.over_time().map(|s| s.bits.0).collect::<Vec<_>>(), [7, 200, 120]);
    }
}

#[cfg(test)]
mod talk_tests {
    use super::*;

    #[test]
    fn the_loudest_second_is_kept() {
        let (mut peak, mut attribution) = (PeakTalker::default(), ErrorAttribution::default());
        for ms in 0..5000 {
            let loud = (2000..3000).contains(&ms);
            let mac_id = MacId::new(if loud { 9 } else { (ms % 10) as u8 }).unwrap();
            peak.before(Nanos::from_millis(ms), &attribution);
            attribution.frame(Some(mac_id), None, BitTime(100));
        }
        peak.close(&attribution);
        let most = peak.most().unwrap();
        assert_eq!((most.frames, most.from), (1000, Nanos::from_millis(2000)));
        assert_eq!(most.mac_id.get(), 9);
    }
}
