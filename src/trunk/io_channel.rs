//! I/O data of one sender for one purpose: whole frames, or fragments put together.
//!
//! Source: IEC 62026-3: I/O longer than eight bytes is fragmented, each frame with a fragment
//! byte first, not acknowledged. Whether it is follows from the size; where no size is known,
//! it is concluded from the frames themselves.

use super::connections::{Known, Origin};
use super::reassembly::{Assembly, FragmentError, Stage};
use crate::fieldbus::{Fragment, FragmentKind};
use crate::wire::{Data, Nanos};

/// So many messages in a row must look fragmented before they are taken for it.
const CONVINCED: u8 = 3;
/// After so many frames in a row that contradict it, a conclusion or a plan is wrong.
const CONTRADICTED: u8 = 6;

/// The I/O of one sender for one purpose.
#[derive(Debug, Clone, Default)]
pub struct IoChannel {
    assembly: Assembly,
    looks: Looks,
}

/// How many messages in a row looked fragmented, and the count due next in one that does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
struct Looks {
    fragmented: u8,
    due: Option<u8>,
    contrary: u8,
}

/// What one frame of I/O was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum IoFrame {
    /// A whole message.
    Whole,
    /// A part of one. If the stage is [`Stage::Whole`], [`IoChannel::message`] has it all.
    Part(Fragment, Stage, Option<FragmentError>),
}

impl IoChannel {
    /// Takes a frame. `size` is what is known of the length of the messages.
    #[inline]
    pub fn frame(&mut self, t: Nanos, data: &[u8], size: Option<Known<u16>>) -> IoFrame {
        let long = size.is_some_and(|size| usize::from(size.value) > Data::MAX);
        if self.looks.plain(data) && !long {
            // Most I/O: nothing ever looked like a fragment, and this does not.
            self.looks.contrary = self.looks.contrary.saturating_add(1);
            return IoFrame::Whole;
        }
        self.perhaps_fragment(t, data, size)
    }

    fn perhaps_fragment(&mut self, t: Nanos, data: &[u8], size: Option<Known<u16>>) -> IoFrame {
        self.looks.at(data);
        let fragmented = self.fragmented(size).is_some_and(|known| known.value);
        let (true, Some((&first, rest))) = (fragmented, data.split_first()) else {
            return IoFrame::Whole;
        };
        let fragment = Fragment::from_byte(first);
        let (stage, error) = self.assembly.fragment(t, fragment, rest, false);
        IoFrame::Part(fragment, stage, error)
    }

    /// Whether the messages are in fragments; `None` where nothing tells. What was said on the
    /// wire counts; a plan as long as the frames do not contradict it.
    pub fn fragmented(&self, size: Option<Known<u16>>) -> Option<Known<bool>> {
        let convinced = self.looks.fragmented >= CONVINCED;
        let contradicted = self.looks.contrary >= CONTRADICTED;
        if let Some(size) = size.filter(|size| size.origin != Origin::Inferred) {
            let value = usize::from(size.value) > Data::MAX;
            let wrong = if value { contradicted } else { convinced };
            if size.origin == Origin::Learnt || !wrong {
                return Some(Known { value, origin: size.origin });
            }
        }
        convinced.then_some(Known { value: true, origin: Origin::Inferred })
    }

    /// Gives up a message that has not gone on for longer than `limit`.
    pub fn expire(&mut self, t: Nanos, limit: Nanos) -> Option<FragmentError> {
        self.assembly.expire(t, limit)
    }

    /// Forgets what is half done: frames are known to be missing.
    pub fn reset(&mut self) {
        self.assembly.reset();
        self.looks.due = None;
    }

    /// The message that was put together last.
    pub fn message(&self) -> &[u8] {
        self.assembly.message()
    }
}

impl Looks {
    /// Whether neither this nor anything lately looks like a fragment.
    fn plain(&self, data: &[u8]) -> bool {
        let first = matches!(data, [0, ..]) && data.len() == Data::MAX;
        self.fragmented == 0 && self.due.is_none() && !first
    }

    /// A fragmented message is a full frame that begins with 00, then full frames that count
    /// on, then one that says that it is the last. Nothing else looks so again and again.
    fn at(&mut self, data: &[u8]) {
        let Some(&first) = data.first() else { return self.contradicts() };
        let fragment = Fragment::from_byte(first);
        let full = data.len() == Data::MAX;
        match (fragment.kind, self.due) {
            (FragmentKind::First, _) if full && fragment.count == 0 => {
                if self.due.is_some() {
                    self.contradicts();
                }
                self.due = Some(1);
            }
            (FragmentKind::Middle, Some(due)) if full && fragment.count == due => {
                self.due = Some((due + 1) & 0x3F);
            }
            (FragmentKind::Last, Some(due)) if data.len() > 1 && fragment.count == due => {
                self.due = None;
                self.contrary = 0;
                self.fragmented = self.fragmented.saturating_add(1);
            }
            _ => self.contradicts(),
        }
    }

