//! I/O of one sender for one purpose: which frames are fragments, the messages put together, and
//! their sizes.
//!
//! Source: IEC 62026-3: I/O longer than eight bytes is fragmented, each frame with a fragment
//! byte first, not acknowledged. No frame says that it is a fragment. The size of the connection
//! does, where it is known; otherwise it is inferred: eight bytes that begin with a first
//! fragment's byte (00), then, before the exchange moves on, the byte of its next fragment.

use super::connections::{Known, Origin};
use super::reassembly::{FragmentError, FragmentStage, Reassembly};
use crate::fieldbus::{Fragment, FragmentKind};
use crate::wire::{Data, Nanos};

/// After so many frames in a row that contradict it, a known or inferred size is wrong.
const CONTRADICTED: u8 = 6;

/// The I/O of one sender for one purpose.
#[derive(Debug, Clone, Default)]
pub struct IoChannel {
    reassembly: Reassembly,
    /// The frame before may have opened a fragmented message, though nothing says that there
    /// are any.
    tentative: bool,
    /// A fragmented message came out whole.
    inferred: bool,
    /// Whether its first frames may be the rest of a message whose beginning nobody heard.
    opening: Opening,
    /// Frames in a row that are no part of a fragmented message.
    contrary: u8,
    sizes: IoSizes,
}

/// Where a channel begins: a listener may start, or lose frames, in the middle of a message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Opening {
    /// Nothing was heard yet.
    #[default]
    First,
    /// All so far was the rest of a message; the fragment with this count is due.
    Due(u8),
    /// A whole message, or the first part of one, was heard.
    Past,
}

/// What one frame of I/O was.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct IoFrame {
    /// The part of a message that it is. If the stage is [`FragmentStage::Whole`],
    /// [`IoChannel::message`] has it all. `None`: it is a whole message.
    pub part: Option<(Fragment, FragmentStage, Option<FragmentError>)>,
    /// It continues the message of the frame before it.
    pub continues: bool,
    /// The length of the message that it is, or ends.
    pub length: Option<u16>,
    /// The message has a length that none had: the length of the one before it, and its own.
    pub resized: Option<(u16, u16)>,
}

impl IoFrame {
    fn unfragmented(data: &[u8], resized: Option<(u16, u16)>) -> IoFrame {
        IoFrame { part: None, continues: false, length: Some(data.len() as u16), resized }
    }
}

impl IoChannel {
    /// Takes a frame. `size` is what is known of the length of the messages. `fresh`: this frame
    /// cannot continue the one before, since the exchange moved on.
    #[inline]
    pub fn frame(
        &mut self,
        t: Nanos,
        data: &[u8],
        size: Option<Known<u16>>,
        fresh: bool,
    ) -> IoFrame {
        if self.opening != Opening::Past && self.is_rest(data) {
            return IoFrame::default();
        }
        if !self.inferred && !self.tentative && !is_long(size) && !opens(data) {
            // Most I/O: nothing ever looked like a fragment, and this does not.
            return IoFrame::unfragmented(data, self.sizes.add(t, data.len()));
        }
        self.perhaps_fragment(t, data, size, fresh)
    }

    /// Whether this is the rest of a message that began before anybody listened.
    #[cold]
    fn is_rest(&mut self, data: &[u8]) -> bool {
        let due = match std::mem::replace(&mut self.opening, Opening::Past) {
            Opening::Due(count) => Some(count),
            _ => None,
        };
        let Some(&first) = data.first() else { return false };
        let fragment = Fragment::from_byte(first);
        let ends = match fragment.kind {
            FragmentKind::Middle if data.len() == Data::MAX => false,
            FragmentKind::Last => true,
            _ => return false,
        };
        if fragment.count == 0 || due.is_some_and(|due| due != fragment.count) {
            return false;
        }
        if !ends {
            self.opening = Opening::Due((fragment.count + 1) % Fragment::COUNTS);
        }
        true
    }

