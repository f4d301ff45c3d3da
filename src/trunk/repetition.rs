//! One frame sent again and again with nothing in between: what a controller does whose frame
//! nobody acknowledges.
//!
//! Source: ISO 11898-1 (from memory): a frame without acknowledge is sent again at once. The first
//! sixteen times its sender destroys it with an active error flag; from then on it is error-passive,
//! its flag is recessive, and who only listens receives each repetition as a good frame.

use crate::fieldbus::MacId;
use crate::wire::{BitTime, ErrorFrame, Frame, Nanos, StandardId};

/// Errors without acknowledge belong to the repetitions that begin so soon after them.
const SOON: Nanos = Nanos::from_millis(200);

/// A run of one and the same frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RepeatedFrame {
    /// The frame.
    pub frame: Frame,
    /// Who sends it, by its identifier.
    pub sender: Option<MacId>,
    /// The first of them.
    pub from: Nanos,
    /// The last of them.
    pub to: Nanos,
    /// How many, the first one counted.
    pub count: u64,
    /// Error frames for want of an acknowledge shortly before.
    pub unacknowledged: u64,
}

impl RepeatedFrame {
    /// By how many bit times the frames are further apart than frames that follow one another
    /// directly; `None` for one alone, or if the clock stepped back.
    pub fn extra_bits(&self, bits_per_second: f64) -> Option<f64> {
        let gaps = self.count.checked_sub(1).filter(|&gaps| gaps > 0)? as f64;
        let span = self.to.since(self.from)?.as_secs() * bits_per_second;
        let BitTime(own) = self.frame.wire_bits();
        Some(span / gaps - own as f64)
    }
}

/// Looks for the longest run.
#[derive(Debug, Clone, Default)]
pub struct Repetition {
    /// The identifier of the last frame.
    last: Option<StandardId>,
    /// There is a run, or there were errors after which one may begin.
    armed: bool,
    run: Option<RepeatedFrame>,
    longest: Option<RepeatedFrame>,
    /// Error frames for want of an acknowledge since the last good frame, and the last of them.
    unacknowledged: u64,
    last_error: Option<Nanos>,
}

impl Repetition {
    /// The next good frame.
    #[inline]
    pub(super) fn frame(&mut self, t: Nanos, frame: &Frame, id: StandardId, sender: Option<MacId>) {
        let same = self.last == Some(id);
        self.last = Some(id);
        // Most frames: another identifier than the one before, and no run to end.
        if same || self.armed {
            self.perhaps_again(t, frame, sender, same);
        }
    }

    #[inline(never)]
    fn perhaps_again(&mut self, t: Nanos, frame: &Frame, sender: Option<MacId>, same: bool) {
        let begins = same || self.unacknowledged > 0;
        match &mut self.run {
            Some(run) if run.frame == *frame && t >= run.to => {
                run.to = t;
                run.count += 1;
            }
            _ => {
                self.close();
                if begins {
                    self.begin(t, frame, sender);
                }
            }
        }
        self.armed = self.run.is_some();
    }

    fn begin(&mut self, t: Nanos, frame: &Frame, sender: Option<MacId>) {
        let soon = |last: Nanos| t.since(last).is_some_and(|gap| gap <= SOON);
        let unacknowledged = std::mem::take(&mut self.unacknowledged);
        let unacknowledged = if self.last_error.is_some_and(soon) { unacknowledged } else { 0 };
        self.run =
            Some(RepeatedFrame { frame: *frame, sender, from: t, to: t, count: 1, unacknowledged });
    }

    fn close(&mut self) {
        let run = self.run.take();
        if self.longest.is_none_or(|longest| run.is_some_and(|run| run.count > longest.count)) {
            self.longest = run.or(self.longest);
        }
    }

    /// An error frame.
    pub(super) fn error(&mut self, t: Nanos, error: &ErrorFrame) {
        if error.is_unacknowledged() {
            self.unacknowledged += 1;
            self.last_error = Some(t);
            self.armed = true;
        }
    }

    /// Frames may have come that nobody heard.
    pub(super) fn doubt(&mut self) {
        self.close();
        self.last = None;
        self.unacknowledged = 0;
        self.armed = false;
    }

    /// The longest run so far.
    pub fn longest(&self) -> Option<&RepeatedFrame> {
        let open = self.run.as_ref();
        match (open, self.longest.as_ref()) {
            (Some(open), Some(longest)) if open.count > longest.count => Some(open),
            (open, longest) => longest.or(open),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::Id;

    fn frame(id: u16, data: &[u8]) -> Frame {
        Frame::data(StandardId::new(id).unwrap(), data).unwrap()
    }

    fn take(repetition: &mut Repetition, t: Nanos, frame: &Frame) {
        let Id::Standard(id) = frame.id() else { panic!("{frame:?}") };
        repetition.frame(t, frame, id, None);
    }

    /// Error, protocol violation: form, at the ACK delimiter (linux/can/error.h).
    fn unacknowledged() -> ErrorFrame {
        ErrorFrame::new(0x88, [0, 0, 0x02, 0x1B, 0, 0, 0, 0]).unwrap()
    }

    #[test]
    fn the_longest_run_is_kept_with_the_errors_before_it() {
        let mut repetition = Repetition::default();
        let mut t = 0;
        let mut hear = |repetition: &mut Repetition, frame: Frame, times: u32| {
            for _ in 0..times {
                t += 1_000;
                take(repetition, Nanos::from_micros(t), &frame);
            }
        };
        hear(&mut repetition, frame(0x44B, &[1]), 3);
        assert_eq!(repetition.longest().unwrap().count, 2);
        hear(&mut repetition, frame(0x44B, &[2]), 1);
        for n in 0..16 {
            repetition.error(Nanos::from_micros(4_100 + n), &unacknowledged());
        }
        hear(&mut repetition, frame(0x3C5, &[2]), 100);
        hear(&mut repetition, frame(0x3C9, &[2]), 4);
        let run = repetition.longest().unwrap();
        assert_eq!((run.count, run.unacknowledged), (100, 16));
        assert_eq!(run.frame, frame(0x3C5, &[2]));
        // A millisecond apart at 125 kbit/s.
        let extra = run.extra_bits(125_000.0).unwrap();
        assert!((extra - (125.0 - run.frame.wire_bits().0 as f64)).abs() < 1e-6);
    }

    #[test]
    fn others_in_between_and_a_gap_end_a_run() {
        let mut repetition = Repetition::default();
        for n in 0..100 {
            let id = if n % 10 == 0 { 0x3C9 } else { 0x3C5 };
            take(&mut repetition, Nanos::from_millis(n), &frame(id, &[2]));
        }
        assert_eq!(repetition.longest().unwrap().count, 8);
        repetition.doubt();
        for n in 100..103 {
            take(&mut repetition, Nanos::from_millis(n), &frame(0x3C5, &[2]));
        }
        assert_eq!(repetition.longest().unwrap().count, 8);
    }
}
