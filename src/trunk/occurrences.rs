//! How often something happened, and when first and last.

use crate::wire::Nanos;

/// A count with the times of its first and last one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Occurrences {
    count: u64,
    first: Nanos,
    last: Nanos,
}

impl Occurrences {
    /// One more, at this time.
    pub fn add(&mut self, t: Nanos) {
        if self.count == 0 {
            self.first = t;
        }
        self.last = t;
        self.count += 1;
    }

    /// How many.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// When the first one happened.
    pub fn first(&self) -> Option<Nanos> {
        (self.count > 0).then_some(self.first)
    }

    /// When the last one happened.
    pub fn last(&self) -> Option<Nanos> {
        (self.count > 0).then_some(self.last)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keeps_first_and_last() {
        let mut seen = Occurrences::default();
        assert_eq!((seen.first(), seen.last()), (None, None));
        for t in [3, 5, 9] {
            seen.add(Nanos(t));
        }
        assert_eq!(seen.count(), 3);
        assert_eq!((seen.first(), seen.last()), (Some(Nanos(3)), Some(Nanos(9))));
    }
}
