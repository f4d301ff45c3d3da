//! What happened on the trunk, line by line, in bounded memory: [`Narrator`] words every record
//! and event as it comes, for the view and where there is no view; [`EventDigest`] keeps the
//! beginning and the end of a whole capture, for the report.

use std::collections::VecDeque;

use crate::fieldbus::MacId;
use crate::health::Severity;
use crate::trunk::Event;
use crate::wire::{ControllerState, Nanos, Record, What};
use crate::words::numbers::{clock, number};
use crate::words::{called, printable};

/// How something is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Grade {
    /// As it should be.
    Well,
    /// Worth knowing, or not known.
    Plain,
    /// Wants a look.
    Warning,
    /// Does not work.
    Fault,
}

impl From<Severity> for Grade {
    fn from(severity: Severity) -> Grade {
        match severity {
            Severity::Note => Grade::Plain,
            Severity::Warning => Grade::Warning,
            Severity::Fault => Grade::Fault,
        }
    }
}

/// Errors with no longer gap than this are one line.
const ERROR_GAP: Nanos = Nanos::SECOND;

/// One line of the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LogLine {
    /// When.
    pub t: Nanos,
    /// How grave.
    pub grade: Grade,
    /// About which node.
    pub mac_id: Option<MacId>,
    /// What.
    pub text: String,
}

/// Turns records and the events that they cause into lines.
#[derive(Debug, Clone, Default)]
pub struct Narrator {
    lines: VecDeque<LogLine>,
    last_error: Option<Nanos>,
    errors: u64,
}

impl Narrator {
    /// A record went into the analysis: what no event tells of it.
    pub fn record(&mut self, record: &Record) {
        let t = record.t;
        match &record.what {
            What::Mark(note) => {
                self.push(t, Grade::Plain, None, format!("mark: {}", printable(note)));
            }
            What::Error(error) if !error.causes().is_empty() => {
                let goes_on = self
                    .last_error
                    .is_some_and(|last| t.since(last).is_none_or(|gap| gap <= ERROR_GAP));
                self.last_error = Some(t);
                self.errors += 1;
                if !goes_on {
                    self.errors = 1;
                    let kind = error.causes().kind().map_or(String::new(), |kind| kind.to_string());
                    let text = format!("errors on the wire begin: {kind}");
                    self.push(t, Grade::Warning, None, text);
                }
            }
            What::LinkDown(why) => {
                let why = why.as_ref().map_or(String::new(), |why| format!(": {}", printable(why)));
                let text = format!("{}{why}", Event::LinkDown.words());
                self.push(t, Grade::Warning, None, text);
            }
            What::End(_) => self.push(t, Grade::Plain, None, "the capture ends here".into()),
            _ => {}
        }
        let quiet = self
            .last_error
            .is_some_and(|last| record.t.since(last).is_some_and(|gap| gap > ERROR_GAP));
        if quiet && self.errors > 1 {
            let text = format!("errors stopped after {}", number(self.errors, "error frame"));
            self.push(record.t, Grade::Plain, None, text);
            self.errors = 0;
        }
    }

    /// An event that the analysis told.
    pub fn event(&mut self, t: Nanos, event: Event) {
        let grade = match &event {
            Event::NodeLeft(_)
            | Event::DriveNotFollowing(_)
            | Event::DriveFaulted(_)
            | Event::AddressClash(_)
            | Event::Controller(ControllerState::BusOff) => Grade::Fault,
            Event::NodeReturned { .. }
            | Event::NodeRestarted(_)
            | Event::ConnectionTimedOut(_)
            | Event::IoResized { .. }
            | Event::MasterIdle
            | Event::Controller(ControllerState::Warning | ControllerState::Passive)
            | Event::ControllerRestarted
            | Event::FramesLost(_) => Grade::Warning,
            Event::NodeAppeared(_)
            | Event::DriveFollows(_)
            | Event::DriveFaultOver(_)
            | Event::MasterRuns
            | Event::DeviceReplaced { .. }
            | Event::Controller(ControllerState::Active)
            | Event::LinkUp
            | Event::ClockStepped(_) => Grade::Plain,
            // The record tells, and says why.
            Event::LinkDown => return,
        };
        self.push(t, grade, event.mac_id(), event.words());
    }

