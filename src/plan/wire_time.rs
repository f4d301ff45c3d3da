//! How long a frame is on the wire over all the data it could carry: least, mean, greatest.
//!
//! Exact, not estimated: for a given identifier and length code all payloads are covered by
//! walking the bits once with every state that they could have led to. A state is the CRC
//! register and the run of equal bits, 2¹⁵ × 8 of them; going back from the end of the data,
//! the stuff bits still to come depend on nothing else. Layout: ISO 11898-1.

use std::sync::OnceLock;

use crate::wire::StandardId;

/// Start of frame to CRC sequence has 34 bits and the data; 13 never stuffed bits follow.
const FIXED_BITS: u64 = 34 + 13;
const CRC_BITS: u32 = 15;
const POLYNOMIAL: u32 = 0x4599;
const REGISTERS: usize = 1 << CRC_BITS;
const RUNS: usize = 8;

/// The bits that a data frame takes, interframe space included.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WireTime {
    /// Over all payloads, the least.
    pub least: u64,
    /// Over all payloads, each as likely as any other.
    pub mean: f64,
    /// Over all payloads, the greatest.
    pub worst: u64,
}

impl WireTime {
    /// One frame after another.
    pub fn then(self, other: WireTime) -> WireTime {
        WireTime {
            least: self.least + other.least,
            mean: self.mean + other.mean,
            worst: self.worst + other.worst,
        }
    }
}

/// A data frame of which the identifier, the length and perhaps the first byte are known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct FrameShape {
    /// The identifier.
    pub id: StandardId,
    /// The first byte, where it is known: the fragment byte.
    pub first: Option<u8>,
    /// How many data bytes follow that can be anything; 8 at most with the first byte.
    pub open_bytes: u8,
}

impl FrameShape {
    /// How many data bytes the frame has.
    pub fn bytes(&self) -> u8 {
        u8::from(self.first.is_some()) + self.open_bytes
    }

    /// The length that no 11-bit data frame of so many bytes exceeds: 55 + 10 s bits
    /// (Davis et al. 2007).
    #[cfg(test)]
    pub fn bound(&self) -> u64 {
        55 + 10 * u64::from(self.bytes())
    }

    /// Its wire time over everything that its open bytes can be.
    pub fn wire_time(&self) -> WireTime {
        Ahead::of(self.open_bytes.min(MOST_BYTES)).wire_time(self)
    }
}

const MOST_BYTES: u8 = 8;

/// The stuff bits still to come, by state.
#[derive(Clone)]
struct Ahead {
    table: Vec<Cell>,
}

/// Least, greatest and mean number of stuff bits side by side in one word, so that one more
/// of each is one addition: 8 bits, 8 bits, and 48 bits of which 40 are behind the point. No
/// frame has more than 25.
type Cell = u64;

const LEAST: Cell = 0xFF << 56;
const WORST: Cell = 0xFF << 48;
const MEAN: Cell = (1 << 48) - 1;
const ONE: Cell = 1 << 56 | 1 << 48 | 1 << 40;

