//! When each drive ran, and how many errors there were meanwhile.

use crate::fieldbus::{Identifier, MacId, Role};
use crate::trunk::{Origin, Trunk};
use crate::wire::{Frame, Id, Nanos, Record, What};

/// Follows what drives say of themselves.
#[derive(Debug, Clone)]
pub struct Running {
    drives: Box<[Option<Drive>; MacId::COUNT]>,
    errors: u64,
}

/// One drive.
#[derive(Debug, Clone, Default)]
pub(super) struct Drive {
    /// That it is one, and how its bytes are to be read, was inferred from the traffic.
    pub(super) guessed: bool,
    /// When it ran, the first [`Running::SPANS`] times.
    pub(super) spans: Vec<(Nanos, Nanos)>,
    /// Later times that are in the sums alone.
    pub(super) spans_left_out: u64,
    /// Running, then standing.
    pub(super) sums: [Sum; 2],
    last: Option<Told>,
    ran_until: Option<Nanos>,
}

/// What happened while a drive ran, or stood.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Sum {
    /// How long.
    pub(super) time: Nanos,
    /// Frames that were destroyed on the wire meanwhile.
    pub(super) errors: u64,
}

/// What a drive last told.
#[derive(Debug, Clone, Copy)]
struct Told {
    t: Nanos,
    running: bool,
    /// Errors on the trunk so far.
    errors: u64,
}

impl Default for Running {
    fn default() -> Running {
        Running { drives: Box::new(std::array::from_fn(|_| None)), errors: 0 }
    }
}

impl Running {
    /// So many times of running are kept of each drive.
    pub const SPANS: usize = 200;

    /// What a drive told holds no longer than this: it may have left.
    const STALE: Nanos = Nanos::SECOND;

    /// The next record; `trunk` has taken it already.
    pub fn take(&mut self, record: &Record, trunk: &Trunk) {
        match &record.what {
            What::Frame(frame) => self.frame(record.t, frame, trunk),
            What::Error(frame) => self.errors += u64::from(frame.destroyed_a_frame()),
            What::Lost(1..) | What::LinkDown(_) => {
                for drive in self.drives.iter_mut().flatten() {
                    drive.last = None;
                }
            }
            _ => {}
        }
    }

    fn frame(&mut self, t: Nanos, frame: &Frame, trunk: &Trunk) {
        let Id::Standard(id) = frame.id() else { return };
        let id = Identifier::from(id);
        let (Some(mac_id), Role::PollResponse) = (id.source(), id.role()) else { return };
        let drive = &trunk.node(mac_id).drive;
        let (Some(input), Some(status)) = (drive.input, drive.status()) else { return };
        let drive = self.drives[mac_id.index()].get_or_insert_default();
        drive.guessed = input.origin == Origin::Inferred;
        drive.told(Told { t, running: status.running(), errors: self.errors });
    }

    /// The drives that told whether they run, by address.
    pub(super) fn drives(&self) -> impl Iterator<Item = (MacId, &Drive)> {
        MacId::all()
            .zip(self.drives.iter())
            .filter_map(|(mac_id, drive)| Some((mac_id, drive.as_ref()?)))
    }
}

impl Drive {
    fn told(&mut self, now: Told) {
        let before = self.last.replace(now);
        let Some(before) = before else { return };
        let Some(span) = now.t.since(before.t).filter(|&span| span <= Running::STALE) else {
            return;
        };
        let sum = &mut self.sums[usize::from(!before.running)];
        sum.time = sum.time.plus(span);
        sum.errors += now.errors - before.errors;
        if before.running {
            self.ran(before.t, now.t);
        }
    }

    fn ran(&mut self, from: Nanos, to: Nanos) {
        let goes_on = self.ran_until.replace(to) == Some(from);
        if let Some(last) = self.spans.last_mut().filter(|last| last.1 == from) {
            last.1 = to;
        } else if !goes_on && self.spans.len() < Running::SPANS {
            self.spans.push((from, to));
        } else if !goes_on {
            self.spans_left_out += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(drive: &mut Drive, ms: i64, running: bool, errors: u64) {
        drive.told(Told { t: Nanos::from_millis(ms), running, errors });
    }

    #[test]
    fn running_and_standing_are_summed_apart() {
        let mut drive = Drive::default();
        for (ms, running, errors) in
            [(0, false, 0), (20, false, 1), (40, true, 1), (60, true, 4), (80, false, 5)]
        {
            told(&mut drive, ms, running, errors);
        }
        assert_eq!(drive.spans, [(Nanos::from_millis(40), Nanos::from_millis(80))]);
        assert_eq!(drive.sums[0], Sum { time: Nanos::from_millis(40), errors: 4 });
        assert_eq!(drive.sums[1], Sum { time: Nanos::from_millis(40), errors: 1 });
    }

    #[test]
    fn of_a_drive_that_left_nobody_knows_whether_it_ran() {
        let mut drive = Drive::default();
        told(&mut drive, 0, true, 0);
        told(&mut drive, 20, true, 0);
        told(&mut drive, 5000, true, 9);
        assert_eq!(drive.spans, [(Nanos::ZERO, Nanos::from_millis(20))]);
        assert_eq!(drive.sums[0].errors, 0);
    }

    #[test]
    fn a_drive_that_starts_and_stops_for_days_takes_no_more_memory() {
        let mut drive = Drive::default();
        for step in 0..10_000 {
            told(&mut drive, step * 20, step % 2 == 0, 0);
        }
        assert_eq!(drive.spans.len(), Running::SPANS);
        assert_eq!(drive.spans.len() as u64 + drive.spans_left_out, 5000);
    }
}
