//! Messages longer than a frame: fragments put together again, and what went wrong with them.
//!
//! Source: IEC 62026-3, fragmentation protocol: fragments of explicit messages are each
//! acknowledged, those of I/O are not. A first fragment with count 3F that is the only one,
//! and the status of an acknowledge, are from memory.

use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::fieldbus::{Fragment, FragmentKind};
use crate::wire::Nanos;

/// The longest message that is put together, in bytes. Longer ones are counted, not kept.
pub const MAX_MESSAGE: usize = 1024;

/// What can go wrong with fragments.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FragmentError {
    /// The count jumped ahead, or there was no first one: so many at least are missing.
    Lost(u8),
    /// A count that is neither the next nor a repetition.
    WrongCount {
        /// What was due.
        expected: u8,
        /// What came.
        got: u8,
    },
    /// A new message began before the last fragment of the one before.
    NotEnded,
    /// The next fragment or its acknowledge did not come in time.
    TimedOut,
    /// The sender went on without an acknowledge.
    NotAcknowledged,
    /// An acknowledge of a fragment that was not sent.
    WrongAcknowledge {
        /// The count that it acknowledges.
        got: u8,
    },
    /// The receiver refused a fragment, with this status.
    Refused(u8),
    /// Longer than anything that is put together here ([`MAX_MESSAGE`]).
    TooLong,
}

impl fmt::Display for FragmentError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            FragmentError::Lost(1) => f.write_str("a fragment is missing"),
            FragmentError::Lost(n) => write!(f, "{n} fragments are missing"),
            FragmentError::WrongCount { expected, got } => {
                write!(f, "wrong fragment count {got} where {expected} was due")
            }
            FragmentError::NotEnded => f.write_str("the message before it was not ended"),
            FragmentError::TimedOut => f.write_str("the next fragment did not come in time"),
            FragmentError::NotAcknowledged => {
                f.write_str("the fragment before it was not acknowledged")
            }
            FragmentError::WrongAcknowledge { got } => {
                write!(f, "acknowledges fragment {got}, which was not sent")
            }
            FragmentError::Refused(status) => write!(f, "fragment refused, status {status:02X}h"),
            FragmentError::TooLong => write!(f, "longer than {MAX_MESSAGE} bytes"),
        }
    }
}

/// How often fragmented messages came out whole, and what went wrong with the others.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct FragmentCounts {
    /// Messages that came out whole.
    pub whole: u64,
    /// Fragments sent again.
    pub repeated: u64,
    /// Messages with a missing fragment.
    pub lost: u64,
    /// Fragments with a count that made no sense.
    pub wrong_count: u64,
    /// Messages that were never ended: a new one began instead.
    pub not_ended: u64,
    /// Messages that stopped in the middle.
    pub timed_out: u64,
    /// Fragments whose acknowledge was missing, wrong or a refusal.
    pub acknowledges_wrong: u64,
    /// Messages too long to be kept.
    pub too_long: u64,
}

impl FragmentCounts {
    /// Counts an error.
    pub fn count(&mut self, error: FragmentError) {
        *match error {
            FragmentError::Lost(_) => &mut self.lost,
            FragmentError::WrongCount { .. } => &mut self.wrong_count,
            FragmentError::NotEnded => &mut self.not_ended,
            FragmentError::TimedOut => &mut self.timed_out,
            FragmentError::NotAcknowledged
            | FragmentError::WrongAcknowledge { .. }
            | FragmentError::Refused(_) => &mut self.acknowledges_wrong,
            FragmentError::TooLong => &mut self.too_long,
        } += 1;
    }

    /// All errors together.
    pub fn errors(&self) -> u64 {
        self.lost
            + self.wrong_count
            + self.not_ended
            + self.timed_out
            + self.acknowledges_wrong
            + self.too_long
    }
}

/// Where a message stands after a fragment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FragmentStage {
    /// More is to come.
    Open,
    /// This was the last: [`Reassembly::message`] is the message.
    Whole,
    /// The same fragment once more, its acknowledge having been lost.
    Repeated,
    /// Part of a message that cannot be put together.
    Spoilt,
}

