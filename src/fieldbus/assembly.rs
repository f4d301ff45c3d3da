//! The I/O assemblies of device profiles: where a signal stands, which bits may be set, which assembly
//! explains what was heard.

use super::assembly_table::{ASSEMBLIES, AssemblyDirection, AssemblyRow, Profile, Signal};

/// The most bytes of an assembly in the table.
const MAX_BYTES: usize = 8;

/// The bytes of an assembly as one number, the first byte lowest.
pub(crate) type AssemblyBits = u64;

/// The bits of `data`; `None` for more than eight bytes.
#[inline]
pub(crate) fn bits_of(data: &[u8]) -> Option<AssemblyBits> {
    Some(match *data {
        // As long as most are: without a copy of unknown length, and a load that waits for it.
        [a, b, c, d] => u32::from_le_bytes([a, b, c, d]).into(),
        _ => {
            let mut bytes = [0; MAX_BYTES];
            bytes.get_mut(..data.len())?.copy_from_slice(data);
            u64::from_le_bytes(bytes)
        }
    })
}

/// Where a signal stands: its lowest bit and its width, which is 0 where it is not carried.
type BitRange = (u8, u8);

/// Where each signal stands in each row, so that reading one is a shift and a mask.
const PLACES: [[BitRange; Signal::COUNT]; ASSEMBLIES.len()] = {
    let mut places = [[(0, 0); Signal::COUNT]; ASSEMBLIES.len()];
    let mut row = 0;
    while row < ASSEMBLIES.len() {
        let mut n = 0;
        while n < ASSEMBLIES[row].field_count() {
            let field = ASSEMBLIES[row].field(n);
            places[row][field.signal as usize] = (8 * field.byte + field.bit, field.coding.width());
            n += 1;
        }
        assert!(ASSEMBLIES[row].bytes <= MAX_BYTES);
        row += 1;
    }
    places
};

/// The bits that the fields of a row may set.
const fn bits_used(row: &AssemblyRow) -> AssemblyBits {
    let (mut bits, mut n) = (0, 0);
    while n < row.field_count() {
        let field = row.field(n);
        bits |= field.coding.mask() << (8 * field.byte + field.bit);
        n += 1;
    }
    bits
}

/// For every length of data, the bits that any assembly of that direction and length may set;
/// `None` where there is none.
const fn bits_by_length(direction: AssemblyDirection) -> [Option<AssemblyBits>; MAX_BYTES + 1] {
    let mut by_length = [None; MAX_BYTES + 1];
    let mut n = 0;
    while n < ASSEMBLIES.len() {
        let row = &ASSEMBLIES[n];
        if row.direction as u8 == direction as u8 {
            let others = match by_length[row.bytes] {
                Some(bits) => bits,
                None => 0,
            };
            by_length[row.bytes] = Some(others | bits_used(row));
        }
        n += 1;
    }
    by_length
}

/// The bits at which `signal` stands in any assembly.
pub(crate) const fn bits_of_signal(signal: Signal) -> AssemblyBits {
    let (mut bits, mut row) = (0, 0);
    while row < ASSEMBLIES.len() {
        let (shift, width) = PLACES[row][signal as usize];
        bits |= ((1 << width) - 1) << shift;
        row += 1;
    }
    bits
}

/// The row of an assembly, by its direction and its instance of class 04.
pub(crate) fn assembly_row(
    direction: AssemblyDirection,
    number: u16,
) -> Option<&'static AssemblyRow> {
    ASSEMBLIES.iter().find(|row| row.direction == direction && row.number == number)
}

/// What output and input assemblies have in common.
pub trait Assembly: Copy {
    /// Which way they go.
    const DIRECTION: AssemblyDirection;
    /// The bits that any of them may set, by the length of the data.
    const BITS_BY_LENGTH: [Option<u64>; MAX_BYTES + 1] = bits_by_length(Self::DIRECTION);

    /// The one at this place of the table, which is of this direction.
    fn from_index(index: u8) -> Self;

    /// Its place in the table.
    fn index(self) -> usize;