    /// Something that the program has to say.
    pub fn message(&mut self, t: Nanos, text: &str) {
        self.push(t, Grade::Plain, None, printable(text));
    }

    fn push(&mut self, t: Nanos, grade: Grade, mac_id: Option<MacId>, text: String) {
        if self.lines.len() == LatestLines::KEPT {
            self.lines.pop_front();
        }
        self.lines.push_back(LogLine { t, grade, mac_id, text });
    }

    /// The lines since it was last asked, the latest [`LatestLines::KEPT`] at most.
    pub fn take(&mut self) -> VecDeque<LogLine> {
        std::mem::take(&mut self.lines)
    }

    /// Whether there are lines to take.
    pub fn has_lines(&self) -> bool {
        !self.lines.is_empty()
    }
}

impl LogLine {
    /// What happened, to whom; `name` is what the node is called.
    pub fn words(&self, name: Option<&str>) -> String {
        match self.mac_id {
            Some(mac_id) => format!("node {} {}", called(mac_id, name), self.text),
            None => self.text.clone(),
        }
    }

    /// The same after its time.
    pub fn line(&self, name: Option<&str>) -> String {
        format!("{:>9}  {}", clock(self.t), self.words(name))
    }
}

/// The latest lines, in bounded memory.
#[derive(Debug, Clone, Default)]
pub struct LatestLines {
    lines: VecDeque<LogLine>,
}

impl LatestLines {
    /// How many lines are kept.
    pub const KEPT: usize = 2_000;

    /// Adds lines.
    pub fn extend(&mut self, lines: impl IntoIterator<Item = LogLine>) {
        for line in lines {
            if self.lines.len() == Self::KEPT {
                self.lines.pop_front();
            }
            self.lines.push_back(line);
        }
    }

    /// Forgets all lines.
    pub fn clear(&mut self) {
        self.lines.clear();
    }

    /// The lines, oldest first.
    pub fn lines(&self) -> impl DoubleEndedIterator<Item = &LogLine> + ExactSizeIterator {
        self.lines.iter()
    }
}

/// The first and the latest events, and the notes of the person who watched.
#[derive(Debug, Clone, Default)]
pub struct EventDigest {
    first: Vec<DigestLine>,
    latest: VecDeque<DigestLine>,
    left_out: u64,
    marks: usize,
    marks_left_out: u64,
}

/// One line of the log.
#[derive(Debug, Clone, PartialEq)]
pub struct DigestLine {
    /// When.
    pub t: Nanos,
    /// What.
    pub what: Happening,
}

/// Happening a line tells.
#[derive(Debug, Clone, PartialEq)]
pub enum Happening {
    /// Nodes heard for the first time, shortly after one another.
    Appeared(Vec<MacId>),
    /// Any other change.
    Event(Event),
    /// A note by the person who watched.
    Mark(Box<str>),
}

impl EventDigest {
    /// So many lines are kept from the beginning.
    pub const FIRST: usize = 60;
    /// So many are kept from the end.
    pub const LATEST: usize = 60;
    /// So many notes are kept, wherever they stand.
    pub const MARKS: usize = 60;

    /// Nodes that appear within this time of one another share a line.
    const TOGETHER: Nanos = Nanos::SECOND;

    /// Something changed.
    pub fn event(&mut self, t: Nanos, event: &Event) {
        let Event::NodeAppeared(mac_id) = *event else {
            return self.add(DigestLine { t, what: Happening::Event(event.clone()) });
        };
        let last = self.latest.back_mut().or(self.first.last_mut());
        if let Some(DigestLine { t: first, what: Happening::Appeared(nodes) }) = last
            && t.since(*first).is_some_and(|span| span <= Self::TOGETHER)
        {
            nodes.push(mac_id);
            return;
        }
        self.add(DigestLine { t, what: Happening::Appeared(vec![mac_id]) });
    }

