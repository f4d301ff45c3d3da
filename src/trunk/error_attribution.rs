//! To whom errors belong: whose frames they destroy. The frame that follows an error is most often
//! the destroyed one, sent again.

use crate::fieldbus::MacId;
use crate::wire::{BitTime, MAX_WIRE_BITS};

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
