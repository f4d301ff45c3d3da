//! What happened on the trunk, line by line, in bounded memory.

use std::collections::VecDeque;

use crate::fieldbus::MacId;
use crate::trunk::Event;
use crate::wire::Nanos;

/// The first and the latest events, and the notes of the person who watched.
#[derive(Debug, Clone, Default)]
pub struct Log {
    first: Vec<Line>,
    latest: VecDeque<Line>,
    left_out: u64,
    marks: usize,
    marks_left_out: u64,
}

/// One line of the log.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Line {
    pub(super) t: Nanos,
    pub(super) what: What,
}

/// What a line tells.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum What {
    /// Nodes heard for the first time, shortly after one another.
    Appeared(Vec<MacId>),
    /// Any other change.
    Event(Event),
    /// A note by the person who watched.
    Mark(Box<str>),
}

impl Log {
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
            return self.add(Line { t, what: What::Event(event.clone()) });
        };
        let last = self.latest.back_mut().or(self.first.last_mut());
        if let Some(Line { t: first, what: What::Appeared(nodes) }) = last
            && t.since(*first).is_some_and(|span| span <= Self::TOGETHER)
        {
            nodes.push(mac_id);
            return;
        }
        self.add(Line { t, what: What::Appeared(vec![mac_id]) });
    }

    /// A note by the person who watched.
    pub fn mark(&mut self, t: Nanos, text: &str) {
        if self.marks == Self::MARKS {
            self.marks_left_out += 1;
            return;
        }
        self.marks += 1;
        self.add(Line { t, what: What::Mark(text.into()) });
    }

    fn add(&mut self, line: Line) {
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
    pub(super) fn lines(&self) -> impl ExactSizeIterator<Item = &Line> + Clone {
        // A count of both is known, but a chain of two iterators does not tell it.
        (0..self.first.len() + self.latest.len()).map(|at| match self.first.get(at) {
            Some(line) => line,
            None => &self.latest[at - self.first.len()],
        })
    }

    /// How many events between the first and the latest lines were left out.
    pub(super) fn left_out(&self) -> u64 {
        self.left_out
    }

    /// How many notes were left out.
    pub(super) fn marks_left_out(&self) -> u64 {
        self.marks_left_out
    }
}

impl Line {
    fn is_mark(&self) -> bool {
        matches!(self.what, What::Mark(_))
    }

    /// The line in words.
    pub(super) fn words(&self) -> String {
        match &self.what {
            What::Appeared(nodes) => match &nodes[..] {
                [one] => Event::NodeAppeared(*one).to_string(),
                more => {
                    let mut nodes = more.to_vec();
                    nodes.sort_unstable();
                    let nodes: Vec<String> = nodes.iter().map(MacId::to_string).collect();
                    format!("nodes {} heard for the first time", nodes.join(", "))
                }
            },
            What::Event(event) => event.to_string(),
            What::Mark(text) => {
                text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
            }
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
        let mut log = Log::default();
        for (ms, address) in [(0, 1), (10, 5), (900, 12), (5000, 40)] {
            log.event(Nanos::from_millis(ms), &Event::NodeAppeared(node(address)));
        }
        let words: Vec<String> = log.lines().map(Line::words).collect();
        assert_eq!(
            words,
            ["nodes 1, 5, 12 heard for the first time", "node 40 heard for the first time"]
        );
    }

    #[test]
    fn a_long_watch_keeps_its_ends_and_the_notes() {
        let mut log = Log::default();
        for second in 0..10_000 {
            let t = Nanos::from_millis(second * 1000);
            log.event(t, &Event::NodeLeft(node(12)));
            if second % 100 == 50 {
                log.mark(t, "looked at the plug");
            }
        }
        let lines: Vec<&Line> = log.lines().collect();
        assert!(lines.len() <= Log::FIRST + Log::LATEST + Log::MARKS);
        assert_eq!(lines[0].t, Nanos::ZERO);
        assert_eq!(lines.last().unwrap().t, Nanos::from_millis(9_999_000));
        assert!(lines.is_sorted_by_key(|line| line.t));
        let marks = lines.iter().filter(|line| line.is_mark()).count();
        assert_eq!((marks, log.marks_left_out()), (Log::MARKS, 40));
        let events = (lines.len() - marks) as u64;
        assert_eq!(events + log.left_out(), 10_000);
    }
}
