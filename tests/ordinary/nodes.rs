//! Nodes that are there and do not do as they should, or are where nobody expects them.

use super::healthy::work;
use super::line::{Line, Master, Mode, Request};
use super::{Scenario, WELL, judge};

fn small_line(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    for mac in [4, 7, 21, 30] {
        line.node(mac, Mode::Poll, 2, 2);
    }
    line.drive(12, 21, 71);
    line.master(0, 30);
    line.packet_rate = 120;
    line
}

/// A device is connected as it came, at 63, and nobody has it on a list.
fn at_the_factory_address(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.power_up();
    line.run(6000);
    line.node(63, Mode::Nothing, 0, 0);
    line.switch_on(63);
    work(&mut line, 20);
    line
}

/// The master reads who node 30 is, gives it up, and tries again later.
fn refused_for_its_identity(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.at(30).mode = Mode::Nothing;
    line.masters[0].nodes.retain(|&node| node != 30);
    line.power_up();
    line.run(6000);
    for _ in 0..4 {
        let ask = |message, body: &[u8]| Request { node: 30, message, body: body.to_vec() };
        line.ask(
            0,
            [
                ask(6, &[0, 0x4B, 3, 1, 1, 0]),
                ask(4, &[0, 0x0E, 1, 1, 1]),
                ask(4, &[0, 0x0E, 1, 1, 3]),
                ask(4, &[0, 0x4C, 3, 1, 1]),
            ],
        );
        line.run(8000);
    }
    line
}

/// Node 12 held its address before anybody listened. A second device asks for 12, is not refused, and
/// goes on line; while it asks, 12 goes on answering.
fn contested(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    line.run(8000);
    for _ in 0..2 {
        line.wire.send(0, 0x467, &[0, 0x86, 3, 0x44, 0x33, 0x22, 0x11]);
        line.run(1000);
    }
    line.run(10_000);
    line
}

/// A node that really starts anew is silent while it asks.
fn restarts_after_the_capture_began(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    line.run(8000);
    line.switch_off(12);
    line.run(200);
    line.switch_on(12);
    line.run(3000);
    line.allocate_again(0, 12);
    line.run(10_000);
    line
}

fn skips_polls(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.at(21).skips = 0.05;
    line.running();
    line.run(30_000);
    line
}

fn slow(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.at(21).delay = (14_000, 17_000);
    line.masters[0].interval *= 2;
    line.running();
    line.run(30_000);
    line
}

fn answers_with_nothing(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    line.run(10_000);
    line.at(21).input = 0;
    line.run(4000);
    line.at(21).input = 2;
    line.run(10_000);
    line
}

fn answers_with_more(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    line.run(10_000);
    line.at(21).input = 5;
    line.run(10_000);
    line
}

fn is_told_more(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    line.run(10_000);
    line.at(21).out = 6;
    line.run(10_000);
    line
}

/// Four times the packet rate is less than the scan takes: the node times out before each poll.
fn packet_rate_too_short(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.packet_rate = 6;
    line.power_up();
    line.run(15_000);
    line
}

/// The master's module is exchanged: its address is claimed by another device.
fn master_replaced(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.power_up();
    line.run(15_000);
    line.master_off(0);
    line.switch_off(0);
    line.run(20_000);
    line.at(0).serial += 1;
    line.switch_on(0);
    line.masters[0].scans = 0;
    line.master_on(0, 2500);
    line.run(20_000);
    line
}

/// Polled from the start, never there.
fn never_there(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.masters[0].nodes.push(44);
    line.running();
    line.run(20_000);
    line
}

/// A tool looks for who is there: it asks every address once.
fn tool_looks_around(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.power_up();
    line.run(6000);
    line.node(62, Mode::Nothing, 0, 0);
    line.switch_on(62);
    line.run(3000);
    line.masters.push(Master::tool(62));
    let ask = |node| Request { node, message: 6, body: vec![62, 0x4B, 3, 1, 1, 62] };
    line.ask(1, (1..62).map(ask));
    work(&mut line, 60);
    line
}

#[test]
fn nodes_are_told_by_what_they_do() {
    judge(&[
        Scenario {
            name: "at the factory address",
            make: at_the_factory_address,
            first: "warning never-allocated 63",
            never: &["fault"],
        },
        Scenario {
            name: "refused for its identity",
            make: refused_for_its_identity,
            first: "warning never-allocated 30",
            never: &["fault"],
        },
        Scenario {
            name: "contested",
            make: contested,
            first: "fault address-clash 12",
            never: &["node-restarted"],
        },
        Scenario {
            name: "restarts after the capture began",
            make: restarts_after_the_capture_began,
            first: "warning node-left 12",
            never: &["address-clash"],
        },
        Scenario {
            name: "skips polls",
            make: skips_polls,
            first: "fault missed-polls 21",
            never: &["node-left"],
        },
        Scenario {
            name: "slow",
            make: slow,
            first: "warning slow-answers 21",
            never: &["missed-polls"],
        },
        Scenario {
            name: "answers with nothing",
            make: answers_with_nothing,
            first: "warning empty-answers 21",
            never: &["response-size"],
        },
        Scenario {
            name: "answers with more",
            make: answers_with_more,
            first: "fault response-size 21",
            never: &[],
        },
        Scenario {
            name: "is told more",
            make: is_told_more,
            first: "fault command-size 21",
            never: &[],
        },
        Scenario {
            name: "packet rate too short",
            make: packet_rate_too_short,
            first: "fault packet-rate-short 4",
            never: &["polling-stopped"],
        },
        Scenario {
            name: "master replaced",
            make: master_replaced,
            first: "fault polling-stopped 0",
            never: &["node-left", "address-clash"],
        },
        Scenario {
            name: "never there",
            make: never_there,
            first: "fault never-answered 44",
            never: &["node-left"],
        },
        Scenario {
            name: "a tool looks around",
            make: tool_looks_around,
            first: WELL,
            never: &["never-allocated"],
        },
    ]);
}