    fn perhaps_fragment(
        &mut self,
        t: Nanos,
        data: &[u8],
        size: Option<Known<u16>>,
        fresh: bool,
    ) -> IoFrame {
        let continues = !fresh && self.continues(data);
        if !continues && !data.is_empty() && (self.reassembly.is_open() || !opens(data)) {
            self.contrary = self.contrary.saturating_add(1);
            self.inferred &= self.contrary < CONTRADICTED;
        }
        let fragmented = self.is_fragmented(size);
        let mut resized = None;
        if !fragmented && !continues {
            resized = self.flush(t);
            self.reassembly.reset();
        }
        let tentative = !fragmented && opens(data);
        let Some((&first, rest)) =
            data.split_first().filter(|_| continues || fragmented || tentative)
        else {
            let own = self.sizes.add(t, data.len());
            return IoFrame::unfragmented(data, own.or(resized));
        };
        let fragment = Fragment::from_byte(first);
        let (stage, error) = self.reassembly.fragment(t, fragment, rest, false);
        self.tentative = !fragmented && stage == FragmentStage::Open;
        if tentative && !continues {
            return IoFrame::unfragmented(data, resized);
        }
        let mut length = None;
        if stage == FragmentStage::Whole {
            self.inferred |= continues;
            self.contrary = 0;
            let bytes = self.message().len();
            resized = self.sizes.add(t, bytes).or(resized);
            length = Some(bytes as u16);
        }
        IoFrame { part: Some((fragment, stage, error)), continues, length, resized }
    }

    /// Whether these are the data of the fragment that is due.
    fn continues(&self, data: &[u8]) -> bool {
        let Some(&first) = data.first() else { return false };
        let fragment = Fragment::from_byte(first);
        let fits = match fragment.kind {
            FragmentKind::Middle => data.len() == Data::MAX,
            FragmentKind::Last => true,
            FragmentKind::First | FragmentKind::Acknowledge => false,
        };
        fits && self.reassembly.next_count() == Some(fragment.count)
    }

    fn is_fragmented(&self, size: Option<Known<u16>>) -> bool {
        self.inferred || is_long(size) && self.contrary < CONTRADICTED
    }

    /// Gives up a message that has not gone on for longer than `limit`.
    pub fn expire(&mut self, t: Nanos, limit: Nanos) -> Option<FragmentError> {
        if self.tentative { None } else { self.reassembly.expire(t, limit) }
    }

    /// Forgets what is half done: frames are known to be missing.
    pub fn reset(&mut self) {
        self.reassembly.reset();
        self.tentative = false;
        self.opening = Opening::First;
    }

    /// Nothing more will come: a frame that might have gone on was a whole message.
    pub fn flush(&mut self, t: Nanos) -> Option<(u16, u16)> {
        // One that went on and then broke off has no size.
        let whole = std::mem::take(&mut self.tentative) && self.message().len() == Data::MAX - 1;
        if whole { self.sizes.add(t, Data::MAX) } else { None }
    }

    /// The message that was put together last.
    pub fn message(&self) -> &[u8] {
        self.reassembly.message()
    }

    /// The sizes of the messages so far.
    pub fn sizes(&self) -> &IoSizes {
        &self.sizes
    }

    /// Whether fragmented messages were inferred from the frames.
    pub fn is_inferred_fragmented(&self) -> bool {
        self.inferred
    }
}

/// Whether a message of a size known from the wire or the plan does not fit into a frame.
fn is_long(size: Option<Known<u16>>) -> bool {
    size.is_some_and(|size| usize::from(size.value) > Data::MAX && size.origin != Origin::Inferred)
}

/// Whether a frame can be the first one of a fragmented message.
#[inline]
fn opens(data: &[u8]) -> bool {
    matches!(data, [0, ..]) && data.len() == Data::MAX
}

/// The sizes of messages, each once. There are at most as many as a message may have bytes. No data
/// is a size only where nothing else was ever seen: an idle master polls with none.
///
/// Sizes that differ from a plan are found as that; several sizes, or others than the connection
/// was read or set to have, are found as the node's own, and then not again.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct IoSizes {
    last: Option<u16>,
    seen: Vec<u16>,
    /// When each of them was first seen.
    first: Vec<Nanos>,
    /// When the size last was another than before.
    changed: Option<Nanos>,
}

