//! Frames on a wire, one after the other: the test's own trunk, written from the published rules and
//! from nothing in `src`, so that it does not share the gaps of the simulator there.
//!
//! Sources: ISO 11898-1 (arbitration by the lower identifier, a frame as long as its bits), IEC
//! 62026-3 (identifiers, address check, allocation, connections). Each helper names what is from
//! elsewhere.

use std::collections::BTreeMap;

use dropline::record::{Clock, ErrorFrame, Frame, Header, StandardId, Tally, What};
use dropline::{Bitrate, Nanos, Record};

use super::plain_bits::wire_bits_bit_by_bit;

/// Nanoseconds in a millisecond.
pub const MS: i64 = 1_000_000;

/// Random numbers: SplitMix64, as published by Steele, Lea and Flood, "Fast splittable pseudorandom
/// number generators", 2014.
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ self.0 >> 30).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ z >> 27).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ z >> 31
    }

    /// Evenly from `low` to `high`.
    pub fn between(&mut self, low: i64, high: i64) -> i64 {
        low + (self.next() % (high - low + 1).max(1) as u64) as i64
    }

    /// Whether it happens this time.
    pub fn happens(&mut self, probability: f64) -> bool {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64 <= probability
    }
}

/// A frame that waits for the wire.
struct Waiting {
    from: i64,
    id: u16,
    data: Vec<u8>,
    /// Who sends it: frames of one sender and identifier keep their order.
    order: u64,
}

/// The wire, and what a listener saw on it.
pub struct Wire {
    pub bitrate: u32,
    pub random: Random,
    pub records: Vec<Record>,
    /// Share of frames that noise destroys; each is told as an error frame and sent again.
    pub noise: f64,
    waiting: Vec<Waiting>,
    /// What is to happen when, in this order.
    timers: BTreeMap<(i64, u64), Timer>,
    free: i64,
    count: u64,
    pub now: i64,
}

/// What happens at a time of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Timer {
    /// The master with this index begins a scan.
    Scan(usize),
    /// The node sends by itself: cyclic, or its heartbeat of change of state.
    Produce(u8),
    /// The node sends its address check for the nth time; after the second it is on line.
    Claim(u8, u8),
    /// The master with this index goes on with setting up its nodes.
    SetUp(usize),
}

/// What came next.
pub enum Next {
    Timer(Timer),
    Sent { id: u16, data: Vec<u8> },
}

impl Wire {
    pub fn new(bitrate: u32, seed: u64) -> Wire {
        Wire {
            bitrate,
            random: Random(seed.wrapping_mul(0x1234_5678_9ABC_DEF1) ^ seed),
            records: Vec::new(),
            noise: 0.0,
            waiting: Vec::new(),
            timers: BTreeMap::new(),
            free: 0,
            count: 0,
            now: 0,
        }
    }

    /// Has a frame wait for the wire, from `delay` nanoseconds from now on.
    pub fn send(&mut self, delay: i64, id: u16, data: &[u8]) {
        self.count += 1;
        let from = self.now + delay;
        self.waiting.push(Waiting { from, id, data: data.to_vec(), order: self.count });
    }

    pub fn after(&mut self, delay: i64, timer: Timer) {
        self.count += 1;
        self.timers.insert((self.now + delay, self.count), timer);
    }

    /// Forgets what a node or a master was about to do.
    pub fn forget(&mut self, is_it: impl Fn(Timer) -> bool) {
        self.timers.retain(|_, timer| !is_it(*timer));
    }

    /// Takes back what waits under these identifiers.
    pub fn take_back(&mut self, is_it: impl Fn(u16) -> bool) {
        self.waiting.retain(|waiting| !is_it(waiting.id));
    }

    /// What happens next, not after `until`.
    pub fn next(&mut self, until: i64) -> Option<Next> {
        let timer = self.timers.keys().next().copied();
        let start = self.waiting.iter().map(|waiting| waiting.from).min();
        let start = start.map(|from| from.max(self.free));
        if let Some(key) = timer
            && start.is_none_or(|start| key.0 <= start)
        {
            if key.0 > until {
                self.now = self.now.max(until);
                return None;
            }
            self.now = self.now.max(key.0);
            return self.timers.remove(&key).map(Next::Timer);
        }
        let Some(start) = start.filter(|&start| start <= until) else {
            self.now = self.now.max(until);
            return None;
        };
        // Of those that are ready the lowest identifier wins, of one sender the older frame.
        let ready = self.waiting.iter().enumerate().filter(|(_, w)| w.from <= start);
        let (index, _) = ready.min_by_key(|(_, w)| (w.id, w.order)).expect("one is ready");
        let bit = 1_000_000_000 / i64::from(self.bitrate);
        if self.random.happens(self.noise) && self.noise > 0.0 {
            // Destroyed half way: error flag, delimiter and intermission, then once more.
            self.now = start + 40 * bit;
            self.free = self.now + 20 * bit;
            self.error(0x088, [0, 0, 4, 0, 0, 0, 0, 0]);
            return self.next(until);
        }
        let Waiting { id, data, .. } = self.waiting.swap_remove(index);
        let frame = Frame::data(StandardId::new(id).expect("11 bits"), &data).expect("8 bytes");
        let length = wire_bits_bit_by_bit(&frame) as i64 * bit;
        self.free = start + length;
        // An adapter stamps a frame at its end, before the intermission of three bits.
        self.now = self.free - 3 * bit;
        self.push(What::Frame(frame));
        Some(Next::Sent { id, data })
    }

    pub fn push(&mut self, what: What) {
        self.records.push(Record { t: Nanos(self.now), what });
    }

    /// An error frame as a driver makes one (linux/can/error.h).
    pub fn error(&mut self, class: u32, data: [u8; 8]) {
        self.push(What::Error(ErrorFrame::new(class, data).expect("a class")));
    }

    /// The listener starts only here: what was before, nobody heard.
    pub fn begin_capture(&mut self) {
        self.records.clear();
    }

    /// The records with their end, from the first on.
    pub fn finish(&mut self) -> (Header, Vec<Record>) {
        let mut records = std::mem::take(&mut self.records);
        let first = records.first().map_or(0, |record| record.t.0);
        let mut tally = Tally::default();
        for record in &mut records {
            record.t = Nanos(record.t.0 - first);
            tally.add(&record.what);
        }
        records.push(Record { t: Nanos(self.now - first), what: What::End(Box::new(tally)) });
        let header = Header {
            started: "2026-04-09T05:15:00Z".parse().expect("a time"),
            bitrate: Bitrate::new(self.bitrate),
            interface: Some("can0".into()),
            listen_only: Some(true),
            reports_errors: Some(true),
            clock: Some(Clock::Kernel),
            tool: Some("made in a test".into()),
        };
        (header, records)
    }
}
