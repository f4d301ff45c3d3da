//! What a plan puts on the wire: bus load, response times, the shortest scan interval that
//! fits, and the room for more nodes.

use super::messages::{Pace, PlannedMessage, messages, poll_messages};
use super::model::Plan;
use super::response_time::{Message, response_time, response_times};
use super::wire_time::{Shape, WireTime};
use crate::fieldbus::MacId;
use crate::wire::{BitTime, Bitrate, Nanos};

/// The longest frame that anybody on the trunk may just have begun, whatever the plan says: an
/// address check, a heartbeat, an explicit message to some other node. 55 + 10 × 8 bits.
const FOREIGN_BITS: u64 = 135;

/// The longest scan interval that a search looks at, as long as the plan may have.
const LONGEST_MS: i64 = 65_535;

/// The predicted traffic of a plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Traffic {
    /// Each message with its times, the highest priority first.
    pub messages: Vec<MessageTimes>,
    /// The share of the bus with random data, 1 for all of it.
    pub mean_load: f64,
    /// The share of the bus with the data that need the most stuff bits.
    pub worst_load: f64,
    /// The shortest scan interval at which every I/O message is through before its next one is
    /// due; `None` where no interval up to 65.535 s is long enough, or nothing is scanned.
    pub shortest_scan: Option<Nanos>,
    /// Whether every I/O message is through before its next one at the plan's interval.
    pub fits: bool,
}

/// One message with its times in bit times.
#[derive(Debug, Clone, PartialEq)]
pub struct MessageTimes {
    /// The message.
    pub message: PlannedMessage,
    /// Its frames one by one.
    pub frames: Vec<WireTime>,
    /// All its frames on the wire, interframe space included.
    pub wire: WireTime,
    /// The least time between two of it.
    pub period: Nanos,
    /// From ready to send to wholly received, in the worst case; `None` without bound.
    pub response: Option<BitTime>,
}

impl Traffic {
    /// Predicts the traffic of a plan.
    pub fn of(plan: &Plan) -> Traffic {
        let load = Load::of(plan, messages(plan));
        let scan = load.bits(plan.trunk.scan_interval);
        let responses = response_times(&load.at(scan), FOREIGN_BITS, 1);
        let share = |bits: f64, pace| {
            let period = plan.period(pace).as_secs() * f64::from(plan.trunk.bitrate.get());
            bits / period
        };
        let shares = |of: fn(&WireTime) -> f64| {
            load.parts.iter().map(|part| share(of(&part.wire), part.message.pace)).sum()
        };
        Traffic {
            mean_load: shares(|wire| wire.mean),
            worst_load: shares(|wire| wire.worst as f64),
            shortest_scan: load.shortest_scan().map(|bits| plan.trunk.bitrate.duration(bits)),
            fits: load.fits(scan),
            messages: load
                .parts
                .into_iter()
                .zip(responses)
                .map(|(part, response)| MessageTimes {
                    frames: part.frames,
                    wire: part.wire,
                    period: plan.period(part.message.pace),
                    response: response.map(BitTime),
                    message: part.message,
                })
                .collect(),
        }
    }
}

/// How many more polled nodes of a size still fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Room {
    /// The nodes that the plan's scan interval and its free addresses have room for.
    pub nodes: usize,
    /// The addresses that the plan leaves free.
    pub free_addresses: usize,
}

/// How many more polled nodes with these I/O sizes fit at the plan's scan interval. They take
/// the free addresses from the lowest up; a master that the plan does not name keeps address 0.
pub fn room(plan: &Plan, command_bytes: u16, response_bytes: u16) -> Room {
    let taken = |mac_id: &MacId| {
        plan.node(*mac_id).is_some() || (mac_id.get() == 0 && plan.master().is_none())
    };
    let free: Vec<_> = MacId::all().filter(|mac_id| !taken(mac_id)).collect();
    let mut all = messages(plan);
    let own = all.len();
    all.extend(
        free.iter().flat_map(|&mac_id| poll_messages(mac_id, command_bytes, response_bytes)),
    );
    let everything = Load::of_unsorted(plan, all);
    let with = |more: usize| {
        let parts = everything.parts[..own + 2 * more].to_vec();
        let load = Load { parts, bitrate: plan.trunk.bitrate }.sorted();
        load.fits(load.bits(plan.trunk.scan_interval))
    };
    // More nodes never help, so halving finds the last count that fits.
    let counts: Vec<_> = (1..=free.len()).collect();
    let nodes = counts.partition_point(|&more| with(more));
    Room { nodes, free_addresses: free.len() }
}

