//! How long a message can take on a bus where the lowest identifier wins: the exact test.
//!
//! Source: Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability
//! analysis: refuted, revisited and revised", Real-Time Systems 35 (2007) 239–272. A message
//! waits for the longest lower-priority frame that has just begun, and for every
//! higher-priority frame that becomes ready before its own last frame begins; and *every*
//! instance in the busy period is looked at, since a later one can be the slowest.
//!
//! Two additions that leave the single-frame case as published: a message may be a train of
//! frames with one identifier (fragmented I/O), and a frame from outside the set may block.
//!
//! All times are whole ticks of the caller's choice. `bit` is how many ticks one bit time
//! has. With ticks of one bit, every result is a whole number of bit times.

/// One message: a frame, or a train of frames with one identifier, sent again and again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Message {
    /// All its frames together, longest lengths, interframe space included.
    pub total: u64,
    /// Its last frame.
    pub last: u64,
    /// Its longest single frame: what a higher-priority message may have to wait for.
    pub longest: u64,
    /// The least time between two instances.
    pub period: u64,
}

#[cfg(test)]
impl Message {
    /// A message of one frame.
    pub fn single(length: u64, period: u64) -> Message {
        Message { total: length, last: length, longest: length, period }
    }
}

/// The worst-case response time of each message, ready to send until wholly received, in the
/// order given. `messages` stand in order of priority, the highest first. `foreign` is the
/// longest frame from outside the set that may have just begun, 0 for none.
///
/// `None` for a message whose response time has no bound: it and what stands above it ask for
/// the whole bus or more, or a period or length is zero, or the numbers leave 64 bits.
pub fn response_times(messages: &[Message], foreign: u64, bit: u64) -> Vec<Option<u64>> {
    (0..messages.len()).map(|index| response_time(messages, index, foreign, bit)).collect()
}

/// The worst-case response time of the message at `index`; see [`response_times`].
pub fn response_time(messages: &[Message], index: usize, foreign: u64, bit: u64) -> Option<u64> {
    let (higher, rest) = messages.split_at_checked(index)?;
    let (own, lower) = rest.split_first()?;
    if !bounded(higher, own) {
        return None;
    }
    let blocking = lower.iter().map(|m| m.longest).max().unwrap_or(0).max(foreign);

    // The busy period: from the blocking frame until nothing of this priority or higher waits.
    let mut busy = blocking.checked_add(own.total)?;
    loop {
        let next = blocking
            .checked_add(interference(higher, busy)?)?
            .checked_add(busy.div_ceil(own.period).checked_mul(own.total)?)?;
        if next == busy {
            break;
        }
        busy = next;
    }

    let before_last = own.total - own.last;
    let mut worst = 0;
    let mut waiting = 0;
    for instance in 0..busy.div_ceil(own.period) {
        let own_work = instance.checked_mul(own.total)?.checked_add(before_last)?;
        let fixed = blocking.checked_add(own_work)?;
        // A later instance starts no sooner than the one before it.
        waiting = fixed.max(waiting);
        loop {
            let next = fixed.checked_add(interference(higher, waiting.checked_add(bit)?)?)?;
            if next <= waiting {
                break;
            }
            waiting = next;
        }
        let ready = instance.checked_mul(own.period)?;
        worst = worst.max(waiting.checked_add(own.last)?.saturating_sub(ready));
    }
    Some(worst)
}

/// What higher priorities send within `window`.
fn interference(higher: &[Message], window: u64) -> Option<u64> {
    higher
        .iter()
        .try_fold(0u64, |sum, m| sum.checked_add(window.div_ceil(m.period).checked_mul(m.total)?))
}

/// The share of the bus that messages ask for, 1 for all of it.
pub fn utilisation(messages: &[Message]) -> f64 {
    messages.iter().map(|m| m.total as f64 / m.period as f64).sum()
}

