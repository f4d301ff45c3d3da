//! Who fills the bus: the second in which one node sent the most.

use std::ops::Range;

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

/// Frames and bits of each node, a second at a time.
#[derive(Debug, Clone)]
pub struct Talk {
    /// When the second begins and ends; nothing, before the first frame.
    second: Range<i64>,
    now: [(u64, u64); MacId::COUNT],
    most: Option<Outburst>,
}

impl Default for Talk {
    fn default() -> Self {
        Talk { second: 0..0, now: [(0, 0); MacId::COUNT], most: None }
    }
}

impl Talk {
    /// A frame that a node sent.
    #[inline]
    pub(super) fn frame(&mut self, t: Nanos, mac_id: MacId, bits: BitTime) {
        if !self.second.contains(&t.0) {
            self.begin(t);
        }
        let now = &mut self.now[mac_id.index()];
        now.0 += 1;
        now.1 += bits.0;
    }

    #[cold]
    fn begin(&mut self, t: Nanos) {
        self.close();
        let index = t.0.div_euclid(Nanos::SECOND.0);
        self.second = index.saturating_mul(Nanos::SECOND.0)
            ..index.saturating_add(1).saturating_mul(Nanos::SECOND.0);
    }

    /// The second is over.
    pub(super) fn close(&mut self) {
        for (mac_id, &(frames, bits)) in MacId::all().zip(&self.now) {
            if frames > 0 && self.most.is_none_or(|most| bits > most.bits.0) {
                self.most = Some(Outburst {
                    from: Nanos(self.second.start),
                    mac_id,
                    frames,
                    bits: BitTime(bits),
                });
            }
        }
        self.now = [(0, 0); MacId::COUNT];
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
        let mut talk = Talk::default();
        for ms in 0..5000 {
            let loud = (2000..3000).contains(&ms);
            let mac_id = MacId::new(if loud { 9 } else { (ms % 10) as u8 }).unwrap();
            talk.frame(Nanos::from_millis(ms), mac_id, BitTime(100));
        }
        talk.close();
        let most = talk.most().unwrap();
        assert_eq!((most.frames, most.from), (1000, Nanos::from_millis(2000)));
        assert_eq!(most.mac_id.get(), 9);
    }
}