impl IoSizes {
    #[inline]
    fn add(&mut self, t: Nanos, bytes: usize) -> Option<(u16, u16)> {
        let bytes = bytes as u16;
        if self.last == Some(bytes) { None } else { self.insert(t, bytes) }
    }

    /// Gives the size before and this one, if none had this one yet.
    fn insert(&mut self, t: Nanos, bytes: u16) -> Option<(u16, u16)> {
        if bytes == 0 && !self.seen.is_empty() {
            return None;
        }
        if self.seen == [0] {
            self.seen.clear();
            self.first.clear();
            self.last = None;
        }
        let before = self.last.replace(bytes);
        if before.is_some() {
            self.changed = Some(t);
        }
        let index = self.seen.binary_search(&bytes).err()?;
        self.seen.insert(index, bytes);
        self.first.insert(index, t);
        before.map(|before| (before, bytes))
    }

    /// When a size other than this was first seen.
    pub fn first_but(&self, bytes: Option<u16>) -> Option<Nanos> {
        let others = self.seen.iter().zip(&self.first).filter(|(seen, _)| Some(**seen) != bytes);
        others.map(|(_, first)| *first).min()
    }

    /// When a second size was first seen.
    pub fn first_change(&self) -> Option<Nanos> {
        let mut first = self.first.clone();
        first.sort_unstable();
        first.get(1).copied()
    }

    /// When the size last was another than before.
    pub fn last_change(&self) -> Option<Nanos> {
        self.changed
    }

