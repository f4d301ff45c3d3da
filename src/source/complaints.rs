//! What is wrong with a file, told to a person: ten lines at most, then how many more.

use std::fmt::Display;

/// How many complaints about one file are told in full.
const TOLD_IN_FULL: u64 = 10;

/// The longest message, in characters: a broken file may hold a line of a million.
const LONGEST: usize = 300;

/// Collects complaints about one file until somebody takes them to show.
#[derive(Debug)]
pub struct Complaints {
    name: String,
    count: u64,
    waiting: Vec<String>,
}

impl Complaints {
    /// About the file of this name.
    pub fn about(name: impl Display) -> Complaints {
        Complaints { name: name.to_string(), count: 0, waiting: Vec::new() }
    }

    /// Counts one; only the first ten cost more than that.
    pub fn add(&mut self, place: impl Display, what: impl Display) {
        self.say(format_args!("{place}: {what}"));
    }

    /// Counts one about the whole of it.
    pub fn say(&mut self, what: impl Display) {
        self.count += 1;
        if self.count <= TOLD_IN_FULL {
            self.waiting.push(one_line(&format!("{}: {what}", self.name)));
        }
    }

    /// A remark that is no complaint, and so not counted.
    pub fn note(&mut self, what: impl Display) {
        self.waiting.push(one_line(&format!("{}: {what}", self.name)));
    }

    /// There will be no more: says how many were not told.
    pub fn close(&mut self) {
        if self.count > TOLD_IN_FULL {
            let more = self.count - TOLD_IN_FULL;
            self.waiting.push(format!("{}: and {more} more like these", self.name));
            self.count = 0;
        }
    }

    /// What has not been shown yet.
    pub fn take(&mut self) -> Vec<String> {
        std::mem::take(&mut self.waiting)
    }
}

/// The text with nothing in it that would break the line or steer the terminal, and not longer
/// than a person reads: what a file holds is shown in messages.
pub fn one_line(text: &str) -> String {
    let mut line: String = text
        .chars()
        .take(LONGEST)
        .map(|c| if c.is_control() { char::REPLACEMENT_CHARACTER } else { c })
        .collect();
    if text.chars().nth(LONGEST).is_some() {
        line.push('…');
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_are_told_and_the_rest_counted() {
        let mut complaints = Complaints::about("a.jsonl");
        for line in 1..=25 {
            complaints.add(format_args!("line {line}"), "id: missing");
        }
        complaints.close();
        complaints.close();
        let told = complaints.take();
        assert_eq!(told.len(), 11);
        assert_eq!(told[0], "a.jsonl: line 1: id: missing");
        assert_eq!(told[10], "a.jsonl: and 15 more like these");
        assert!(complaints.take().is_empty());
    }

    #[test]
    fn what_a_file_holds_cannot_steer_the_terminal() {
        assert_eq!(one_line("a\n\x1b[2Jb"), "a\u{FFFD}\u{FFFD}[2Jb");
        assert_eq!(one_line(&"x".repeat(5000)).chars().count(), LONGEST + 1);
    }
}
