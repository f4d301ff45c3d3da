//! Scans as they went over the wire, frame by frame: a typical one and the longest.
//!
//! Not part of the trunk's state: only who draws a scan keeps its frames.

use super::statistics::Distribution;
use crate::fieldbus::{IdentifierInfo, MacId, MacIdSet, Role};
use crate::wire::{Bitrate, Frame, Id, Nanos, Record, What};

/// Who sent a frame of a scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScanSender {
    /// The master, with I/O or its acknowledge.
    Master,
    /// A node, with I/O.
    Node,
    /// Anybody, with anything else.
    Other,
}

/// One frame of a scan.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ScannedFrame {
    /// The node that sent it or that it is for; `None` for the bit-strobe command.
    pub node: Option<MacId>,
    /// Who sent it.
    pub sender: ScanSender,
    /// When it began, from the start of the scan; by its length, since its end is what was heard.
    pub begin: Nanos,
    /// When it ended.
    pub end: Nanos,
}

/// One scan: from the master's first command to its next one to the same node.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MeasuredScan {
    /// When it began.
    pub start: Nanos,
    /// Its frames, in their order.
    pub frames: Vec<ScannedFrame>,
    /// How many more frames it had.
    pub frames_left_out: u64,
    /// When error frames came, from its start; the first [`MeasuredScan::FRAMES`] of them.
    pub errors: Vec<Nanos>,
    /// Until the last command or answer.
    pub busy: Nanos,
    /// Until the next scan began.
    pub period: Nanos,
}

impl MeasuredScan {
    /// So many frames of a scan are kept.
    pub const FRAMES: usize = 512;
}

/// Takes records, and keeps a typical scan and the longest one in bounded memory.
#[derive(Debug, Clone)]
pub struct ScanRecorder {
    bitrate: Bitrate,
    open: Option<MeasuredScan>,
    /// The nodes that the master has asked in the open scan.
    asked: MacIdSet,
    strobed: bool,
    busy: Distribution,
    /// Scans from all over the time, every so manieth.
    samples: Vec<MeasuredScan>,
    stride: u64,
    longest: Option<MeasuredScan>,
    last: Nanos,
}

impl ScanRecorder {
    /// So many scans are kept of which one may be the typical one.
    const SAMPLES: usize = 64;

    /// Without a bit rate nobody can tell when a frame began.
    pub fn new(bitrate: Bitrate) -> ScanRecorder {
        ScanRecorder {
            bitrate,
            open: None,
            asked: MacIdSet::default(),
            strobed: false,
            busy: Distribution::default(),
            samples: Vec::new(),
            stride: 1,
            longest: None,
            last: Nanos(i64::MIN),
        }
    }

    /// Takes the next record.
    pub fn take(&mut self, record: &Record) {
        let t = record.t;
        if t < self.last {
            self.give_up();
        }
        self.last = t;
        match &record.what {
            What::Frame(frame) => self.frame(t, frame),
            What::Error(error) if error.destroyed_a_frame() => {
                if let Some(scan) = &mut self.open
                    && scan.errors.len() < MeasuredScan::FRAMES
                {
                    scan.errors.extend(t.since(scan.start));
                }
            }
            // A scan with a hole in it is neither typical nor the longest.
            What::Lost(_) | What::LinkDown(_) | What::LinkUp => self.give_up(),
            What::Error(_) | What::Mark(_) | What::End(_) => {}
        }
    }

    fn give_up(&mut self) {
        self.open = None;
        self.asked = MacIdSet::default();
        self.strobed = false;
    }

    fn frame(&mut self, t: Nanos, frame: &Frame) {
        let Id::Standard(id) = frame.id() else { return };
        let info = IdentifierInfo::from_id(id);
        let begin = Nanos(t.0.saturating_sub(self.bitrate.duration(frame.wire_bits()).0));
        let again = match (info.role, info.destination) {
            (Role::PollCommand, Some(mac_id)) => self.asked.contains(mac_id),
            (Role::StrobeCommand, _) => self.strobed,
            _ => false,
        };
        let asks = matches!(info.role, Role::PollCommand | Role::StrobeCommand);
        if again {
            self.close(begin);
        }
        if asks && self.open.is_none() {
            self.asked = MacIdSet::default();
            self.strobed = false;
            self.open = Some(MeasuredScan {
                start: begin,
                frames: Vec::new(),
                frames_left_out: 0,
                errors: Vec::new(),
                busy: Nanos::ZERO,
                period: Nanos::ZERO,
            });
        }
        match (info.role, info.destination) {
            (Role::PollCommand, Some(mac_id)) => {
                self.asked.insert(mac_id);
            }
            (Role::StrobeCommand, _) => self.strobed = true,
            _ => {}
        }
        let Some(scan) = &mut self.open else { return };
        let after = |t: Nanos| t.since(scan.start).unwrap_or(Nanos::ZERO);
        let (begin, end) = (after(begin), after(t));
        let (sender, counts) = match info.role {
            Role::PollCommand | Role::StrobeCommand | Role::MulticastPollCommand => {
                (ScanSender::Master, true)
            }
            Role::PollResponse | Role::StrobeResponse | Role::MulticastPollResponse => {
                (ScanSender::Node, true)
            }
            Role::ChangeOfStateAcknowledge => (ScanSender::Master, false),
            Role::ChangeOfState => (ScanSender::Node, false),
            _ => (ScanSender::Other, false),
        };
        if counts {
            scan.busy = scan.busy.max(end);
        }
        if scan.frames.len() == MeasuredScan::FRAMES {
            scan.frames_left_out += 1;
            return;
        }
        let named = info.source.filter(|_| info.role != Role::StrobeCommand);
        let node = named.or(info.destination);
        scan.frames.push(ScannedFrame { node, sender, begin, end });
    }

