//! Bytes into lines, in one buffer of bounded size.

use std::io::{self, Read};

use memchr::memchr;

use super::input::Input;
use super::unpack::Chunk;

/// The longest line; a longer one is skipped, and never held in memory.
pub const LONGEST_LINE: usize = 1024 * 1024;

const BLOCK: usize = 256 * 1024;

/// What comes next.
#[derive(Debug, PartialEq, Eq)]
pub enum NextLine<'a> {
    /// A whole line, without its line feed.
    Line(&'a [u8]),
    /// The last line, without a line feed; it may be whole or torn.
    Unended(&'a [u8]),
    /// A line of more than [`LONGEST_LINE`] bytes.
    TooLong,
    /// A stretch of the packed file that cannot be unpacked, with all lines in it.
    Damage(u64, u64),
    /// The end; true if the file was cut off within a packed block.
    End(bool),
}

/// What a file holds, as far as it was read.
pub(super) type Bytes<'a> = Lines<Box<dyn Read + Send + 'a>>;

/// Splits an input into lines.
pub struct Lines<R> {
    input: Input<R>,
    buffer: Vec<u8>,
    /// The bytes that were read and not yet given out.
    start: usize,
    end: usize,
    /// No line feed stands before this place.
    searched: usize,
    number: u64,
    skipping: bool,
    ended: Option<bool>,
    /// Damage that [`Self::peek`] met, to be reported by [`Self::next`].
    damage: Option<(u64, u64)>,
}

impl<R: Read> Lines<R> {
    /// Begins at the start of the input.
    pub fn new(input: Input<R>) -> Lines<R> {
        Lines {
            input,
            buffer: vec![0; BLOCK],
            start: 0,
            end: 0,
            searched: 0,
            number: 0,
            skipping: false,
            ended: None,
            damage: None,
        }
    }

    /// The number of the line that was given out last, from 1.
    pub fn number(&self) -> u64 {
        self.number
    }

    /// Whether a whole line is in the buffer.
    pub fn has_line(&mut self) -> bool {
        self.find().is_some()
    }

    /// The bytes that were read and not given out, to recognise the format.
    pub fn peek(&mut self) -> io::Result<&[u8]> {
        if self.start == self.end {
            self.damage = self.fill()?;
        }
        Ok(&self.buffer[self.start..self.end])
    }

    /// The input and the bytes that were read of it, for another reader.
    pub fn into_rest(mut self) -> (Input<R>, Vec<u8>) {
        self.buffer.truncate(self.end);
        self.buffer.drain(..self.start);
        (self.input, self.buffer)
    }

    /// Lets `read` take the next line from the front of the buffer. It returns the length of the
    /// line with its line feed, or `None` to leave the line to [`Self::next`].
    #[inline]
    pub fn take<T>(&mut self, read: impl FnOnce(&[u8]) -> Option<(T, usize)>) -> Option<T> {
        if self.skipping {
            return None;
        }
        let (value, length) = read(&self.buffer[self.start..self.end])?;
        self.start += length;
        self.searched = self.start;
        self.number += 1;
        Some(value)
    }

    /// The next line, or why there is none.
    pub fn next(&mut self) -> io::Result<NextLine<'_>> {
        if let Some((from, to)) = self.damage.take() {
            return Ok(NextLine::Damage(from, to));
        }
        loop {
            if let Some(feed) = self.find() {
                let line = self.start..feed;
                self.start = feed + 1;
                self.searched = self.start;
                self.number += 1;
                if std::mem::take(&mut self.skipping) || line.len() > LONGEST_LINE {
                    return Ok(NextLine::TooLong);
                }
                return Ok(NextLine::Line(&self.buffer[line]));
            }
            if self.skipping || self.end - self.start > LONGEST_LINE {
                if self.number == 0 && !self.skipping {
                    // No capture begins with such a line, and its end may never come.
                    self.skipping = true;
                    return Ok(NextLine::TooLong);
                }
                self.skipping = true;
                self.clear();
            }
            if let Some(cut_off) = self.ended {
                let rest = self.start..self.end;
                self.clear();
                if std::mem::take(&mut self.skipping) {
                    self.number += 1;
                    return Ok(NextLine::TooLong);
                }
                if rest.is_empty() {
                    return Ok(NextLine::End(cut_off));
                }
                self.number += 1;
                return Ok(NextLine::Unended(&self.buffer[rest]));
            }
            if let Some((from, to)) = self.fill()? {
                // Drop the start of a line whose rest is lost.
                self.clear();
                self.skipping = false;
                return Ok(NextLine::Damage(from, to));
            }
        }
    }

    fn clear(&mut self) {
        (self.start, self.end, self.searched) = (0, 0, 0);
    }

    fn find(&mut self) -> Option<usize> {
        let feed = memchr(b'\n', &self.buffer[self.searched..self.end]);
        let feed = feed.map(|at| self.searched + at);
        self.searched = feed.unwrap_or(self.end);
        feed
    }

    /// Reads one more block behind what is there.
    fn fill(&mut self) -> io::Result<Option<(u64, u64)>> {
        if self.start > 0 {
            self.buffer.copy_within(self.start..self.end, 0);
            self.end -= self.start;
            self.searched -= self.start;
            self.start = 0;
        }
        if self.buffer.len() - self.end < BLOCK / 2 {
            // Bounded: a line longer than LONGEST_LINE is dropped before.
            self.buffer.resize(self.end + BLOCK, 0);
        }
        match self.input.read(&mut self.buffer[self.end..])? {
            Chunk::Bytes(n) => self.end += n,
            Chunk::Damage(from, to) => return Ok(Some((from, to))),
            Chunk::CutOff => self.ended = Some(true),
            Chunk::End => self.ended = Some(false),
        }
        Ok(None)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gives one to three bytes at a time, so that every line lies across reads.
    struct Dribble<'a>(&'a [u8], usize);

    impl Read for Dribble<'_> {
        fn read(&mut self, out: &mut [u8]) -> io::Result<usize> {
            self.1 += 1;
            let n = (1 + self.1 % 3).min(self.0.len()).min(out.len());
            out[..n].copy_from_slice(&self.0[..n]);
            self.0 = &self.0[n..];
            Ok(n)
        }
    }

    fn split(text: &[u8]) -> Vec<String> {
        let mut lines = Lines::new(Input::new(Dribble(text, 0)).unwrap());
        let mut all = Vec::new();
        loop {
            let next = lines.next().unwrap();
            let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
            let (what, end) = match next {
                NextLine::Line(line) => (text(line), false),
                NextLine::Unended(line) => (text(line) + "|", false),
                NextLine::TooLong => ("too long".into(), false),
                NextLine::Damage(..) => ("damage".into(), false),
                NextLine::End(cut) => (format!("end {cut}"), true),
            };
            all.push(format!("{}:{what}", lines.number()));
            if end {
                return all;
            }
        }
    }

    #[test]
    fn lines_with_and_without_their_feed() {
        assert_eq!(split(b"one\n\nthree\n"), ["1:one", "2:", "3:three", "3:end false"]);
        assert_eq!(split(b"one\ntwo"), ["1:one", "2:two|", "2:end false"]);
        assert_eq!(split(b""), ["0:end false"]);
    }

    #[test]
    fn a_line_without_end_costs_no_memory() {
        let mut endless = Lines::new(Input::new(io::repeat(b'x').take(50_000_000)).unwrap());
        assert_eq!(endless.next().unwrap(), NextLine::TooLong, "told before its end");
        assert_eq!(endless.next().unwrap(), NextLine::TooLong);
        assert!(endless.buffer.len() < 2 * LONGEST_LINE);
        assert_eq!(endless.next().unwrap(), NextLine::End(false));

        let longest = "y".repeat(LONGEST_LINE);
        let text = format!("{longest}\n{longest}y\nafter\n");
        let mut lines = Lines::new(Input::new(text.as_bytes()).unwrap());
        assert_eq!(lines.next().unwrap(), NextLine::Line(longest.as_bytes()));
        assert_eq!(lines.next().unwrap(), NextLine::TooLong);
        assert_eq!(lines.next().unwrap(), NextLine::Line(b"after"));
        assert_eq!(lines.number(), 3);
    }
}
