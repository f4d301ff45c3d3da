//! I/O sizes as the wire shows them, and fragments told from whole messages.
//!
//! Nothing on the wire says that I/O is fragmented; the connection's size does, where it is
//! known. Here it is inferred: eight bytes that begin with a first fragment's byte (00), then,
//! with no other message of that connection between, the byte of its next fragment.

/// Fragment byte (IEC 62026-3): type in bits 7–6, count in bits 5–0.
const FIRST: u8 = 0x00;
const MIDDLE: u8 = 0x40;
const LAST: u8 = 0x80;

/// The largest message that six bits of count can carry: 64 fragments of seven bytes.
const MAX_BYTES: usize = 64 * 7;

/// The sizes of the I/O messages in one direction of one connection.
#[derive(Debug, Clone, Default)]
pub struct IoSizes {
    /// A bit for each size from 0 to [`MAX_BYTES`].
    seen: [u64; MAX_BYTES / 64 + 1],
    /// A message that may go on in further fragments.
    pending: Option<Series>,
    fragmented: bool,
}

#[derive(Debug, Clone, Copy)]
struct Series {
    fragments: u8,
    bytes: usize,
}

impl IoSizes {
    /// Takes a frame's data. `true`: it continues the message before it, which is fragmented.
    /// `fresh`: this frame cannot be a continuation, since the exchange moved on.
    pub fn take(&mut self, data: &[u8], fresh: bool) -> bool {
        if let Some(series) = self.pending {
            if !fresh && self.continues(series, data) {
                return true;
            }
            self.flush();
        }
        // The rest of a message whose beginning was not heard has no size.
        if self.fragmented && data.first().is_some_and(|head| head & (MIDDLE | LAST) != 0) {
            return false;
        }
        if data.len() == 8 && data[0] == FIRST {
            self.pending = Some(Series { fragments: 1, bytes: 7 });
        } else {
            self.note(data.len());
        }
        false
    }

    fn continues(&mut self, series: Series, data: &[u8]) -> bool {
        let Some(&head) = data.first() else { return false };
        let count = series.fragments & 0x3F;
        if head != LAST | count && (head != MIDDLE | count || data.len() != 8) {
            return false;
        }
        let series =
            Series { fragments: series.fragments + 1, bytes: series.bytes + data.len() - 1 };
        let more = head & LAST == 0 && series.fragments < 64;
        self.pending = more.then_some(series);
        if !more {
            self.fragmented = true;
            self.note(series.bytes);
        }
        true
    }

    /// Frames are missing: a message that was on its way has no size.
    pub fn doubt(&mut self) {
        self.pending = None;
    }

    /// Nothing more will come: a message that might have gone on did not.
    pub fn flush(&mut self) {
        // A series that broke off has no size, but a first frame that nothing ever followed was
        // a whole message.
        if let Some(Series { fragments: 1, .. }) = self.pending.take()
            && !self.fragmented
        {
            self.note(8);
        }
    }

    fn note(&mut self, bytes: usize) {
        self.seen[bytes / 64] |= 1 << (bytes % 64);
    }

    /// Each size seen, least first, in bytes.
    pub fn sizes(&self) -> Vec<u16> {
        (0..=MAX_BYTES)
            .filter(|bytes| self.seen[bytes / 64] & 1 << (bytes % 64) != 0)
            .map(|bytes| bytes as u16)
            .collect()
    }

    /// Whether a fragmented message was inferred.
    pub fn is_fragmented(&self) -> bool {
        self.fragmented
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The fragmented poll of ten bytes, as in published device manuals.
    #[test]
    fn a_fragmented_message_has_one_size() {
        let mut io = IoSizes::default();
        for _ in 0..3 {
            assert!(!io.take(&[0x00, 1, 2, 3, 4, 5, 6, 7], true));
            assert!(io.take(&[0x81, 8, 9, 0x0A], false));
        }
        // the capture ends in the middle of a message
        assert!(!io.take(&[0x00, 1, 2, 3, 4, 5, 6, 7], true));
        io.flush();
        assert_eq!(io.sizes(), [10]);
        assert!(io.is_fragmented());
    }

    #[test]
    fn middle_fragments_count_up() {
        let mut io = IoSizes::default();
        io.take(&[0x00; 8], true);
        for head in [0x41, 0x42] {
            assert!(io.take(&[head, 0, 0, 0, 0, 0, 0, 0], false));
        }
        assert!(io.take(&[0x83, 1], false));
        assert_eq!(io.sizes(), [22]);
    }

    #[test]
    fn whole_messages_that_look_alike_are_whole() {
        let mut io = IoSizes::default();
        assert!(!io.take(&[0x00; 8], true));
        // answered in between, so it is the next message
        assert!(!io.take(&[0x81, 0, 0, 0, 0, 0, 0, 0], true));
        assert!(!io.take(&[0x00; 8], false));
        assert!(!io.take(&[0x05, 0, 0, 0], false));
        io.flush();
        assert_eq!(io.sizes(), [4, 8]);
        assert!(!io.is_fragmented());
    }

    #[test]
    fn an_endless_series_ends() {
        let mut io = IoSizes::default();
        io.take(&[0x00; 8], true);
        for n in 1..200u8 {
            io.take(&[MIDDLE | n & 0x3F, 0, 0, 0, 0, 0, 0, 0], false);
        }
        io.flush();
        assert_eq!(io.sizes(), [448]);
    }
}