    /// Each size seen, least first, in bytes.
    pub fn as_slice(&self) -> &[u16] {
        &self.seen
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const T: Nanos = Nanos(0);

    fn learnt(value: u16) -> Option<Known<u16>> {
        Some(Known { value, origin: Origin::Learnt })
    }

    fn stage(frame: IoFrame) -> Option<FragmentStage> {
        frame.part.map(|(_, stage, _)| stage)
    }

    /// A poll of 10 bytes, by IEC 62026-3; no published page with one was found.
    #[test]
    fn a_known_size_says_that_it_is_fragmented() {
        let mut channel = IoChannel::default();
        let first = channel.frame(T, &[0, 1, 2, 3, 4, 5, 6, 7], learnt(10), true);
        assert_eq!(stage(first), Some(FragmentStage::Open));
        let last = channel.frame(T, &[0x81, 8, 9, 10], learnt(10), false);
        assert_eq!((stage(last), last.length), (Some(FragmentStage::Whole), Some(10)));
        assert_eq!(channel.message(), [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]);
        assert_eq!(channel.sizes().as_slice(), [10]);
        let mut channel = IoChannel::default();
        assert_eq!(channel.frame(T, &[0, 1, 2, 3, 4, 5, 6, 7], learnt(8), true).part, None);
    }

    /// The same poll.
    #[test]
    fn without_a_size_it_is_inferred_and_marked_so() {
        let mut channel = IoChannel::default();
        assert!(!channel.is_fragmented(None));
        for n in 0..3 {
            let first = channel.frame(T, &[0, 1, 2, 3, 4, 5, 6, 7], None, true);
            assert_eq!((stage(first).is_some(), first.continues), (n > 0, false));
            let last = channel.frame(T, &[0x81, 8, 9, 10], None, false);
            assert_eq!((last.length, last.continues), (Some(10), true));
        }
        assert!(channel.is_inferred_fragmented());
        // The capture ends in the middle of a message.
        channel.frame(T, &[0, 1, 2, 3, 4, 5, 6, 7], None, true);
        channel.flush(T);
        assert_eq!(channel.sizes().as_slice(), [10]);
        for _ in 0..10 {
            channel.frame(T, &[0, 1, 2, 3, 4, 5, 6, 7], None, true);
        }
        assert!(!channel.is_fragmented(None));
    }

    #[test]
    fn middle_fragments_count_up() {
        let mut channel = IoChannel::default();
        channel.frame(T, &[0x00; 8], None, true);
        for head in [0x41, 0x42] {
            assert!(channel.frame(T, &[head, 0, 0, 0, 0, 0, 0, 0], None, false).continues);
        }
        assert!(channel.frame(T, &[0x83, 1], None, false).continues);
        assert_eq!(channel.sizes().as_slice(), [22]);
    }

    #[test]
    fn whole_messages_that_look_alike_are_whole() {
        let mut channel = IoChannel::default();
        assert!(!channel.frame(T, &[0x00; 8], None, true).continues);
        // Answered in between, so it is the next message.
        assert_eq!(channel.frame(T, &[0x81, 0, 0, 0, 0, 0, 0, 0], None, true).part, None);
        assert_eq!(channel.frame(T, &[0x00; 8], None, false).part, None);
        assert_eq!(channel.frame(T, &[0x05, 0, 0, 0], None, false).part, None);
        channel.flush(T);
        assert_eq!(channel.sizes().as_slice(), [4, 8]);
        assert!(!channel.is_inferred_fragmented());
    }

    #[test]
    fn an_endless_series_has_no_size() {
        let mut channel = IoChannel::default();
        channel.frame(T, &[0x00; 8], None, true);
        for n in 1..250u8 {
            channel.frame(T, &[0x40 | n & 0x3F, 0, 0, 0, 0, 0, 0, 0], None, false);
        }
        channel.flush(T);
        assert!(channel.sizes().as_slice().iter().all(|&bytes| bytes == 8));
    }

    #[test]
    fn a_plan_holds_until_the_wire_contradicts_it() {
        let planned = |value| Some(Known { value, origin: Origin::Planned });
        let mut channel = IoChannel::default();
        for _ in 0..10 {
            channel.frame(T, &[1, 2, 3, 4], planned(10), true);
        }
        assert_eq!(channel.frame(T, &[1, 2, 3, 4], planned(10), true).part, None);
        assert_eq!(channel.sizes().as_slice(), [4]);
        let mut channel = IoChannel::default();
        assert!(!channel.is_fragmented(planned(4)));
        channel.frame(T, &[0, 1, 2, 3, 4, 5, 6, 7], planned(4), true);
        channel.frame(T, &[0x81, 8, 9, 10], planned(4), false);
        assert!(channel.is_inferred_fragmented());
    }

    #[test]
    fn counters_and_constant_data_do_not_look_fragmented() {
        let mut channel = IoChannel::default();
        for n in 0..1000u64 {
            channel.frame(T, &n.to_le_bytes(), None, false);
            assert!(!channel.is_fragmented(None), "{n}");
        }
    }

    proptest! {
        /// The short way for plain data leaves what the long way would.
        #[test]
        fn plain_data_are_what_the_long_way_says(
            frames in prop::collection::vec(
                (0u8..=8, prop::sample::select(vec![0, 0x81, 0x41, 7]), any::<bool>()), 0..40,
            ),
            size in prop::option::of((0u16..12, prop::sample::select(vec![Origin::Learnt, Origin::Planned, Origin::Inferred]))),
        ) {
            let size = size.map(|(value, origin)| Known { value, origin });
            let (mut short, mut long) = (IoChannel::default(), IoChannel::default());
            for (len, head, fresh) in frames {
                let data = &[head, 1, 2, 3, 4, 5, 6, 7][..usize::from(len)];
                let shorter = short.frame(T, data, size, fresh);
                let longer = match long.opening != Opening::Past && long.is_rest(data) {
                    true => IoFrame::default(),
                    false => long.perhaps_fragment(T, data, size, fresh),
                };
                prop_assert_eq!(shorter, longer);
                prop_assert_eq!(short.is_fragmented(size), long.is_fragmented(size));
                prop_assert_eq!(short.sizes(), long.sizes());
            }
        }

        #[test]
        fn any_frames_are_taken(frames: Vec<(u64, u8, Option<u16>, bool)>) {
            let mut channel = IoChannel::default();
            for (bytes, len, size, fresh) in frames {
                let size = size.and_then(learnt);
                channel.frame(T, &bytes.to_le_bytes()[..usize::from(len % 9)], size, fresh);
            }
        }
    }
}
