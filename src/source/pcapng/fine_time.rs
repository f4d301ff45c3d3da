//! Times in units that are finer than the parser takes, which ends at 10^-9 and 2^-29 s: the format
//! (IETF draft draft-ietf-opsawg-pcapng, `if_tsresol`) goes on to 10^-127 and 2^-127.
//!
//! The parser is told that such an interface counts in nanoseconds from 1970, so that it hands
//! over the bare number; what that means is worked out here.

use std::time::Duration;

use pcap_file::Endianness;

/// Options of the description of an interface.
const RESOLUTION: u16 = 9;
const OFFSET: u16 = 14;

/// Where the options of an interface's description begin: behind type, length, link type and the
/// longest packet.
const OPTIONS: usize = 16;
const LENGTH: usize = 4;

const NANOSECONDS: u8 = 9;
const FINEST_DECIMAL: u8 = 9;
const FINEST_BINARY: u8 = 29;
const IS_BINARY: u8 = 0x80;

/// How an interface counts its time, where the parser cannot tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FineTime {
    /// As in the file: a power of ten, or of two with [`IS_BINARY`], of its units in a second.
    resolution: u8,
    /// Seconds since 1970 at its zero.
    offset: i64,
}

impl FineTime {
    /// The description of an interface as the parser takes it, if it counts in such units.
    pub fn of(description: &[u8], order: Endianness) -> Option<(FineTime, Vec<u8>)> {
        let end = description.len().checked_sub(LENGTH)?;
        let (mut at, mut resolution, mut offset) = (OPTIONS, None, None);
        let mut plain = description.to_vec();
        while let Some(&[a, b, c, d]) = description.get(at..end)?.first_chunk::<4>() {
            let (code, length) = match order {
                Endianness::Big => (u16::from_be_bytes([a, b]), u16::from_be_bytes([c, d])),
                Endianness::Little => (u16::from_le_bytes([a, b]), u16::from_le_bytes([c, d])),
            };
            at += 4;
            // A wrong length is for the parser to refuse.
            let value = description.get(at..end)?.get(..length.into())?;
            match (code, value) {
                (0, _) => break,
                (RESOLUTION, &[unit]) => {
                    resolution.get_or_insert(unit);
                    plain[at] = NANOSECONDS;
                }
                (OFFSET, value) => {
                    if let Ok(seconds) = <[u8; 8]>::try_from(value) {
                        offset.get_or_insert(match order {
                            Endianness::Big => i64::from_be_bytes(seconds),
                            Endianness::Little => i64::from_le_bytes(seconds),
                        });
                        plain[at..at + 8].fill(0);
                    }
                }
                _ => {}
            }
            at += usize::from(length).next_multiple_of(4);
        }
        let resolution = resolution.filter(|&unit| is_fine(unit))?;
        Some((FineTime { resolution, offset: offset.unwrap_or(0) }, plain))
    }

    /// The time since 1970 of a packet whose number the parser took for nanoseconds, to the
    /// nanosecond below. `None`: before 1970 or too far behind it.
    pub fn time(self, taken: Duration) -> Option<Duration> {
        let units = u64::try_from(taken.as_nanos()).ok()?;
        let power = u32::from(self.resolution & !IS_BINARY);
        let nanoseconds = if self.resolution & IS_BINARY == 0 {
            10_u64.checked_pow(power - u32::from(NANOSECONDS)).map_or(0, |n| units / n).into()
        } else {
            (u128::from(units) * 1_000_000_000) >> power
        };
        let offset = Duration::from_secs(self.offset.unsigned_abs());
        let time = Duration::from_nanos_u128(nanoseconds);
        if self.offset < 0 { time.checked_sub(offset) } else { time.checked_add(offset) }
    }
}

fn is_fine(unit: u8) -> bool {
    let finest = if unit & IS_BINARY == 0 { FINEST_DECIMAL } else { FINEST_BINARY };
    unit & !IS_BINARY > finest
}

#[cfg(test)]
mod tests {
    use super::*;

    fn time(resolution: u8, offset: i64, units: u64) -> Option<u128> {
        let time = FineTime { resolution, offset }.time(Duration::from_nanos(units))?;
        Some(time.as_nanos())
    }

    #[test]
    fn units_into_nanoseconds() {
        assert_eq!(time(12, 0, 1_999), Some(1));
        assert_eq!(time(12, 3, 5_000), Some(3_000_000_005));
        assert_eq!(time(28, 0, u64::MAX), Some(1), "10^-28 s");
        assert_eq!(time(29, 0, u64::MAX), Some(0));
        assert_eq!(time(127, 7, u64::MAX), Some(7_000_000_000));
        assert_eq!(time(0x80 | 32, 0, 1 << 31), Some(500_000_000));
        assert_eq!(time(0x80 | 32, 0, u64::MAX), Some(4_294_967_295_999_999_999));
        assert_eq!(time(0x80 | 127, 0, u64::MAX), Some(0));
        assert_eq!(time(12, -1, 999_999_999_999), None, "before 1970");
        assert_eq!(time(12, i64::MAX, 2_000_000).map(|t| t % 1_000_000_000), Some(2_000));
    }

    #[test]
    fn what_the_parser_takes_is_left_to_it() {
        for (unit, fine) in [(9, false), (10, true), (0x80 | 29, false), (0x80 | 30, true)] {
            assert_eq!(is_fine(unit), fine, "{unit}");
        }
        let description = [&[0; OPTIONS][..], &[9, 0, 1, 0, 6, 0, 0, 0], &[0; LENGTH]].concat();
        assert_eq!(FineTime::of(&description, Endianness::Little), None);
        for cut in 0..description.len() {
            assert_eq!(FineTime::of(&description[..cut], Endianness::Little), None);
        }
    }
}
