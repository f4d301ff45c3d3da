//! Checks the simulated bus against published worst-case response times: arbitration, blocking
//! by what has started, and interframe space, frame by frame.
//!
//! Source: Davis, Burns, Bril, Lukkien, "Controller Area Network (CAN) schedulability analysis:
//! refuted, revisited and revised", Real-Time Systems 35 (2007) 239–272. The responses were
//! calculated from its exact test; the inputs of the counter-example are from memory.

use std::collections::BTreeMap;

use super::scenario::Scenario;
use super::simulation::Simulation;
use crate::wire::{BitTime, Frame, Id, What};

/// The bound of Davis et al. 2007 for 11-bit identifiers, instead of the exact length.
fn longest(frame: &Frame) -> BitTime {
    BitTime(55 + 10 * frame.bytes().len() as u64)
}

/// The same in half bits, for periods that are no whole bits.
fn longest_in_halves(frame: &Frame) -> BitTime {
    BitTime(2 * longest(frame).0)
}

/// How the simulator counts: so many of its bits a millisecond, at 125 kbit/s.
#[derive(Clone, Copy)]
struct Scale(u64);

const BITS: Scale = Scale(125);
const HALF_BITS: Scale = Scale(250);

/// A message: bytes and period in ms; the priority is its place in the list.
type PublishedMessage = (u64, f64);

/// Messages released together at `offset` bits, with one of lower priority released at 0.
/// Gives every response time of each message in bits, interframe space included.
fn responses(
    messages: &[PublishedMessage],
    blocker: Option<u64>,
    ms: f64,
    scale: Scale,
) -> Vec<Vec<u64>> {
    let offset = u64::from(blocker.is_some());
    let mut text = format!(
        "[trunk]\nname = \"Orchard Lane test bench\"\nbitrate = {}\nduration_s = {}\n\
         [master]\nvendor_id = 900\nserial = 1\npower_on_ms = 3600000\n",
        scale.0 * 1000,
        ms / 1000.0
    );
    let mut talker = |id: usize, bytes: u64, period: f64, offset_bits: u64| {
        let data = vec!["85"; bytes as usize].join(", ");
        let offset = offset_bits as f64 / scale.0 as f64;
        text += &format!(
            "[[talker]]\nid = {id}\ndata = [{data}]\nperiod_ms = {period}\noffset_ms = {offset}\n"
        );
    };
    for (priority, &(bytes, period)) in messages.iter().enumerate() {
        talker(priority, bytes, period, offset);
    }
    if let Some(bytes) = blocker {
        talker(0x700, bytes, 3_600_000.0, 0);
    } else {
        // Somebody has to acknowledge the last one.
        talker(0x701, 0, 3_600_000.0, 3_600_000 * scale.0 / 2);
    }
    let length = if scale.0 == BITS.0 { longest } else { longest_in_halves };
    let mut world = Simulation::new(Scenario::parse(&text).unwrap(), 0, length);
    let mut seen: BTreeMap<u16, Vec<u64>> = BTreeMap::new();
    let mut batch = Vec::new();
    loop {
        let more = world.advance(&mut batch);
        for record in batch.drain(..) {
            if let What::Frame(frame) = &record.what
                && let Id::Standard(id) = frame.id()
            {
                let heard = record.t.0 as u64 * scale.0 / 1_000_000 + 3;
                seen.entry(id.as_raw()).or_default().push(heard);
            }
        }
        if !more {
            break;
        }
    }
    let instances = |priority: usize, period: f64| -> Vec<u64> {
        let ends = &seen[&(priority as u16)];
        let released = |k: usize| offset + (k as f64 * period * scale.0 as f64) as u64;
        ends.iter().enumerate().map(|(k, end)| end - released(k)).collect()
    };
    messages.iter().enumerate().map(|(p, &(_, period))| instances(p, period)).collect()
}

/// The worst response of each message: those of higher or equal priority released together,
/// one bit after the longest of lower priority has started. Time here is in whole bits, so the
/// one bit is added again.
fn worst(messages: &[PublishedMessage], ms: f64, scale: Scale) -> Vec<u64> {
    (0..messages.len())
        .map(|i| {
            let blocker = messages[i + 1..].iter().map(|&(bytes, _)| bytes).max();
            let all = responses(&messages[..=i], blocker, ms, scale);
            all[i].iter().max().unwrap() + u64::from(blocker.is_some())
        })
        .collect()
}

#[test]
fn the_sae_benchmark_set() {
    // Transmission times in ms as published; at 125 kbit/s the bytes that take so long.
    let bytes = |c: f64| ((c * BITS.0 as f64).round() as u64 - 55) / 10;
    let set = [
        (0.52, 50.0),
        (0.60, 5.0),
        (0.52, 5.0),
        (0.60, 5.0),
        (0.52, 5.0),
        (0.60, 5.0),
        (0.92, 10.0),
        (0.52, 10.0),
        (0.60, 10.0),
        (0.68, 10.0),
        (0.52, 50.0),
        (0.76, 100.0),
        (0.52, 100.0),
        (0.52, 100.0),
        (0.68, 1000.0),
        (0.52, 1000.0),
        (0.52, 1000.0),
    ];
    let expected = [
        1.44, 2.04, 2.56, 3.16, 3.68, 4.28, 5.04, 8.40, 9.00, 9.68, 10.20, 19.28, 19.80, 20.32,
        29.24, 29.76, 29.76,
    ];
    let set = set.map(|(c, period)| (bytes(c), period));
    let expected = expected.map(|ms: f64| (ms * BITS.0 as f64).round() as u64);
    assert_eq!(worst(&set, 200.0, BITS), expected);
}

/// The second instance of C has the longest response, not the first.
#[test]
fn the_counter_example_where_the_second_instance_is_the_worst() {
    let set = [(7, 2.5), (7, 3.5), (7, 3.5)];
    let all = responses(&set, None, 20.0, HALF_BITS);
    let ms = |bits: u64| bits as f64 / HALF_BITS.0 as f64;
    assert_eq!((ms(all[2][0]), ms(all[2][1])), (3.0, 3.5));
    let worst: Vec<f64> = worst(&set, 20.0, HALF_BITS).into_iter().map(ms).collect();
    assert_eq!(worst, [2.0, 3.0, 3.5]);
}
