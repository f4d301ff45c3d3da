//! The names of the pieces of a capture: they sort by time.

use jiff::Timestamp;
use jiff::tz::Offset;

/// The name of a piece: that of the whole capture, with a number that goes on and the time at
/// which the piece begins. `line3.jsonl` comes in `line3-000001-20260302T063000Z.jsonl` and so on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PieceName {
    /// The name of the whole, as it was given.
    pub whole: String,
    /// The number: a watch that is started again goes on counting.
    pub number: u64,
    /// When it begins, in whole seconds.
    pub started: Timestamp,
}

const STAMP: &str = "%Y%m%dT%H%M%SZ";

impl PieceName {
    /// Reads it from a file's name.
    pub fn of(file_name: &str) -> Option<PieceName> {
        let (stem, extension) = split(file_name);
        let (rest, stamp) = stem.rsplit_once('-')?;
        let (whole, number) = rest.rsplit_once('-')?;
        let digits = number.len() >= 6 && number.bytes().all(|byte| byte.is_ascii_digit());
        let started = jiff::civil::DateTime::strptime(STAMP, stamp).ok()?;
        Some(PieceName {
            whole: format!("{whole}{extension}"),
            number: number.parse().ok().filter(|_| digits)?,
            started: Offset::UTC.to_timestamp(started).ok()?,
        })
    }

    /// How many pieces are missing between this and the other; `None` if that does not come after
    /// it in the same capture.
    pub fn followed_by(&self, other: &PieceName) -> Option<u64> {
        let missing = other.number.checked_sub(self.number)?.checked_sub(1);
        missing.filter(|_| self.whole == other.whole)
    }

    /// The file's name.
    pub fn file_name(&self) -> String {
        let (stem, extension) = split(&self.whole);
        format!("{stem}-{:06}-{}{extension}", self.number, self.started.strftime(STAMP))
    }
}

/// The name of the capture whose pieces these are; `None` if they are not pieces of one, in order.
pub fn whole_name<'a>(file_names: impl IntoIterator<Item = &'a str>) -> Option<String> {
    let names: Option<Vec<PieceName>> = file_names.into_iter().map(PieceName::of).collect();
    let names = names?;
    let in_order = names.windows(2).all(|pair| pair[0].followed_by(&pair[1]).is_some());
    names.into_iter().next().map(|first| first.whole).filter(|_| in_order)
}

/// A name before its extension, and the extension with its dot; that of packed files has two.
fn split(name: &str) -> (&str, &str) {
    let packed = name.strip_suffix(".zst").unwrap_or(name);
    let at = packed.rfind('.').filter(|&at| at > 0).unwrap_or(packed.len());
    name.split_at(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_read_back_and_sort_by_time() {
        let start: Timestamp = "2026-03-02T06:30:00Z".parse().unwrap();
        for whole in ["line3.jsonl", "line-3.jsonl.zst", "a.b.jsonl", "plain", ".hidden"] {
            let name = |number| PieceName { whole: whole.into(), number, started: start };
            let text = name(7).file_name();
            assert_eq!(PieceName::of(&text), Some(name(7)), "{text}");
            assert!(text < name(10).file_name());
        }
        let name = PieceName::of("line3-000012-20260302T063000Z.jsonl.zst").unwrap();
        assert_eq!((name.whole.as_str(), name.number), ("line3.jsonl.zst", 12));
        assert_eq!(name.started, start);
        for other in ["line3.jsonl", "line3-12-20260302T063000Z.jsonl", "a-000001-x.jsonl", "-", ""]
        {
            assert_eq!(PieceName::of(other), None, "{other:?}");
        }
    }
}
