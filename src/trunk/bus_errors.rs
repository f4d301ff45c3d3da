//! Error frames by cause and in bursts, and the way of the adapter's own controller.

use std::collections::VecDeque;

use strum::VariantArray;

use super::statistics::Occurrences;
use crate::wire::{Cause, ControllerState, ErrorFrame, ErrorKind, Nanos};

/// Everything that error frames told.
#[derive(Debug, Clone, Default)]
pub struct BusErrors {
    frames: u64,
    /// Those that name a cause on the bus; the others tell of the adapter.
    with_cause: Occurrences,
    causes: [u64; Cause::ALL.len()],
    kinds: [u64; ErrorKind::VARIANTS.len()],
    run: Option<Burst>,
    good_before_run: u64,
    bursts: u64,
    largest: Option<Burst>,
    dense: Option<DenseRun>,
    densest: Option<Burst>,
    /// The adapter's own controller.
    pub controller: AdapterController,
}

/// Error frames that came close after one another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Burst {
    /// The first error frame.
    pub from: Nanos,
    /// The last one.
    pub to: Nanos,
    /// How many.
    pub frames: u64,
    /// Good frames among them.
    pub good_frames: u64,
}

/// Errors with hardly a good frame between any two of them.
#[derive(Debug, Clone, Copy)]
struct DenseRun {
    burst: Burst,
    good_before: u64,
    good_at_last: u64,
}

impl BusErrors {
    /// Error frames with no longer gap than this belong together.
    pub const BURST_GAP: Nanos = Nanos::from_millis(100);
    /// Errors with no more good frames than this from one to the next are dense: a node that tries again
    /// and again lets others through between.
    const DENSE_GAP: u64 = 2;
    /// From so many on it is a burst.
    pub const BURST_FRAMES: u64 = 5;

    /// Takes an error frame, after so many good frames; what it changed in the controller.
    pub(super) fn frame(&mut self, t: Nanos, frame: &ErrorFrame, good: u64) -> ControllerChange {
        self.frames += 1;
        let causes = frame.causes();
        for cause in causes.iter() {
            self.causes[cause as usize] += 1;
        }
        if let Some(kind) = causes.kind() {
            self.kinds[kind as usize] += 1;
            // That the adapter overflowed is no error of the bus: frames were lost.
            if kind != ErrorKind::AdapterOverrun {
                self.with_cause.add(t);
                self.extend_run(t, good);
                self.extend_dense(t, good);
            }
        }
        self.controller.frame(t, frame)
    }

    fn extend_run(&mut self, t: Nanos, good: u64) {
        let run = match &mut self.run {
            Some(run) if t.since(run.to).is_some_and(|gap| gap <= Self::BURST_GAP) => {
                run.to = t;
                run.frames += 1;
                run.good_frames = good.saturating_sub(self.good_before_run);
                *run
            }
            run => {
                self.good_before_run = good;
                *run.insert(Burst { from: t, to: t, frames: 1, good_frames: 0 })
            }
        };
        if run.frames == Self::BURST_FRAMES {
            self.bursts += 1;
        }
        let larger = self.largest.is_none_or(|largest| run.frames > largest.frames);
        if run.frames >= Self::BURST_FRAMES && larger {
            self.largest = Some(run);
        }
    }

    fn extend_dense(&mut self, t: Nanos, good: u64) {
        let is_dense = |run: &&mut DenseRun| {
            t.since(run.burst.to).is_some_and(|gap| gap <= Self::BURST_GAP)
                && good.saturating_sub(run.good_at_last) <= Self::DENSE_GAP
        };
        let burst = Burst { from: t, to: t, frames: 1, good_frames: 0 };
        let run = match self.dense.as_mut().filter(is_dense) {
            Some(run) => {
                run.burst.to = t;
                run.burst.frames += 1;
                run.burst.good_frames = good.saturating_sub(run.good_before);
                run
            }
            None => self.dense.insert(DenseRun { burst, good_before: good, good_at_last: good }),
        };
        run.good_at_last = good;
        let burst = run.burst;
        if self.densest.is_none_or(|densest| burst.frames > densest.frames) {
            self.densest = Some(burst);
        }
    }

    /// Error frames received, of every kind.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Error frames that name a cause on the bus.
    pub fn with_cause(&self) -> &Occurrences {
        &self.with_cause
    }

    /// How many error frames name this cause.
    pub fn count(&self, cause: Cause) -> u64 {
        self.causes[cause as usize]
    }

    /// How many error frames were of each kind that occurred; together [`BusErrors::with_cause`], but
    /// for the adapter's overruns.
    pub fn kinds(&self) -> impl Iterator<Item = (ErrorKind, u64)> {
        let kinds = ErrorKind::VARIANTS.iter().copied().zip(self.kinds);
        kinds.filter(|(_, count)| *count > 0)
    }

    /// How many bursts there were.
    pub fn bursts(&self) -> u64 {
        self.bursts
    }

    /// The longest run of errors with hardly a good frame between any two of them.
    pub fn densest_run(&self) -> Option<&Burst> {
        self.densest.as_ref()
    }

    /// The burst with the most error frames.
    pub fn largest_burst(&self) -> Option<&Burst> {
        self.largest.as_ref()
    }
}