impl Ahead {
    /// With so many bytes of data still to come. Made when first asked for, 2 MiB each, and
    /// kept: they are the same for every plan.
    fn of(bytes: u8) -> &'static Ahead {
        static AHEAD: [OnceLock<Ahead>; MOST_BYTES as usize + 1] =
            [const { OnceLock::new() }; MOST_BYTES as usize + 1];
        AHEAD[usize::from(bytes)].get_or_init(|| match bytes.checked_sub(1) {
            None => Ahead::at_end_of_data(),
            Some(fewer) => (0..8).fold(Ahead::of(fewer).clone(), |ahead, _| ahead.step_back()),
        })
    }

    /// With all data sent the CRC sequence is the register itself.
    fn at_end_of_data() -> Ahead {
        let mut table = vec![0; REGISTERS * RUNS];
        for (state, cell) in table.iter_mut().enumerate() {
            let (register, mut run) = (state / RUNS, Run((state % RUNS) as u8));
            for bit in (0..CRC_BITS).rev() {
                if run.push(register >> bit & 1 == 1) {
                    *cell += ONE;
                }
            }
        }
        Ahead { table }
    }

    /// One more bit of data, which can be 0 or 1, before what the table stood for.
    // Plain loops: a debug build spends most of a plan's time here.
    fn step_back(self) -> Ahead {
        let mut before = vec![0; REGISTERS * RUNS];
        let mut register = 0;
        while register < REGISTERS {
            let zero = shift_in(register as u32, false) as usize * RUNS;
            let one = shift_in(register as u32, true) as usize * RUNS;
            let mut run = 0;
            while run < RUNS {
                let after_zero = RUN_AFTER[0][run];
                let after_one = RUN_AFTER[1][run];
                let a = self.table[zero + after_zero.0 as usize] + after_zero.1 as Cell * ONE;
                let b = self.table[one + after_one.0 as usize] + after_one.1 as Cell * ONE;
                let least = if a & LEAST < b & LEAST { a & LEAST } else { b & LEAST };
                let worst = if a & WORST > b & WORST { a & WORST } else { b & WORST };
                before[register * RUNS + run] = least | worst | ((a & MEAN) + (b & MEAN)) >> 1;
                run += 1;
            }
            register += 1;
        }
        Ahead { table: before }
    }

    fn wire_time(&self, shape: &FrameShape) -> WireTime {
        let id = u32::from(shape.id.as_raw());
        // Start of frame, identifier, RTR, IDE and the reserved bit (all dominant), length code.
        let head = (id << 7 | u32::from(shape.bytes()), 19);
        let first = shape.first.map(|byte| (u32::from(byte), 8));
        let mut walk = Walk { register: 0, run: Run::IDLE };
        let mut stuff = 0;
        for (bits, count) in [Some(head), first].into_iter().flatten() {
            for bit in (0..count).rev() {
                stuff += u64::from(walk.push(bits >> bit & 1 == 1));
            }
        }
        let cell = self.table[walk.state()];
        let plain = FIXED_BITS + 8 * u64::from(shape.bytes()) + stuff;
        WireTime {
            least: plain + (cell >> 56),
            mean: plain as f64 + (cell & MEAN) as f64 / (1u64 << 40) as f64,
            worst: plain + ((cell & WORST) >> 48),
        }
    }
}

/// The CRC register and the run of equal bits, somewhere in a frame.
#[derive(Clone, Copy)]
struct Walk {
    register: u32,
    run: Run,
}

impl Walk {
    /// Sends one bit; whether a stuff bit follows it.
    fn push(&mut self, bit: bool) -> bool {
        self.register = shift_in(self.register, bit);
        self.run.push(bit)
    }

    fn state(self) -> usize {
        self.register as usize * RUNS + usize::from(self.run.0)
    }
}

/// The CRC register after one more bit.
const fn shift_in(register: u32, bit: bool) -> u32 {
    let out = register >> (CRC_BITS - 1) & 1 == 1;
    let shifted = register << 1 & (REGISTERS as u32 - 1);
    if out != bit { shifted ^ POLYNOMIAL } else { shifted }
}

/// The last bit in bit 2, how many equal ones there are so far, less one, in bits 1–0.
#[derive(Clone, Copy)]
struct Run(u8);

impl Run {
    /// The recessive bus; the dominant start of frame begins a run of its own.
    const IDLE: Run = Run(0b100);

    /// Sends one bit; whether a stuff bit follows it.
    fn push(&mut self, bit: bool) -> bool {
        let (next, stuff) = RUN_AFTER[usize::from(bit)][usize::from(self.0)];
        self.0 = next;
        stuff == 1
    }
}

