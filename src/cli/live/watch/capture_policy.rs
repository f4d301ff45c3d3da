//! What of a watch goes into its capture: everything, or what came before and after something
//! happened.

use std::collections::VecDeque;

use crate::health::OnsetUpdate;
use crate::output::capture::{CaptureWriter, Written};
use crate::output::metrics::CaptureState;
use crate::wire::{Nanos, Record, What};

/// How many times the margin is kept of what goes on without a pause: a fault that lasts for weeks
/// must not fill the disk.
const LONGEST: i64 = 10;

/// Decides which records go into the capture.
pub(super) struct CapturePolicy {
    writer: CaptureWriter,
    on_finding: Option<OnFinding>,
}

/// How much is kept around what happens.
#[derive(Debug, Clone, Copy)]
pub(super) struct Margins {
    pub(super) before: Nanos,
    pub(super) after: Nanos,
    /// The most memory for what came before, in bytes.
    pub(super) memory: usize,
}

struct OnFinding {
    margins: Margins,
    ring: RecordRing,
    /// While records are kept: since when, and until when.
    open: Option<(Nanos, Nanos)>,
    last: Nanos,
    /// How often something happened so far.
    happened: u64,
}

impl CapturePolicy {
    pub(super) fn new(writer: CaptureWriter, margins: Option<Margins>) -> CapturePolicy {
        let on_finding = margins.map(|margins| OnFinding {
            margins,
            ring: RecordRing::default(),
            open: None,
            last: Nanos::ZERO,
            happened: 0,
        });
        CapturePolicy { writer, on_finding }
    }

    pub(super) fn messages(&mut self) -> Vec<String> {
        self.writer.messages()
    }

    pub(super) fn state(&self) -> CaptureState {
        CaptureState {
            bytes: self.writer.bytes(),
            lost_frames: self.writer.lost(),
            failing: self.writer.is_failing(),
        }
    }

    /// Takes the next records.
    pub(super) fn take(&mut self, batch: &[Record]) {
        let Some(kept) = &mut self.on_finding else { return self.writer.send(batch) };
        for record in batch {
            kept.last = record.t;
            if let Some((since, until)) = kept.open {
                let clock_stepped = record.t < since;
                if clock_stepped {
                    kept.open = Some((record.t, record.t.plus(kept.margins.after)));
                } else if record.t > until {
                    self.writer.cut(until.max(since));
                    kept.open = None;
                }
            }
            kept.ring.push(record, &kept.margins);
            // A mark asks for its moment to be kept.
            if matches!(record.what, What::Mark(_)) {
                kept.begin();
            }
            if kept.open.is_some() {
                self.writer.send(&kept.ring.take());
            }
        }
    }

    /// Takes what the findings show after all records so far.
    pub(super) fn update(&mut self, update: &OnsetUpdate) {
        let Some(kept) = &mut self.on_finding else { return };
        if !update.onsets.is_empty() {
            kept.begin();
        } else if update.ongoing {
            kept.go_on();
        }
        if kept.open.is_some() {
            self.writer.send(&kept.ring.take());
        }
    }

    /// How often something happened; `None` where everything is kept.
    pub(super) fn happened(&self) -> Option<u64> {
        self.on_finding.as_ref().map(|kept| kept.happened)
    }

    /// Writes what is left, and the end.
    pub(super) fn finish(self, t: Nanos) -> Written {
        self.writer.finish(t)
    }
}

impl OnFinding {
    fn begin(&mut self) {
        if self.open.is_none() {
            self.happened += 1;
        }
        self.open = Some((self.last, self.last.plus(self.margins.after)));
    }

    fn go_on(&mut self) {
        if let Some((since, until)) = &mut self.open {
            let longest = Nanos(self.margins.after.0.saturating_mul(LONGEST));
            *until = self.last.plus(self.margins.after).min(since.plus(longest)).max(*until);
        }
    }
}

/// The last records, within the margin and the memory.
#[derive(Default)]
struct RecordRing {
    records: VecDeque<Record>,
    bytes: usize,
}

impl RecordRing {
    fn push(&mut self, record: &Record, margins: &Margins) {
        self.bytes += record.memory();
        self.records.push_back(record.clone());
        while let Some(first) = self.records.front()
            && (self.bytes > margins.memory
                || record.t.since(first.t).is_none_or(|span| span > margins.before))
        {
            self.bytes -= first.memory();
            self.records.pop_front();
        }
    }

