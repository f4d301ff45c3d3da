//! The fast path for most lines of most captures: a data frame in the form that the writer gives it.
//!
//! Reading that form alone is several times as fast as reading any JSON. A line is read as
//! [`super::parse_record`] reads it, or left to that.

use embedded_can::{ExtendedId, Id, StandardId};

use super::{Data, Frame, Nanos, Payload};

/// Longer than any such line, with its line feed: 8 + 18 + 7 + 8 + 10 + 16 + 3 bytes.
const LONGEST: usize = 72;

/// The most digits of a time; more are left to the general reader, which knows the limits.
const DIGITS: usize = 18;

/// The frame of the line that `bytes` begin with, its time, and the length of the line with its line
/// feed. `None`: not of this form, or too near the end of `bytes`; the general reader then decides.
#[inline]
pub fn quick_frame(bytes: &[u8]) -> Option<((Nanos, Frame), usize)> {
    let line = bytes.first_chunk::<LONGEST>()?;
    let rest = line.strip_prefix(br#"{"t_ns":"#)?;
    let (t, rest) = time(rest)?;
    let rest = rest.strip_prefix(br#","id":""#)?;
    let (id, rest) = identifier(rest)?;
    let rest = rest.strip_prefix(br#"","data":""#)?;
    let (data, rest) = data(rest)?;
    let rest = rest.strip_prefix(b"\"}\n")?;
    Some(((t, Frame::new(id, Payload::Data(data))), LONGEST - rest.len()))
}

#[inline]
fn time(bytes: &[u8]) -> Option<(Nanos, &[u8])> {
    let mut value = 0_i64;
    for (at, byte) in bytes.iter().enumerate().take(DIGITS + 1) {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            // JSON has no leading zeros.
            let good = at == 1 || at > 1 && bytes[0] != b'0';
            return good.then_some((Nanos(value), &bytes[at..]));
        }
        value = value.wrapping_mul(10).wrapping_add(i64::from(digit));
    }
    None
}

#[inline]
fn identifier(bytes: &[u8]) -> Option<(Id, &[u8])> {
    let hex = |digits: &[u8]| {
        let mut value = 0;
        let mut all = 0;
        for &digit in digits {
            let nibble = NIBBLES[usize::from(digit)];
            value = value << 4 | u32::from(nibble);
            all |= nibble;
        }
        (all <= 0xF).then_some(value)
    };
    if bytes.get(3) == Some(&b'"') {
        let raw = u16::try_from(hex(&bytes[..3])?).ok()?;
        return Some((Id::Standard(StandardId::new(raw)?), &bytes[3..]));
    }
    let (digits, rest) = bytes.split_first_chunk::<8>()?;
    Some((Id::Extended(ExtendedId::new(hex(digits)?)?), rest))
}

#[inline]
fn data(bytes: &[u8]) -> Option<(Data, &[u8])> {
    // Kept in a register: single bytes read back from memory at once would stall.
    let mut data = 0_u64;
    let mut all = 0;
    let (pairs, _) = bytes.as_chunks::<2>();
    let mut len = 0;
    for &[high, low] in pairs.iter().take(Data::MAX) {
        if high == b'"' {
            break;
        }
        let (high, low) = (NIBBLES[usize::from(high)], NIBBLES[usize::from(low)]);
        data |= u64::from(high << 4 | low) << (8 * len);
        all |= high | low;
        len += 1;
    }
    let data = Data::padded(data.to_le_bytes(), len).filter(|_| all <= 0xF)?;
    Some((data, &bytes[2 * len..]))
}

/// The value of each hex digit, in either case; FF for any other byte.
static NIBBLES: [u8; 256] = nibbles();

const fn nibbles() -> [u8; 256] {
    let mut table = [0xFF; 256];
    let mut value = 0;
    while value < 16 {
        table[b"0123456789ABCDEF"[value] as usize] = value as u8;
        table[b"0123456789abcdef"[value] as usize] = value as u8;
        value += 1;
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::{Record, What, parse_record, write_record};
    use proptest::prelude::*;

    /// The quick reader says what the general one says, or nothing.
    fn same(line: &[u8]) -> bool {
        let mut bytes = line.to_vec();
        bytes.push(b'\n');
        bytes.resize(line.len() + 1 + LONGEST, b'{');
        match quick_frame(&bytes) {
            Some(((t, frame), length)) => {
                assert_eq!(length, line.len() + 1);
                assert_eq!(Ok(Record { t, what: What::Frame(frame) }), parse_record(line));
                true
            }
            None => false,
        }
    }

    #[test]
    fn the_form_of_our_writer_and_its_neighbours() {
        let cases = [
            (r#"{"t_ns":512000,"id":"45D","data":"01020304"}"#, true),
            (r#"{"t_ns":0,"id":"7FF","data":""}"#, true),
            (r#"{"t_ns":999999999999999999,"id":"1FFFFFFF","data":"0102030405060708"}"#, true),
            (r#"{"t_ns":1,"id":"45d","data":"aB"}"#, true),
            (r#"{"t_ns":-1,"id":"45D","data":""}"#, false),
            (r#"{"t_ns":01,"id":"45D","data":""}"#, false),
            (r#"{"t_ns":,"id":"45D","data":""}"#, false),
            (r#"{"t_ns":1.0,"id":"45D","data":""}"#, false),
            (r#"{"t_ns":9999999999999999999,"id":"45D","data":""}"#, false),
            (r#"{"t_ns":1,"id":"800","data":""}"#, false),
            (r#"{"t_ns":1,"id":"20000000","data":""}"#, false),
            (r#"{"t_ns":1,"id":"4X5","data":""}"#, false),
            (r#"{"t_ns":1,"id":"45D","data":"0"}"#, false),
            (r#"{"t_ns":1,"id":"45D","data":"0x"}"#, false),
            (r#"{"t_ns":1,"id":"45D","data":"000000000000000000"}"#, false),
            (r#"{"t_ns":1,"id":"45D","data":"00" }"#, false),
            (r#"{"t_ns":1,"id":"45D","data":"00"} "#, false),
            (r#"{"t_ns":1,"id":"45D","rtr":4}"#, false),
            ("", false),
        ];
        for (line, quick) in cases {
            assert_eq!(same(line.as_bytes()), quick, "{line}");
        }
    }

    #[test]
    fn too_near_the_end_is_left_to_the_general_reader() {
        let line = b"{\"t_ns\":512000,\"id\":\"45D\",\"data\":\"01020304\"}\n";
        assert_eq!(quick_frame(line), None);
    }

    fn any_frame() -> impl Strategy<Value = Record> {
        let id = prop_oneof![
            4 => (0..=0x7FFu16).prop_filter_map("", |raw| StandardId::new(raw).map(Id::from)),
            1 => (0..=0x1FFF_FFFFu32).prop_filter_map("", |raw| ExtendedId::new(raw).map(Id::from)),
        ];
        let t = prop_oneof![0..1_000_000_000_000i64, any::<i64>()];
        (t, id, prop::collection::vec(any::<u8>(), 0..=8)).prop_filter_map("", |(t, id, bytes)| {
            Some(Record { t: Nanos(t), what: What::Frame(Frame::data(id, &bytes)?) })
        })
    }

    fn line_of(record: &Record) -> Vec<u8> {
        let mut line = Vec::new();
        write_record(&mut line, record);
        line.pop();
        line
    }

    /// Bytes that might pass where another one stood.
    static LIKELY: [[u8; 22]; 7] = [*b"0123456789aAfF\"{},:. -"; 7];

    proptest! {
        #[test]
        fn what_our_writer_writes_is_read_quickly(record in any_frame()) {
            let quick = (0..10_i64.pow(18)).contains(&record.t.0);
            prop_assert_eq!(same(&line_of(&record)), quick);
        }

        /// Bytes replaced, put in, taken out: what breaks a line breaks it for both.
        #[test]
        fn broken_lines_are_read_alike(
            record in any_frame(),
            changes in prop::collection::vec((any::<prop::sample::Index>(), 0..3, any::<u8>()), 1..4),
        ) {
            let mut line = line_of(&record);
            for (at, kind, byte) in changes {
                let at = at.index(line.len());
                let byte = LIKELY.as_flattened().get(usize::from(byte)).copied().unwrap_or(byte);
                match kind {
                    _ if byte == b'\n' => {}
                    0 => line[at] = byte,
                    1 => line.insert(at, byte),
                    _ => { line.remove(at); }
                }
            }
            same(&line);
        }

        #[test]
        fn any_bytes_are_taken(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
            let _ = quick_frame(&bytes);
        }
    }
}