/// The run after a 0 or a 1, by the run before it, and the stuff bits that follow.
static RUN_AFTER: [[(u8, u8); RUNS]; 2] = {
    let mut table = [[(0, 0); RUNS]; 2];
    let mut run = 0;
    while run < RUNS as u8 {
        let mut bit = 0;
        while bit < 2 {
            table[bit as usize][run as usize] = if run >> 2 != bit {
                (bit << 2, 0)
            } else if run & 3 == 3 {
                // The fifth equal bit: a complement follows and starts the next run.
                ((1 - bit) << 2, 1)
            } else {
                (run + 1, 0)
            };
            bit += 1;
        }
        run += 1;
    }
    table
};

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::Frame;
    use proptest::prelude::*;

    fn shape(id: u16, first: Option<u8>, open_bytes: u8) -> FrameShape {
        FrameShape { id: StandardId::new(id).unwrap(), first, open_bytes }
    }

    /// Every payload of two bytes, one by one, against the length of that very frame.
    #[test]
    fn agrees_with_every_payload() {
        let shapes = [
            shape(0x000, None, 0),
            shape(0x3CC, None, 1),
            shape(0x465, None, 2),
            shape(0x000, None, 2),
            shape(0x3CC, Some(0x00), 1),
            shape(0x7FF, Some(0x81), 2),
        ];
        for shape in &shapes {
            let time = shape.wire_time();
            let (mut least, mut sum, mut worst) = (u64::MAX, 0, 0);
            let count = 1u32 << (8 * shape.open_bytes);
            for payload in 0..count {
                let mut data: Vec<u8> = shape.first.into_iter().collect();
                let open = payload.to_be_bytes();
                data.extend(&open[4 - usize::from(shape.open_bytes)..]);
                let bits = Frame::data(shape.id, &data).unwrap().wire_bits().0;
                least = least.min(bits);
                worst = worst.max(bits);
                sum += bits;
            }
            assert_eq!((time.least, time.worst), (least, worst), "{shape:?}");
            assert!((time.mean - sum as f64 / f64::from(count)).abs() < 1e-4, "{shape:?}");
        }
    }

    /// Mean stuff bits over 34 + 8 s fair random bits, calculated from the rule by two
    /// independent routines.
    #[test]
    fn mean_stuff_bits_of_random_bits() {
        for (bytes, expected) in [(0, 1.0244), (1, 1.2911), (4, 2.0911), (8, 3.1578)] {
            let mut chance = [0.0f64; RUNS];
            chance[0] = 0.5;
            chance[4] = 0.5;
            let mut mean = 0.0;
            for _ in 1..34 + 8 * bytes {
                let mut next = [0.0; RUNS];
                for (state, p) in chance.iter().enumerate() {
                    for bit in [false, true] {
                        let mut run = Run(state as u8);
                        if run.push(bit) {
                            mean += p / 2.0;
                        }
                        next[usize::from(run.0)] += p / 2.0;
                    }
                }
                chance = next;
            }
            assert!((mean - expected).abs() < 5e-5, "{bytes}: {mean}");
        }
    }

    /// Davis et al. 2007: 55 + 10 s bits; without a stuff bit 47 + 8 s.
    #[test]
    fn lies_between_the_published_bounds() {
        let shapes: Vec<_> = (0..=8).map(|bytes| shape(0x3C5, None, bytes)).collect();
        for shape in &shapes {
            let time = shape.wire_time();
            assert!(time.worst <= shape.bound(), "{time:?}");
            assert!(time.least >= FIXED_BITS + 8 * u64::from(shape.bytes()), "{time:?}");
            assert!(time.least as f64 <= time.mean && time.mean <= time.worst as f64);
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(8))]
        #[test]
        fn no_payload_lies_outside(
            id in 0u16..0x800,
            payloads in prop::collection::vec(any::<[u8; 4]>(), 50),
        ) {
            let shape = shape(id, None, 4);
            let time = shape.wire_time();
            for data in payloads {
                let bits = Frame::data(shape.id, &data).unwrap().wire_bits().0;
                prop_assert!((time.least..=time.worst).contains(&bits));
            }
        }
    }
}