    /// Everything, in order.
    fn take(&mut self) -> Vec<Record> {
        self.bytes = 0;
        std::mem::take(&mut self.records).into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::health::{Code, Finding, Onset, Severity};
    use crate::output::capture::{Pieces, WriterOptions};
    use crate::source::{ReadOptions, open_reader};
    use crate::wire::{Frame, Header, StandardId};

    const SECOND: i64 = 1_000_000_000;

    fn frame(second: i64) -> Record {
        let data = &second.to_be_bytes();
        let frame = Frame::data(StandardId::new(0x45D).unwrap(), data).unwrap();
        Record { t: Nanos(second * SECOND), what: What::Frame(frame) }
    }

    fn begun() -> OnsetUpdate {
        let finding = Finding {
            code: Code::NodeLeft,
            severity: Severity::Fault,
            mac_id: None,
            count: 1,
            first: None,
            last: None,
            evidence: crate::health::Evidence::NoBitRate,
            explained_by: None,
        };
        OnsetUpdate { onsets: vec![Onset { finding, again: false }], ongoing: false }
    }

    /// The seconds that each piece holds, and whether it is whole.
    fn kept(memory: usize, what_happens: impl Fn(i64) -> OnsetUpdate) -> Vec<(Vec<i64>, bool)> {
        let directory = tempfile::tempdir().unwrap();
        let path = directory.path().join("line3.jsonl");
        let header = Header::starting("2026-03-02T06:30:00Z".parse().unwrap());
        let pieces = Pieces { on_demand: true, ..Pieces::default() };
        let options = WriterOptions { pieces: Some(pieces), ..WriterOptions::default() };
        let writer = CaptureWriter::create(&path, &header, options).unwrap();
        let margins = Margins { before: Nanos(10 * SECOND), after: Nanos(5 * SECOND), memory };
        let mut policy = CapturePolicy::new(writer, Some(margins));
        for second in 0..500 {
            policy.take(&[frame(second)]);
            policy.update(&what_happens(second));
        }
        let written = policy.finish(Nanos(500 * SECOND));
        assert_eq!(written.messages, [""; 0]);
        let mut files: Vec<_> =
            std::fs::read_dir(directory.path()).unwrap().map(|e| e.unwrap().path()).collect();
        files.sort();
        files.iter().map(|file| seconds(file, &header)).collect()
    }

    fn seconds(file: &std::path::Path, whole: &Header) -> (Vec<i64>, bool) {
        let mut reader = open_reader(file, &ReadOptions::default()).unwrap();
        let begins = reader.header().started.duration_since(whole.started).as_secs();
        let mut records = Vec::new();
        while reader.read(&mut records).unwrap() {}
        let end = records.pop().unwrap();
        let seconds: Vec<i64> = records.iter().map(|r| r.t.0 / SECOND + begins).collect();
        let frames = seconds.len() as u64;
        (seconds, matches!(end.what, What::End(tally) if tally.frames == frames))
    }

    fn span(seconds: std::ops::RangeInclusive<i64>) -> (Vec<i64>, bool) {
        (seconds.collect(), true)
    }

    #[test]
    fn what_came_before_and_after_is_kept() {
        let nothing = OnsetUpdate::default;
        assert_eq!(kept(1 << 20, |_| nothing()), []);
        let at = |seconds: &'static [i64]| {
            move |s| if seconds.contains(&s) { begun() } else { nothing() }
        };
        assert_eq!(kept(1 << 20, at(&[100])), [span(90..=105)]);
        // What overlaps is one; at the beginning and the end there is less.
        let pieces = kept(1 << 20, at(&[3, 100, 104, 200, 498]));
        assert_eq!(pieces, [span(0..=8), span(90..=109), span(190..=205), span(488..=499)]);
        // Close after the last, before the margin is over again: nothing stands twice.
        assert_eq!(kept(1 << 20, at(&[100, 109])), [span(90..=105), span(106..=114)]);
    }

    #[test]
    fn memory_is_bounded_and_so_is_what_goes_on_for_ever() {
        let at = |s| if s == 100 { begun() } else { OnsetUpdate::default() };
        assert_eq!(kept(4 * size_of::<Record>(), at), [span(97..=105)]);
        let on = |s| match s {
            100 => begun(),
            101.. => OnsetUpdate { onsets: vec![], ongoing: true },
            _ => OnsetUpdate::default(),
        };
        assert_eq!(kept(1 << 20, on), [span(90..=150)]);
    }
}