/// The fault confinement state of the adapter's own controller, as its driver reports it.
#[derive(Debug, Clone, Default)]
pub struct AdapterController {
    state: Option<ControllerState>,
    warnings: Occurrences,
    passives: Occurrences,
    bus_offs: Occurrences,
    restarts: Occurrences,
    counters: Option<(u8, u8)>,
    highest: Option<(u8, u8)>,
    /// The latest changes, oldest first.
    path: VecDeque<(Nanos, ControllerState)>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct ControllerChange {
    pub(super) restarted: bool,
    pub(super) state: Option<ControllerState>,
}

impl AdapterController {
    /// How many changes of state are kept with their times.
    pub const PATH: usize = 64;

    fn frame(&mut self, t: Nanos, frame: &ErrorFrame) -> ControllerChange {
        if let Some((transmit, receive)) = frame.counters() {
            self.counters = Some((transmit, receive));
            let (t0, r0) = self.highest.unwrap_or_default();
            self.highest = Some((t0.max(transmit), r0.max(receive)));
        }
        let mut change = ControllerChange::default();
        if frame.restarted() {
            self.restarts.add(t);
            change.restarted = true;
            self.enter(t, ControllerState::Active);
        }
        if let Some(state) = frame.controller_state()
            && self.enter(t, state)
        {
            change.state = Some(state);
        }
        change
    }

    fn enter(&mut self, t: Nanos, state: ControllerState) -> bool {
        if self.state == Some(state) {
            return false;
        }
        match state {
            ControllerState::Active => {}
            ControllerState::Warning => self.warnings.add(t),
            ControllerState::Passive => self.passives.add(t),
            ControllerState::BusOff => self.bus_offs.add(t),
        }
        self.state = Some(state);
        if self.path.len() == Self::PATH {
            self.path.pop_front();
        }
        self.path.push_back((t, state));
        true
    }

    /// The interface went down or came up: the controller starts afresh.
    pub(super) fn reset(&mut self) {
        self.state = None;
    }

    /// The state now; unknown until the driver reports one.
    pub fn state(&self) -> Option<ControllerState> {
        self.state
    }

    /// Transitions into warning.
    pub fn warnings(&self) -> &Occurrences {
        &self.warnings
    }

    /// Transitions into error-passive.
    pub fn passives(&self) -> &Occurrences {
        &self.passives
    }

    /// Transitions into bus-off.
    pub fn bus_offs(&self) -> &Occurrences {
        &self.bus_offs
    }

    /// Restarts after bus-off.
    pub fn restarts(&self) -> &Occurrences {
        &self.restarts
    }

    /// The transmit and receive error counters as last reported.
    pub fn counters(&self) -> Option<(u8, u8)> {
        self.counters
    }

    /// The highest transmit and the highest receive error counter reported.
    pub fn highest_counters(&self) -> Option<(u8, u8)> {
        self.highest
    }

    /// The latest changes of state, oldest first, [`AdapterController::PATH`] at most.
    pub fn path(&self) -> impl ExactSizeIterator<Item = &(Nanos, ControllerState)> {
        self.path.iter()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn error(class: u32, data: u64) -> ErrorFrame {
        ErrorFrame::new(class, data.to_be_bytes()).unwrap()
    }

    /// Error frames as the Linux slcan driver makes them (read off a run of Linux 6.1).
    #[test]
    fn the_way_to_bus_off_and_back() {
        let mut errors = BusErrors::default();
        let frames = [
            error(0x204, 0x0004_0000_0000_0C60),
            error(0x204, 0x0004_0000_0000_0C61), // still warning: no transition
            error(0x204, 0x0020_0000_0000_8C80),
            error(0x040, 0),
            error(0x100, 0),
            error(0x204, 0x0004_0000_0000_0060),
        ];
        for (t, frame) in frames.iter().enumerate() {
            errors.frame(Nanos(t as i64), frame, 0);
        }
        let c = &errors.controller;
        let counts = [c.warnings(), c.passives(), c.bus_offs(), c.restarts()].map(|o| o.count());
        assert_eq!(counts, [2, 1, 1, 1]);
        assert_eq!(c.counters(), Some((0, 0x60)));
        assert_eq!(c.highest_counters(), Some((0x8C, 0x80)));
        assert_eq!(c.state(), Some(ControllerState::Warning));
        assert_eq!(errors.frames(), 6);
        assert_eq!(errors.with_cause().count(), 0);
    }

    #[test]
    fn close_errors_make_a_burst() {
        let mut errors = BusErrors::default();
        let stuff = error(0x088, 0x0000_0400_0000_0000);
        for ms in [0, 50, 100, 150, 900, 1000, 1010, 1020, 1030, 1040, 1050] {
            errors.frame(Nanos::from_millis(ms), &stuff, ms as u64);
        }
        assert_eq!(errors.count(Cause::Stuff), 11);
        assert_eq!(errors.bursts(), 1);
        let largest = errors.largest_burst().unwrap();
        assert_eq!((largest.from, largest.frames), (Nanos::from_millis(900), 7));
        assert_eq!(largest.good_frames, 150);
    }
}