/// One message being put together, of one sender for one purpose.
#[derive(Debug, Clone, Default)]
pub struct Reassembly {
    buffer: Vec<u8>,
    state: AssemblyState,
    /// The last fragment, as long as its acknowledge has not come.
    unacknowledged: Option<Fragment>,
    last: Nanos,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum AssemblyState {
    #[default]
    Idle,
    /// The next count that is due. `vague`: a fragment counted on but called itself a first
    /// one, so that where the message ends is not known.
    Open { next: u8, vague: bool },
    /// Something was lost: the rest of the message is of no use.
    Spoilt,
}

impl Reassembly {
    /// Takes one fragment of an explicit message (`acknowledged`) or of I/O.
    pub fn fragment(
        &mut self,
        t: Nanos,
        fragment: Fragment,
        data: &[u8],
        acknowledged: bool,
    ) -> (FragmentStage, Option<FragmentError>) {
        self.last = t;
        let waiting = std::mem::take(&mut self.unacknowledged);
        if acknowledged {
            self.unacknowledged = Some(fragment);
            if waiting == Some(fragment) {
                return (FragmentStage::Repeated, None);
            }
        }
        let (stage, error) = match fragment.kind {
            FragmentKind::First => self.first(fragment.count, data),
            FragmentKind::Middle | FragmentKind::Last => self.next(fragment, data),
            FragmentKind::Acknowledge => (FragmentStage::Spoilt, None),
        };
        (stage, error.or(waiting.map(|_| FragmentError::NotAcknowledged)))
    }

    fn first(&mut self, count: u8, data: &[u8]) -> (FragmentStage, Option<FragmentError>) {
        if let AssemblyState::Open { next, .. } = self.state
            && count == next
            && !matches!(count, 0 | Fragment::ONLY)
        {
            // Seen in a published exchange: keep what is good, and say that it is odd.
            let stage = self.append(FragmentKind::Middle, count, true, data).0;
            return (stage, Some(FragmentError::WrongCount { expected: 0, got: count }));
        }
        let open = matches!(self.state, AssemblyState::Open { vague: false, .. });
        self.buffer.clear();
        if count == Fragment::ONLY {
            self.state = AssemblyState::Idle;
            self.buffer.extend_from_slice(data);
            return (FragmentStage::Whole, open.then_some(FragmentError::NotEnded));
        }
        if count != 0 {
            self.state = AssemblyState::Spoilt;
            return (
                FragmentStage::Spoilt,
                Some(FragmentError::WrongCount { expected: 0, got: count }),
            );
        }
        let stage = self.append(FragmentKind::First, count, false, data).0;
        (stage, open.then_some(FragmentError::NotEnded))
    }

    fn next(&mut self, fragment: Fragment, data: &[u8]) -> (FragmentStage, Option<FragmentError>) {
        let count = fragment.count;
        match self.state {
            AssemblyState::Open { next, vague } if next == count => {
                self.append(fragment.kind, count, vague, data)
            }
            AssemblyState::Open { next, .. } => {
                self.spoil(fragment.kind);
                let ahead = count.wrapping_sub(next) % Fragment::COUNTS;
                let error = if ahead < Fragment::COUNTS / 2 {
                    FragmentError::Lost(ahead)
                } else {
                    FragmentError::WrongCount { expected: next, got: count }
                };
                (FragmentStage::Spoilt, Some(error))
            }
            AssemblyState::Idle => {
                self.spoil(fragment.kind);
                (FragmentStage::Spoilt, Some(FragmentError::Lost(count.max(1))))
            }
            AssemblyState::Spoilt => {
                self.spoil(fragment.kind);
                (FragmentStage::Spoilt, None)
            }
        }
    }

    fn append(
        &mut self,
        kind: FragmentKind,
        count: u8,
        vague: bool,
        data: &[u8],
    ) -> (FragmentStage, Option<FragmentError>) {
        if self.buffer.len() + data.len() > MAX_MESSAGE {
            self.spoil(kind);
            return (FragmentStage::Spoilt, Some(FragmentError::TooLong));
        }
        self.buffer.extend_from_slice(data);
        if kind == FragmentKind::Last {
            self.state = AssemblyState::Idle;
            return (FragmentStage::Whole, None);
        }
        self.state = AssemblyState::Open { next: (count + 1) % Fragment::COUNTS, vague };
        (FragmentStage::Open, None)
    }