    /// Its row.
    fn row(self) -> &'static AssemblyRow {
        &ASSEMBLIES[self.index()]
    }

    /// Its instance of class 04.
    fn number(self) -> u16 {
        self.row().number
    }

    /// All of them, in the order of the table.
    fn all() -> impl Iterator<Item = Self> {
        let rows = ASSEMBLIES.iter().zip(0..);
        rows.filter(|(row, _)| row.direction == Self::DIRECTION).map(|(_, n)| Self::from_index(n))
    }

    /// From the instance of class 04.
    fn from_number(number: u16) -> Option<Self> {
        Self::all().find(|assembly| assembly.number() == number)
    }

    /// The first one of `profile` of so many bytes that may set all of `bits`.
    fn first_with(profile: Profile, bytes: usize, bits: u64) -> Option<Self> {
        Self::all().find(|assembly| {
            let row = assembly.row();
            row.profile == profile && row.bytes == bytes && bits & !bits_used(row) == 0
        })
    }

    /// Whether it carries this signal.
    fn carries(self, signal: Signal) -> bool {
        PLACES[self.index()][signal as usize].1 > 0
    }

    /// What `bits` say of a signal; 0 where this assembly does not carry it.
    #[inline]
    fn value(self, bits: u64, signal: Signal) -> u64 {
        let (shift, width) = PLACES[self.index()][signal as usize];
        bits >> shift & ((1 << width) - 1)
    }

    /// The bits that say `value` of a signal; 0 where this assembly does not carry it.
    fn place(self, signal: Signal, value: u64) -> u64 {
        let (shift, width) = PLACES[self.index()][signal as usize];
        (value & ((1 << width) - 1)) << shift
    }
}

/// An assembly that a master sends to a device: its place in the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct OutputAssembly(u8);

/// An assembly that a device sends: its place in the table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct InputAssembly(u8);

/// The place of a row that the table has; another does not compile.
const fn index_of(direction: AssemblyDirection, number: u16) -> u8 {
    let mut n = 0;
    while ASSEMBLIES[n].direction as u8 != direction as u8 || ASSEMBLIES[n].number != number {
        n += 1;
    }
    n as u8
}

impl OutputAssembly {
    /// Extended speed control output, 21.
    pub const EXTENDED: OutputAssembly = OutputAssembly(index_of(AssemblyDirection::Output, 21));
}

impl InputAssembly {
    /// Extended speed control input, 71.
    pub const EXTENDED: InputAssembly = InputAssembly(index_of(AssemblyDirection::Input, 71));
}

impl Assembly for OutputAssembly {
    const DIRECTION: AssemblyDirection = AssemblyDirection::Output;

    fn from_index(index: u8) -> OutputAssembly {
        OutputAssembly(index)
    }

    #[inline]
    fn index(self) -> usize {
        usize::from(self.0)
    }
}

impl Assembly for InputAssembly {
    const DIRECTION: AssemblyDirection = AssemblyDirection::Input;

    fn from_index(index: u8) -> InputAssembly {
        InputAssembly(index)
    }

    #[inline]
    fn index(self) -> usize {
        usize::from(self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The numbers of the assemblies: CIP AC/DC drive profile.
    #[test]
    fn assemblies_are_known_by_their_numbers() {
        for n in 0..100 {
            let output = OutputAssembly::from_number(n).map(Assembly::number);
            assert_eq!(output, (20..=25).contains(&n).then_some(n));
            let input = InputAssembly::from_number(n).map(Assembly::number);
            assert_eq!(input, (70..=75).contains(&n).then_some(n));
        }
    }

    #[test]
    fn fields_of_a_row_do_not_overlap_and_lie_inside_it() {
        for row in ASSEMBLIES {
            let mut taken = 0u64;
            for field in (0..row.field_count()).map(|n| row.field(n)) {
                let first = 8 * field.byte + field.bit;
                let bits = ((1u64 << field.coding.width()) - 1) << first;
                assert_eq!(taken & bits, 0, "{} of {}", first, row.number);
                assert!(usize::from(first + field.coding.width()) <= 8 * row.bytes);
                taken |= bits;
            }
        }
        let numbers = ASSEMBLIES.iter().map(|row| (row.direction as u8, row.number));
        let distinct: std::collections::BTreeSet<_> = numbers.collect();
        assert_eq!(distinct.len(), ASSEMBLIES.len());
    }

    /// What the inference rests on, written out: bits of the CIP AC/DC drive profile.
    #[test]
    fn bits_that_may_be_set() {
        assert_eq!(OutputAssembly::BITS_BY_LENGTH[4], Some(0xFFFF_0067));
        assert_eq!(InputAssembly::BITS_BY_LENGTH[4], Some(0xFFFF_07FF));
        // Drive adapter manual FDNA-01, p. 108; the mode and bit 7 of 25 from memory.
        assert_eq!(OutputAssembly::BITS_BY_LENGTH[6], Some(0xFFFF_FFFF_07E7));
        assert_eq!(InputAssembly::BITS_BY_LENGTH[6], Some(0xFFFF_FFFF_07FF));
        assert_eq!(InputAssembly::BITS_BY_LENGTH[2], None);
        assert_eq!(bits_of_signal(Signal::RunForward), 1);
        let first =
            |bits| OutputAssembly::first_with(Profile::AcDrive, 4, bits).map(|a| a.number());
        assert_eq!([first(0x05), first(0x21), first(0x10)], [Some(20), Some(21), None]);
    }
}