/// Whether the busy period ends. Close under the whole bus it would end only after a time that
/// no trunk needs to know about, so the last ten-thousandth counts as all of it.
fn bounded(higher: &[Message], own: &Message) -> bool {
    let sound = |m: &Message| m.period > 0 && m.total > 0 && (1..=m.total).contains(&m.last);
    higher.iter().chain([own]).all(sound)
        && utilisation(higher) + own.total as f64 / (own.period as f64) < 1.0 - 1e-4
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Microseconds at 125 kbit/s: one bit is 8.
    const BIT_US: u64 = 8;

    fn singles(set: &[(u64, u64)]) -> Vec<Message> {
        set.iter().map(|&(length, period)| Message::single(length, period)).collect()
    }

    /// The counter-example of Davis et al. 2007 (inputs from memory, results calculated): the
    /// second instance of C is slower than the first.
    #[test]
    fn a_later_instance_can_be_the_slowest() {
        let set = singles(&[(1000, 2500), (1000, 3500), (1000, 3500)]);
        assert_eq!(response_times(&set, 0, BIT_US), [Some(2000), Some(3000), Some(3500)]);
    }

    /// The SAE benchmark set at 125 kbit/s as used by Tindell and Burns and by Davis et al.
    /// 2007, one message a priority; results calculated by the exact test.
    #[test]
    fn the_benchmark_set() {
        let set = singles(&[
            (520, 50_000),
            (600, 5_000),
            (520, 5_000),
            (600, 5_000),
            (520, 5_000),
            (600, 5_000),
            (920, 10_000),
            (520, 10_000),
            (600, 10_000),
            (680, 10_000),
            (520, 50_000),
            (760, 100_000),
            (520, 100_000),
            (520, 100_000),
            (680, 1_000_000),
            (520, 1_000_000),
            (520, 1_000_000),
        ]);
        assert!((utilisation(&set) - 0.88052).abs() < 1e-9);
        let expected = [
            1440, 2040, 2560, 3160, 3680, 4280, 5040, 8400, 9000, 9680, 10_200, 19_280, 19_800,
            20_320, 29_240, 29_760, 29_760,
        ];
        assert_eq!(response_times(&set, 0, BIT_US), expected.map(Some));
        // In bit times: the same whole numbers, an eighth of the microseconds.
        let bits: Vec<_> = set.iter().map(|m| Message::single(m.total / 8, m.period / 8)).collect();
        assert_eq!(response_times(&bits, 0, 1), expected.map(|us| Some(us / 8)));
    }

    #[test]
    fn a_train_waits_for_its_own_frames_and_yields_between_them() {
        // Three frames of 100; a higher frame of 50 gets in between them.
        let train = Message { total: 300, last: 100, longest: 100, period: 5000 };
        let set = [Message::single(50, 200), train];
        // Waits 50, sends 100, by 200 a second 50, and so on: worked out by hand.
        assert_eq!(response_times(&set, 0, 1), [Some(150), Some(400)]);
        assert_eq!(response_time(&set, 0, 135, 1), Some(185));
    }

    #[test]
    fn what_has_no_bound_says_so() {
        let full = singles(&[(100, 200), (100, 200)]);
        assert_eq!(response_times(&full, 0, 1), [Some(200), None]);
        assert_eq!(response_times(&singles(&[(0, 5), (5, 0)]), 0, 1), [None, None]);
        assert_eq!(response_times(&singles(&[(u64::MAX / 2, u64::MAX)]), u64::MAX, 1), [None]);
        assert_eq!(response_time(&[], 0, 0, 1), None);
    }

    /// The slowest response of each message found by playing the bus bit by bit, all messages
    /// ready together just after the blocking frame has begun.
    fn played(set: &[Message], index: usize) -> u64 {
        let blocking = set[index + 1..].iter().map(|m| m.longest).max().unwrap_or(0);
        let mut sent = vec![0u64; index + 1];
        // The blocking frame began one bit before everybody was ready, so it has this to go.
        let mut now = blocking.saturating_sub(1);
        let mut worst = 0;
        let horizon: u64 = 400 * set.iter().map(|m| m.period).max().unwrap_or(0);
        while now < horizon {
            let ready = (0..=index).find(|&i| sent[i] * set[i].period <= now);
            match ready {
                Some(i) => {
                    now += set[i].total;
                    if i == index {
                        worst = worst.max(now - sent[i] * set[i].period);
                    }
                    sent[i] += 1;
                }
                None if blocking == 0 || worst > 0 => return worst,
                None => now += 1,
            }
            // The busy period of this priority is over when nothing waits.
            if worst > 0 && (0..=index).all(|i| sent[i] * set[i].period > now) {
                return worst;
            }
        }
        worst
    }

    proptest! {
        /// The test is exact for a frame that began one bit before all others became ready;
        /// the test itself counts that frame whole, one bit more (Davis et al. 2007, B).
        #[test]
        fn agrees_with_the_bus_played_bit_by_bit(
            raw in prop::collection::vec((1u64..30, 40u64..400), 1..6)
        ) {
            let set = singles(&raw);
            prop_assume!(utilisation(&set) < 0.95);
            for index in 0..set.len() {
                let calculated = response_time(&set, index, 0, 1).unwrap();
                let seen = played(&set, index);
                prop_assert!(seen <= calculated, "{index}: {seen} > {calculated} in {raw:?}");
                if index + 1 == set.len() {
                    // No blocking: the synchronous release is the worst case, to the bit.
                    prop_assert_eq!(seen, calculated, "{} in {:?}", index, &raw);
                }
            }
        }

        /// More traffic makes nothing faster.
        #[test]
        fn another_message_makes_nothing_faster(
            raw in prop::collection::vec((1u64..30, 100u64..900), 1..8),
            extra in (1u64..30, 100u64..900), place: prop::sample::Index,
        ) {
            let set = singles(&raw);
            let mut more = set.clone();
            let at = place.index(set.len() + 1);
            more.insert(at, Message::single(extra.0, extra.1));
            for index in 0..set.len() {
                let moved = index + usize::from(index >= at);
                let before = response_time(&set, index, 0, 1);
                let after = response_time(&more, moved, 0, 1);
                prop_assert!(after.is_none() || before <= after, "{before:?} {after:?}");
            }
        }
    }
}
