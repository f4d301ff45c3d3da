//! What happened, one line each: for the view's log, and as plain lines where there is no view.

use std::collections::VecDeque;

use super::theme::Grade;
use super::words::{clock, number, printable};
use crate::fieldbus::MacId;
use crate::trunk::Event;
use crate::wire::{ControllerState, Nanos, Record, What};

/// Errors with no longer gap than this are one line.
const ERROR_GAP: Nanos = Nanos::SECOND;

/// One line of the log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
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
    lines: VecDeque<Line>,
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
                    let causes: Vec<String> =
                        error.causes().iter().map(|cause| cause.to_string()).collect();
                    let text = format!("errors on the wire: {}", causes.join(", "));
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
            | Event::AddressClash(_)
            | Event::Controller(ControllerState::BusOff) => Grade::Fault,
            Event::NodeReturned { .. }
            | Event::NodeRestarted(_)
            | Event::Controller(ControllerState::Warning | ControllerState::Passive)
            | Event::ControllerRestarted
            | Event::FramesLost(_) => Grade::Warning,
            Event::NodeAppeared(_)
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
        if self.lines.len() == Log::KEPT {
            self.lines.pop_front();
        }
        self.lines.push_back(Line { t, grade, mac_id, text });
    }

    /// The lines since it was last asked, the latest [`Log::KEPT`] at most.
    pub fn take(&mut self) -> VecDeque<Line> {
        std::mem::take(&mut self.lines)
    }

    /// Whether there are lines to take.
    pub fn has_lines(&self) -> bool {
        !self.lines.is_empty()
    }
}

impl std::fmt::Display for Line {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:>9}  ", clock(self.t))?;
        if let Some(mac_id) = self.mac_id {
            write!(f, "node {mac_id} ")?;
        }
        f.write_str(&self.text)
    }
}

/// The latest lines, in bounded memory.
#[derive(Debug, Clone, Default)]
pub struct Log {
    lines: VecDeque<Line>,
}

impl Log {
    /// How many lines are kept.
    pub const KEPT: usize = 2_000;

    /// Adds lines.
    pub fn extend(&mut self, lines: impl IntoIterator<Item = Line>) {
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
    pub fn lines(&self) -> impl DoubleEndedIterator<Item = &Line> + ExactSizeIterator {
        self.lines.iter()
    }
}
