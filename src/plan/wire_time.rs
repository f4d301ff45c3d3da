//! How long a frame is on the wire over all the data it could carry: least, mean, greatest.
//!
//! Exact, not estimated: for a given identifier and length code all payloads are covered by
//! walking the bits once with every state that they could have led to. A state is the CRC
//! register and the run of equal bits, 2¹⁵ × 8 of them; going back from the end of the data,
//! the stuff bits still to come depend on nothing else. Layout: ISO 11898-1.

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
pub struct Shape {
    /// The identifier.
    pub id: StandardId,
    /// The first byte, where it is known: the fragment byte.
    pub first: Option<u8>,
    /// How many data bytes follow that can be anything; 8 at most with the first byte.
    pub open_bytes: u8,
}

impl Shape {
    /// How many data bytes the frame has.
    pub fn bytes(&self) -> u8 {
        u8::from(self.first.is_some()) + self.open_bytes
    }

    /// The length that no 11-bit data frame of so many bytes exceeds: 55 + 10 s bits
    /// (Davis et al. 2007).
    pub fn bound(&self) -> u64 {
        55 + 10 * u64::from(self.bytes())
    }
}

/// The wire time of each shape, in the order given.
pub fn wire_times(shapes: &[Shape]) -> Vec<WireTime> {
    let mut result = vec![WireTime { least: 0, mean: 0.0, worst: 0 }; shapes.len()];
    let most = shapes.iter().map(|shape| shape.open_bytes).max().unwrap_or(0);
    let mut ahead = Ahead::at_end_of_data();
    for open_bytes in 0..=most {
        if open_bytes > 0 {
            (0..8).for_each(|_| ahead.step_back());
        }
        for (shape, time) in shapes.iter().zip(&mut result) {
            if shape.open_bytes == open_bytes {
                *time = ahead.wire_time(shape);
            }
        }
    }
    result
}

/// The stuff bits still to come, by state: least, mean, greatest.
struct Ahead {
    table: Vec<(u8, f32, u8)>,
}

impl Ahead {
    /// With all data sent the CRC sequence is the register itself.
    fn at_end_of_data() -> Ahead {
        let of = |state: usize| {
            let (register, mut run) = (state / RUNS, Run((state % RUNS) as u8));
            let stuff: u8 =
                (0..CRC_BITS).rev().map(|bit| u8::from(run.push(register >> bit & 1 == 1))).sum();
            (stuff, f32::from(stuff), stuff)
        };
        Ahead { table: (0..REGISTERS * RUNS).map(of).collect() }
    }

    /// One more bit of data, which can be 0 or 1, before what the table stood for.
    fn step_back(&mut self) {
        let mut before = Vec::with_capacity(REGISTERS * RUNS);
        for register in 0..REGISTERS as u32 {
            let zero = shift_in(register, false) as usize * RUNS;
            let one = shift_in(register, true) as usize * RUNS;
            for (&(run0, stuff0), &(run1, stuff1)) in RUN_AFTER[0].iter().zip(&RUN_AFTER[1]) {
                let (least0, mean0, worst0) = self.table[zero + run0 as usize];
                let (least1, mean1, worst1) = self.table[one + run1 as usize];
                let (least0, worst0) = (least0 + stuff0, worst0 + stuff0);
                let (least1, worst1) = (least1 + stuff1, worst1 + stuff1);
                before.push((
                    if least0 < least1 { least0 } else { least1 },
                    (mean0 + mean1 + (stuff0 + stuff1) as f32) / 2.0,
                    if worst0 > worst1 { worst0 } else { worst1 },
                ));
            }
        }
        self.table = before;
    }

    fn wire_time(&self, shape: &Shape) -> WireTime {
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
        let (least, mean, worst) = self.table[walk.state()];
        let plain = FIXED_BITS + 8 * u64::from(shape.bytes()) + stuff;
        WireTime {
            least: plain + u64::from(least),
            mean: plain as f64 + f64::from(mean),
            worst: plain + u64::from(worst),
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
    use crate::wire::{Frame, wire_bits};
    use proptest::prelude::*;

    fn shape(id: u16, first: Option<u8>, open_bytes: u8) -> Shape {
        Shape { id: StandardId::new(id).unwrap(), first, open_bytes }
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
        for (shape, time) in shapes.iter().zip(wire_times(&shapes)) {
            let (mut least, mut sum, mut worst) = (u64::MAX, 0, 0);
            let count = 1u32 << (8 * shape.open_bytes);
            for payload in 0..count {
                let mut data: Vec<u8> = shape.first.into_iter().collect();
                let open = payload.to_be_bytes();
                data.extend(&open[4 - usize::from(shape.open_bytes)..]);
                let bits = wire_bits(&Frame::data(shape.id, &data).unwrap()).0;
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
        for (shape, time) in shapes.iter().zip(wire_times(&shapes)) {
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
            let time = wire_times(&[shape])[0];
            for data in payloads {
                let bits = wire_bits(&Frame::data(shape.id, &data).unwrap()).0;
                prop_assert!((time.least..=time.worst).contains(&bits));
            }
        }
    }
}