    /// The rest of the message is of no use; its last fragment ends that, too.
    fn spoil(&mut self, kind: FragmentKind) {
        self.state =
            if kind == FragmentKind::Last { AssemblyState::Idle } else { AssemblyState::Spoilt };
    }

    /// Takes the receiver's acknowledge of a fragment of this message.
    pub fn acknowledge(&mut self, t: Nanos, count: u8, status: u8) -> Option<FragmentError> {
        self.last = t;
        match std::mem::take(&mut self.unacknowledged) {
            Some(fragment) if fragment.count == count => {
                if status == 0 {
                    return None;
                }
                self.state = AssemblyState::Idle;
                Some(FragmentError::Refused(status))
            }
            _ => Some(FragmentError::WrongAcknowledge { got: count }),
        }
    }

    /// Gives up a message that has not gone on for longer than `limit`.
    pub fn expire(&mut self, t: Nanos, limit: Nanos) -> Option<FragmentError> {
        if self.state == AssemblyState::Idle && self.unacknowledged.is_none() {
            return None;
        }
        let late = t.since(self.last).is_some_and(|silent| silent > limit);
        if !late {
            return None;
        }
        let open = matches!(self.state, AssemblyState::Open { vague: false, .. });
        self.reset();
        open.then_some(FragmentError::TimedOut)
    }

    /// Forgets what is half done, without blame: frames are known to be missing.
    pub fn reset(&mut self) {
        self.state = AssemblyState::Idle;
        self.unacknowledged = None;
    }

    /// Forgets what has not gone on since this time: the node has started anew.
    pub fn reset_before(&mut self, t: Nanos) {
        if self.last < t {
            self.reset();
        }
    }

    /// The count of the fragment that is due, while a message is open.
    pub(super) fn next_count(&self) -> Option<u8> {
        match self.state {
            AssemblyState::Open { next, vague: false } => Some(next),
            _ => None,
        }
    }

    /// Whether a message has begun and not ended.
    pub fn is_open(&self) -> bool {
        matches!(self.state, AssemblyState::Open { .. })
    }