    /// The next scan begins here.
    fn close(&mut self, next: Nanos) {
        let Some(mut scan) = self.open.take() else { return };
        scan.period = next.since(scan.start).unwrap_or(Nanos::ZERO);
        if self.busy.count().is_multiple_of(self.stride) {
            if self.samples.len() == Self::SAMPLES {
                let mut index = 0;
                self.samples.retain(|_| {
                    index += 1;
                    index % 2 == 1
                });
                self.stride *= 2;
            }
            self.samples.push(scan.clone());
        }
        self.busy.record(scan.busy);
        if self.longest.as_ref().is_none_or(|longest| scan.busy > longest.busy) {
            self.longest = Some(scan);
        }
    }

    /// How many whole scans there were.
    pub fn count(&self) -> u64 {
        self.busy.count()
    }

    /// Of the scans that were kept, the one whose length is nearest to the median of all.
    pub fn typical(&self) -> Option<&MeasuredScan> {
        let median = self.busy.quantile(0.5)?;
        self.samples.iter().min_by_key(|scan| scan.busy.0.abs_diff(median.0))
    }

    /// The scan that took longest until its last command or answer.
    pub fn longest(&self) -> Option<&MeasuredScan> {
        self.longest.as_ref()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::StandardId;

    const POLL_5: u16 = 0x42D;
    const POLL_9: u16 = 0x44D;
    const ANSWER_5: u16 = 0x3C5;
    const ANSWER_9: u16 = 0x3C9;

    fn recorder() -> ScanRecorder {
        ScanRecorder::new(Bitrate::new(125_000).unwrap())
    }

    fn hear(recorder: &mut ScanRecorder, us: i64, id: u16) {
        let frame = Frame::data(StandardId::new(id).unwrap(), &[1, 2]).unwrap();
        recorder.take(&Record { t: Nanos::from_micros(us), what: What::Frame(frame) });
    }

    /// Scans of two nodes every 20 ms; the second answers after this many microseconds.
    fn scans(answers: &[i64]) -> ScanRecorder {
        let mut recorder = recorder();
        for (index, answer) in answers.iter().enumerate() {
            let start = 20_000 * (index as i64 + 1);
            for (after, id) in
                [(0, POLL_5), (1_000, ANSWER_5), (2_000, POLL_9), (2_000 + answer, ANSWER_9)]
            {
                hear(&mut recorder, start + after, id);
            }
        }
        recorder
    }

    #[test]
    fn the_typical_and_the_longest_scan_are_kept() {
        let recorder = scans(&[1_000, 900, 1_100, 1_000, 9_000, 1_000, 1_000]);
        // The last one is not over.
        assert_eq!(recorder.count(), 6);
        let (typical, longest) = (recorder.typical().unwrap(), recorder.longest().unwrap());
        assert_eq!((typical.frames.len(), longest.frames.len()), (4, 4));
        assert_eq!(typical.period, Nanos::from_millis(20));
        assert_eq!(longest.busy.0 - typical.busy.0, 8_000_000);
        let senders: Vec<ScanSender> = typical.frames.iter().map(|frame| frame.sender).collect();
        let (master, node) = (ScanSender::Master, ScanSender::Node);
        assert_eq!(senders, [master, node, master, node]);
        let first = typical.frames[0];
        assert_eq!(first.begin, Nanos::ZERO);
        let bits = Frame::data(StandardId::new(POLL_5).unwrap(), &[1, 2]).unwrap().wire_bits();
        assert_eq!(first.end, Bitrate::new(125_000).unwrap().duration(bits));
    }

    #[test]
    fn a_scan_with_a_hole_in_it_does_not_count() {
        let mut recorder = scans(&[1_000, 1_000]);
        recorder.take(&Record { t: Nanos::from_millis(50), what: What::Lost(3) });
        hear(&mut recorder, 60_000, POLL_5);
        hear(&mut recorder, 400_000, POLL_5);
        assert_eq!(recorder.count(), 2);
        // The clock steps back.
        hear(&mut recorder, 1_000, POLL_5);
        assert_eq!(recorder.count(), 2);
    }

    #[test]
    fn memory_has_a_bound() {
        let mut recorder = scans(&[1_000; 10_000]);
        assert_eq!(recorder.count(), 9_999);
        assert!(recorder.samples.len() <= ScanRecorder::SAMPLES);
        assert!(recorder.samples.last().unwrap().start > Nanos::from_millis(190_000));
        for n in 0..2_000 {
            hear(&mut recorder, 300_000_000 + n, ANSWER_5);
        }
        hear(&mut recorder, 400_000_000, POLL_5);
        assert_eq!(recorder.longest().unwrap().frames.len(), MeasuredScan::FRAMES);
        assert!(recorder.longest().unwrap().frames_left_out > 1_000);
    }
}
