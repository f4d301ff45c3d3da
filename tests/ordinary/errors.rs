//! Errors on the wire: few, many, of one kind, and what is no error of the wire at all.

use super::line::{Line, Mode};
use super::wire::MS;
use super::{Scenario, WELL, judge};
use dropline::record::What;

fn small_line(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    for mac in [4, 7, 21, 30] {
        line.node(mac, Mode::Poll, 2, 4);
    }
    line.master(0, 30);
    line.packet_rate = 120;
    line
}

fn one_error_a_day(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    line.node(4, Mode::Poll, 2, 2);
    line.node(5, Mode::Poll, 2, 2);
    line.master(0, 60_000);
    line.running();
    for _ in 0..6 {
        line.run(24 * 3600 * 1000);
        line.wire.error(0x088, [0, 0, 4, 0, 0, 0, 0, 0]);
    }
    line
}

fn noise(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    line.run(10_000);
    line.wire.noise = 0.04;
    line.run(20_000);
    line
}

/// Something switches on and off three times in two seconds, and each edge destroys what is just on
/// the wire; it comes up to 12 ms early or late.
fn two_edges_a_cycle(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    line.run(5000);
    let begun = line.wire.now;
    for cycle in 0..60 {
        for edge in [0, 233] {
            let jitter = line.wire.random.between(-12, 12);
            let at = begun + (cycle * 667 + edge + jitter) * MS;
            line.run(((at - line.wire.now) / MS).max(1));
            line.wire.error(0x088, [0, 0, 4, 0, 0, 0, 0, 0]);
        }
    }
    line
}

/// The adapter's own buffer overflows again and again, and frames are missing after that.
fn overflows(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    for _ in 0..6 {
        line.run(5000);
        // linux/can/error.h: controller, receive overflow.
        line.wire.error(0x004, [0, 1, 0, 0, 0, 0, 0, 0]);
        let heard = line.wire.records.len();
        line.run(200);
        line.wire.records.truncate(heard);
    }
    line.run(3000);
    line
}

fn frames_lost(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    for _ in 0..3 {
        line.run(5000);
        let heard = line.wire.records.len();
        line.run(150);
        let lost = line.wire.records.len() - heard;
        line.wire.records.truncate(heard);
        line.wire.push(What::Lost(lost as u64));
    }
    line.run(3000);
    line
}

/// All but node 7 are gone. Nobody acknowledges it, so it sends the same frame back to back: a form
/// error at the ACK delimiter each time to a listener (linux/can/error.h, location 1B) until it is
/// error passive, then the frame alone, 14 bits further apart than others (ISO 11898-1, from memory).
fn alone(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    for mac in [4, 21] {
        line.node(mac, Mode::Poll, 2, 4);
    }
    line.node(7, Mode::Change { every_ms: 100, acknowledged: true }, 0, 4);
    line.master(0, 30);
    line.packet_rate = 120;
    line.power_up();
    line.run(15_000);
    line.master_off(0);
    for mac in [4, 7, 21] {
        line.switch_off(mac);
    }
    let bit = 8000;
    for n in 0..1500 {
        if n < 16 {
            line.wire.now += 80 * bit;
            line.wire.error(0x088, [0, 0, 2, 0x1B, 0, 0, 0, 0]);
        }
        line.wire.send(14 * bit, 0x347, &[9, 9, 9, 9]);
        while let Some(super::wire::Next::Timer(_)) = line.wire.next(line.wire.now + 20 * MS) {}
    }
    line
}

#[test]
fn errors_are_told_by_how_they_come() {
    judge(&[
        Scenario { name: "one error a day", make: one_error_a_day, first: WELL, never: &[] },
        Scenario {
            name: "noise",
            make: noise,
            first: "fault bus-errors",
            never: &["errors-strike", "errors-in", "errors-with"],
        },
        Scenario {
            name: "two edges a cycle",
            make: two_edges_a_cycle,
            first: "warning errors-in-rhythm",
            never: &["errors-strike", "errors-with"],
        },
        Scenario {
            name: "overflows",
            make: overflows,
            first: "warning frames-lost",
            never: &["bus-errors", "missed-polls"],
        },
        Scenario {
            name: "frames lost",
            make: frames_lost,
            first: "warning frames-lost",
            never: &["missed-polls", "node-left"],
        },
        Scenario { name: "alone", make: alone, first: "fault alone-on-the-wire 7", never: &[] },
    ]);
}