    /// The message, right after [`FragmentStage::Whole`].
    pub fn message(&self) -> &[u8] {
        &self.buffer
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const T: Nanos = Nanos(0);

    fn io(reassembly: &mut Reassembly, frame: &[u8]) -> (FragmentStage, Option<FragmentError>) {
        reassembly.fragment(T, Fragment::from_byte(frame[0]), &frame[1..], false)
    }

    /// Bytes as in a published device manual: a poll of 10 bytes in two fragments.
    #[test]
    fn io_in_two_fragments() {
        let mut reassembly = Reassembly::default();
        let first = io(&mut reassembly, &[0, 1, 2, 3, 4, 5, 6, 7]);
        assert_eq!(first, (FragmentStage::Open, None));
        assert_eq!(io(&mut reassembly, &[0x81, 8, 9, 10]), (FragmentStage::Whole, None));
        assert_eq!(reassembly.message(), [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]);
    }

    #[test]
    fn a_lost_middle_is_counted_once_and_the_next_message_is_whole() {
        let mut reassembly = Reassembly::default();
        io(&mut reassembly, &[0, 1]);
        assert_eq!(
            io(&mut reassembly, &[0x42, 3]),
            (FragmentStage::Spoilt, Some(FragmentError::Lost(1)))
        );
        assert_eq!(io(&mut reassembly, &[0x43, 4]), (FragmentStage::Spoilt, None));
        assert_eq!(io(&mut reassembly, &[0x84, 5]), (FragmentStage::Spoilt, None));
        io(&mut reassembly, &[0, 1]);
        assert_eq!(io(&mut reassembly, &[0x81, 2]), (FragmentStage::Whole, None));
    }

    #[test]
    fn wrong_counts_missing_ends_and_starts_are_told_apart() {
        let mut reassembly = Reassembly::default();
        let lost = Some(FragmentError::Lost(2));
        assert_eq!(io(&mut reassembly, &[0x82, 1]), (FragmentStage::Spoilt, lost));
        io(&mut reassembly, &[0, 1]);
        assert_eq!(
            io(&mut reassembly, &[0, 1]),
            (FragmentStage::Open, Some(FragmentError::NotEnded))
        );
        io(&mut reassembly, &[0x41, 1]);
        let wrong = Some(FragmentError::WrongCount { expected: 2, got: 1 });
        assert_eq!(io(&mut reassembly, &[0x41, 1]), (FragmentStage::Spoilt, wrong));
        assert_eq!(io(&mut reassembly, &[0x3F, 7]), (FragmentStage::Whole, None));
        assert_eq!(reassembly.message(), [7]);
    }

    #[test]
    fn a_message_that_stops_times_out_by_the_records_own_time() {
        let mut reassembly = Reassembly::default();
        io(&mut reassembly, &[0, 1]);
        let limit = Nanos::from_millis(300);
        assert_eq!(reassembly.expire(Nanos::from_millis(300), limit), None);
        assert_eq!(
            reassembly.expire(Nanos::from_millis(301), limit),
            Some(FragmentError::TimedOut)
        );
        assert_eq!(reassembly.expire(Nanos::from_millis(900), limit), None);
    }

    #[test]
    fn acknowledges_are_watched() {
        let mut reassembly = Reassembly::default();
        let part = |reassembly: &mut Reassembly, byte| {
            reassembly.fragment(T, Fragment::from_byte(byte), &[1], true)
        };
        assert_eq!(part(&mut reassembly, 0), (FragmentStage::Open, None));
        assert_eq!(part(&mut reassembly, 0), (FragmentStage::Repeated, None));
        assert_eq!(reassembly.acknowledge(T, 0, 0), None);
        assert_eq!(part(&mut reassembly, 0x41), (FragmentStage::Open, None));
        let unacknowledged = (FragmentStage::Whole, Some(FragmentError::NotAcknowledged));
        assert_eq!(part(&mut reassembly, 0x82), unacknowledged);
        let wrong = Some(FragmentError::WrongAcknowledge { got: 1 });
        assert_eq!(reassembly.acknowledge(T, 1, 0), wrong);
        part(&mut reassembly, 0);
        assert_eq!(reassembly.acknowledge(T, 0, 1), Some(FragmentError::Refused(1)));
        assert!(!reassembly.is_open());
    }

    #[test]
    fn the_count_wraps_and_the_length_is_bounded() {
        let mut reassembly = Reassembly::default();
        io(&mut reassembly, &[0, 0, 0, 0, 0, 0, 0, 0]);
        let mut error = None;
        for n in 1..=200u8 {
            error = error.or(io(&mut reassembly, &[0x40 | (n % 64), 1, 2, 3, 4, 5, 6, 7]).1);
        }
        assert_eq!(error, Some(FragmentError::TooLong));
        assert!(reassembly.message().len() <= MAX_MESSAGE);
    }

    proptest! {
        #[test]
        fn any_stream_is_bounded_and_whole_messages_come_out(
            stream in proptest::collection::vec((any::<u8>(), 0usize..8, any::<bool>()), 0..200),
        ) {
            let mut reassembly = Reassembly::default();
            for (byte, length, acknowledged) in stream {
                let fragment = Fragment::from_byte(byte);
                if fragment.kind == FragmentKind::Acknowledge {
                    reassembly.acknowledge(T, fragment.count, byte & 1);
                } else {
                    reassembly.fragment(T, fragment, &[0; 8][..length], acknowledged);
                }
                prop_assert!(reassembly.message().len() <= MAX_MESSAGE);
            }
            reassembly.reset();
            let whole: Vec<u8> = (0..100).collect();
            let last = whole.chunks(7).count() - 1;
            for (n, chunk) in whole.chunks(7).enumerate() {
                let kind = if n == 0 { 0 } else if n == last { 0x80 } else { 0x40 };
                reassembly.fragment(T, Fragment::from_byte(kind | n as u8), chunk, false);
            }
            prop_assert_eq!(reassembly.message(), &whole[..]);
        }
    }
}