    /// A note by the person who watched.
    pub fn mark(&mut self, t: Nanos, text: &str) {
        if self.marks == Self::MARKS {
            self.marks_left_out += 1;
            return;
        }
        self.marks += 1;
        self.add(DigestLine { t, what: Happening::Mark(text.into()) });
    }

    fn add(&mut self, line: DigestLine) {
        if self.first.len() < Self::FIRST {
            return self.first.push(line);
        }
        self.latest.push_back(line);
        let events = self.latest.iter().filter(|line| !line.is_mark()).count();
        // Notes stay: somebody thought them worth writing.
        if events > Self::LATEST
            && let Some(oldest) = self.latest.iter().position(|line| !line.is_mark())
        {
            self.latest.remove(oldest);
            self.left_out += 1;
        }
    }

    /// The lines that were kept, in the order of their records.
    pub fn lines(&self) -> impl ExactSizeIterator<Item = &DigestLine> + Clone {
        // A count of both is known, but a chain of two iterators does not tell it.
        (0..self.first.len() + self.latest.len()).map(|at| match self.first.get(at) {
            Some(line) => line,
            None => &self.latest[at - self.first.len()],
        })
    }

    /// How many events between the first and the latest lines were left out.
    pub fn left_out(&self) -> u64 {
        self.left_out
    }

    /// How many notes were left out.
    pub fn marks_left_out(&self) -> u64 {
        self.marks_left_out
    }
}

impl DigestLine {
    fn is_mark(&self) -> bool {
        matches!(self.what, Happening::Mark(_))
    }

    /// The line in words; `name` says what a node is called.
    pub fn words<'a>(&self, name: impl Fn(MacId) -> Option<&'a str>) -> String {
        match &self.what {
            Happening::Appeared(nodes) => match &nodes[..] {
                [one] => Event::NodeAppeared(*one).line(name(*one)),
                more => {
                    let mut nodes = more.to_vec();
                    nodes.sort_unstable();
                    let nodes: Vec<String> = nodes.iter().map(MacId::to_string).collect();
                    format!("nodes {} heard for the first time", nodes.join(", "))
                }
            },
            Happening::Event(event) => event.line(event.mac_id().and_then(name)),
            Happening::Mark(text) => printable(text),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn node(address: u8) -> MacId {
        MacId::new(address).unwrap()
    }

    #[test]
    fn nodes_that_appear_together_share_a_line() {
        let mut log = EventDigest::default();
        for (ms, address) in [(0, 1), (10, 5), (900, 12), (5000, 40)] {
            log.event(Nanos::from_millis(ms), &Event::NodeAppeared(node(address)));
        }
        let words: Vec<String> = log.lines().map(|line| line.words(|_| None)).collect();
        assert_eq!(
            words,
            ["nodes 1, 5, 12 heard for the first time", "node 40 heard for the first time"]
        );
    }

    #[test]
    fn a_long_watch_keeps_its_ends_and_the_notes() {
        let mut log = EventDigest::default();
        for second in 0..10_000 {
            let t = Nanos::from_millis(second * 1000);
            log.event(t, &Event::NodeLeft(node(12)));
            if second % 100 == 50 {
                log.mark(t, "looked at the plug");
            }
        }
        let lines: Vec<&DigestLine> = log.lines().collect();
        assert!(lines.len() <= EventDigest::FIRST + EventDigest::LATEST + EventDigest::MARKS);
        assert_eq!(lines[0].t, Nanos::ZERO);
        assert_eq!(lines.last().unwrap().t, Nanos::from_millis(9_999_000));
        assert!(lines.is_sorted_by_key(|line| line.t));
        let marks = lines.iter().filter(|line| line.is_mark()).count();
        assert_eq!((marks, log.marks_left_out()), (EventDigest::MARKS, 40));
        let events = (lines.len() - marks) as u64;
        assert_eq!(events + log.left_out(), 10_000);
    }
}
