//! Who fills the bus: the second in which one node sent the most.

use std::ops::Range;

use super::strikes::{Strikes, Talker};
use crate::fieldbus::MacId;
use crate::wire::{BitTime, Nanos};

/// A second of one node.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Outburst {
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
pub struct Talk {
    /// When the second begins and ends; nothing, before the first frame.
    second: Range<i64>,
    before: [(u64, BitTime); MacId::COUNT],
    most: Option<Outburst>,
}

impl Default for Talk {
    fn default() -> Self {
        Talk { second: 0..0, before: [(0, BitTime(0)); MacId::COUNT], most: None }
    }
}

impl Talk {
    /// A node is about to send, after all that these know of.
    #[inline]
    pub(super) fn before(&mut self, t: Nanos, strikes: &Strikes) {
        if !self.second.contains(&t.0) {
            self.begin(t, strikes);
        }
    }

    #[cold]
    fn begin(&mut self, t: Nanos, strikes: &Strikes) {
        self.close(strikes);
        let index = t.0.div_euclid(Nanos::SECOND.0);
        self.second = index.saturating_mul(Nanos::SECOND.0)
            ..index.saturating_add(1).saturating_mul(Nanos::SECOND.0);
    }

    /// The second is over.
    pub(super) fn close(&mut self, strikes: &Strikes) {
        for (mac_id, before) in MacId::all().zip(&mut self.before) {
            let node = Talker::Node(mac_id);
            let now = (strikes.frames(node), strikes.bits(node));
            let (frames, bits) = (now.0 - before.0, now.1.0 - before.1.0);
            *before = now;
            if frames > 0 && self.most.is_none_or(|most| bits > most.bits.0) {
                self.most = Some(Outburst {
                    from: Nanos(self.second.start),
                    mac_id,
                    frames,
                    bits: BitTime(bits),
                });
            }
        }
    }

    /// The second in which one node sent the most bits.
    pub fn most(&self) -> Option<&Outburst> {
        self.most.as_ref()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_loudest_second_is_kept() {
        let (mut talk, mut strikes) = (Talk::default(), Strikes::default());
        for ms in 0..5000 {
            let loud = (2000..3000).contains(&ms);
            let mac_id = MacId::new(if loud { 9 } else { (ms % 10) as u8 }).unwrap();
            talk.before(Nanos::from_millis(ms), &strikes);
            strikes.frame(Some(mac_id), BitTime(100));
        }
        talk.close(&strikes);
        let most = talk.most().unwrap();
        assert_eq!((most.frames, most.from), (1000, Nanos::from_millis(2000)));
        assert_eq!(most.mac_id.get(), 9);
    }
}