impl Plan {
    /// How often a message with this pace is sent.
    fn period(&self, pace: Pace) -> Nanos {
        match pace {
            Pace::Scan => self.trunk.scan_interval,
            Pace::Own(interval) => interval,
        }
    }
}

/// Messages with their wire times, by priority.
struct Load {
    parts: Vec<Part>,
    bitrate: Bitrate,
}

#[derive(Clone)]
struct Part {
    message: PlannedMessage,
    frames: Vec<WireTime>,
    wire: WireTime,
}

impl Load {
    fn of(plan: &Plan, messages: Vec<PlannedMessage>) -> Load {
        Load::of_unsorted(plan, messages).sorted()
    }

    fn of_unsorted(plan: &Plan, messages: Vec<PlannedMessage>) -> Load {
        let parts = messages.into_iter().map(|message| {
            let frames: Vec<_> = message.frames().iter().map(Shape::wire_time).collect();
            let none = WireTime { least: 0, mean: 0.0, worst: 0 };
            let wire = frames.iter().fold(none, |sum, &frame| sum.then(frame));
            Part { message, frames, wire }
        });
        Load { parts: parts.collect(), bitrate: plan.trunk.bitrate }
    }

    fn sorted(mut self) -> Load {
        self.parts.sort_by_key(|part| part.message.id);
        self
    }

    /// Whole bit times in a span, rounded down: a shorter period is the harder one.
    fn bits(&self, span: Nanos) -> u64 {
        let bits = i128::from(span.0) * i128::from(self.bitrate.get()) / 1_000_000_000;
        u64::try_from(bits).unwrap_or(0)
    }

    /// The messages for the response-time test, with a scan interval in bit times.
    fn at(&self, scan: u64) -> Vec<Message> {
        self.parts.iter().map(|part| self.message(part, scan)).collect()
    }

    fn message(&self, part: &Part, scan: u64) -> Message {
        let period = match part.message.pace {
            Pace::Scan => scan,
            Pace::Own(interval) => self.bits(interval),
        };
        let worst = part.frames.iter().map(|frame| frame.worst);
        let last = worst.clone().next_back().unwrap_or(0);
        Message { total: part.wire.worst, last, longest: worst.max().unwrap_or(0), period }
    }

    /// Whether every I/O message is through before its next one is due.
    fn fits(&self, scan: u64) -> bool {
        let set = self.at(scan);
        // The lowest priority mostly fails first.
        self.parts.iter().enumerate().rev().filter(|(_, part)| !part.message.explicit).all(
            |(index, _)| {
                response_time(&set, index, FOREIGN_BITS, 1)
                    .is_some_and(|response| response <= set[index].period)
            },
        )
    }

    /// By halving: a longer interval only takes interference away.
    fn shortest_scan(&self) -> Option<BitTime> {
        let scanned = |part: &&Part| part.message.pace == Pace::Scan;
        let mut long = self.bits(Nanos::from_millis(LONGEST_MS));
        if !self.parts.iter().any(|part| scanned(&part)) || !self.fits(long) {
            return None;
        }
        // One scan's own messages need this in any case.
        let own = self.parts.iter().filter(scanned).map(|part| part.wire.worst);
        let mut short = own.sum::<u64>();
        while long - short.min(long) > 1 {
            let middle = short + (long - short) / 2;
            if self.fits(middle) {
                long = middle;
            } else {
                short = middle;
            }
        }
        Some(BitTime(long))
    }
}