    /// Lost frames contradict now and then; several in a row mean that it was wrong.
    fn contradicts(&mut self) {
        self.due = None;
        self.contrary = self.contrary.saturating_add(1);
        if self.fragmented < CONVINCED || self.contrary >= CONTRADICTED {
            self.fragmented = 0;
        }
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

    /// Bytes as in a published device manual: a poll of 10 bytes.
    #[test]
    fn a_known_size_says_that_it_is_fragmented() {
        let mut channel = IoChannel::default();
        let first = channel.frame(T, &[0, 1, 2, 3, 4, 5, 6, 7], learnt(10));
        assert!(matches!(first, IoFrame::Part(_, Stage::Open, None)));
        let last = channel.frame(T, &[0x81, 8, 9, 10], learnt(10));
        assert!(matches!(last, IoFrame::Part(_, Stage::Whole, None)));
        assert_eq!(channel.message(), [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]);
        assert_eq!(channel.frame(T, &[0, 1, 2, 3, 4, 5, 6, 7], learnt(8)), IoFrame::Whole);
    }

    #[test]
    fn without_a_size_it_is_concluded_and_marked_so() {
        let mut channel = IoChannel::default();
        for _ in 0..3 {
            assert_eq!(channel.fragmented(None), None);
            channel.frame(T, &[0, 1, 2, 3, 4, 5, 6, 7], None);
            channel.frame(T, &[0x81, 8, 9, 10], None);
        }
        let inferred = Known { value: true, origin: Origin::Inferred };
        assert_eq!(channel.fragmented(None), Some(inferred));
        for _ in 0..10 {
            channel.frame(T, &[0, 1, 2, 3, 4, 5, 6, 7], None);
        }
        assert_eq!(channel.fragmented(None), None);
    }

    #[test]
    fn a_plan_holds_until_the_wire_contradicts_it() {
        let planned = |value| Some(Known { value, origin: Origin::Planned });
        let mut channel = IoChannel::default();
        for _ in 0..10 {
            channel.frame(T, &[1, 2, 3, 4], planned(10));
        }
        assert_eq!(channel.frame(T, &[1, 2, 3, 4], planned(10)), IoFrame::Whole);
        let mut channel = IoChannel::default();
        assert_eq!(channel.fragmented(planned(4)).map(|known| known.value), Some(false));
        for _ in 0..3 {
            channel.frame(T, &[0, 1, 2, 3, 4, 5, 6, 7], planned(4));
            channel.frame(T, &[0x81, 8, 9, 10], planned(4));
        }
        let inferred = Known { value: true, origin: Origin::Inferred };
        assert_eq!(channel.fragmented(planned(4)), Some(inferred));
    }

    #[test]
    fn counters_and_constant_data_do_not_look_fragmented() {
        let mut channel = IoChannel::default();
        for n in 0..1000u64 {
            channel.frame(T, &n.to_le_bytes(), None);
            assert_eq!(channel.fragmented(None), None, "{n}");
        }
    }

    proptest! {
        /// The short way for plain data leaves what the long way would.
        #[test]
        fn plain_data_are_what_the_long_way_says(
            frames in prop::collection::vec((0u8..=8, prop::sample::select(vec![0, 0x81, 0x41, 7])), 0..40),
            size in prop::option::of((0u16..12, prop::sample::select(vec![Origin::Learnt, Origin::Planned, Origin::Inferred]))),
        ) {
            let size = size.map(|(value, origin)| Known { value, origin });
            let (mut short, mut long) = (IoChannel::default(), IoChannel::default());
            for (len, head) in frames {
                let data = &[head, 1, 2, 3, 4, 5, 6, 7][..usize::from(len)];
                prop_assert_eq!(short.frame(T, data, size), long.perhaps_fragment(T, data, size));
                prop_assert_eq!(short.looks, long.looks);
            }
        }

        #[test]
        fn any_frames_are_taken(frames: Vec<(u64, u8, Option<u16>)>) {
            let mut channel = IoChannel::default();
            for (bytes, len, size) in frames {
                let size = size.and_then(learnt);
                channel.frame(T, &bytes.to_le_bytes()[..usize::from(len % 9)], size);
            }
        }
    }
}
