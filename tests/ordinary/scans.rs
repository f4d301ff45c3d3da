//! What masters do that is no fault of their nodes: idle, stopped, waiting for who is not there; and
//! nodes that fall silent.

use super::healthy::{command, work};
use super::line::{Line, Mode, Request};
use super::{Scenario, WELL, judge};

fn small_line(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    line.node(4, Mode::Poll, 2, 2);
    line.node(7, Mode::Poll, 0, 3);
    line.drive(12, 21, 71);
    line.drive(13, 21, 71);
    line.master(0, 30);
    line.packet_rate = 120;
    line
}

/// In run, then in program mode: the drives were asked to run before.
fn goes_idle(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    work(&mut line, 6);
    command(&mut line, 0x61, 700);
    line.run(4000);
    line.masters[0].idle = true;
    line.run(20_000);
    line
}

fn idle_for_a_while(seed: u64) -> Line {
    let mut line = goes_idle(seed);
    line.masters[0].idle = false;
    work(&mut line, 20);
    line
}

fn changes(seed: u64, acknowledged: bool) -> Line {
    let mut line = Line::new(125_000, seed);
    for mac in [2, 9, 33] {
        line.node(mac, Mode::Change { every_ms: 100, acknowledged }, 0, 4);
    }
    line.master(0, 50);
    line.power_up();
    line.run(15_000);
    line
}

fn change_node_dies(seed: u64, acknowledged: bool) -> Line {
    let mut line = changes(seed, acknowledged);
    line.switch_off(9);
    line.run(20_000);
    line
}

fn strobes_stop(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    for mac in [2, 9, 33] {
        line.node(mac, Mode::Strobe, 0, 2);
    }
    line.master(0, 50);
    line.packet_rate = 200;
    line.power_up();
    line.run(15_000);
    line.master_off(0);
    line.run(15_000);
    line
}

fn acknowledges_stop(seed: u64) -> Line {
    let mut line = changes(seed, true);
    line.masters[0].acknowledges = false;
    line.run(15_000);
    line
}

fn polls_stop(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.power_up();
    work(&mut line, 15);
    line.master_off(0);
    line.run(10_000);
    line
}

fn node_dies(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.power_up();
    line.run(15_000);
    line.switch_off(7);
    line.run(15_000);
    line
}

fn node_restarts(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.power_up();
    line.run(15_000);
    line.switch_off(7);
    line.run(300);
    line.switch_on(7);
    line.run(3000);
    line.allocate_again(0, 7);
    line.run(20_000);
    line
}

/// The master asks for a node that is not there, by allocating it again and again.
fn allocates_nobody(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.power_up();
    line.run(8000);
    for _ in 0..12 {
        line.ask(0, [Request { node: 40, message: 6, body: vec![0, 0x4B, 3, 1, 3, 0] }]);
        line.run(3000);
    }
    line
}

/// The explicit connection first, again and again.
fn asks_nobody(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.power_up();
    line.run(8000);
    for _ in 0..12 {
        line.ask(0, [Request { node: 40, message: 6, body: vec![0, 0x4B, 3, 1, 1, 0] }]);
        line.run(3000);
    }
    line
}

#[test]
fn masters_and_silent_nodes() {
    let idle = &["drive", "command-size", "response-size", "polling-stopped"];
    judge(&[
        Scenario { name: "idle", make: goes_idle, first: "warning master-idle", never: idle },
        Scenario { name: "idle for a while", make: idle_for_a_while, first: WELL, never: idle },
        Scenario {
            name: "a node that sends on change dies",
            make: |seed| change_node_dies(seed, true),
            first: "fault node-left 9",
            never: &["polling-stopped", "not-polled"],
        },
        Scenario {
            name: "a cyclic node without acknowledge dies",
            make: |seed| change_node_dies(seed, false),
            first: "fault node-left 9",
            never: &["polling-stopped", "not-polled", "timed-out"],
        },
        Scenario {
            name: "strobes stop",
            make: strobes_stop,
            first: "fault polling-stopped 0",
            never: &["node-left"],
        },
        Scenario {
            name: "acknowledges stop",
            make: acknowledges_stop,
            first: "fault polling-stopped 0",
            never: &["node-left"],
        },
        Scenario {
            name: "polls stop",
            make: polls_stop,
            first: "fault polling-stopped 0",
            never: &["drive"],
        },
        Scenario { name: "a node dies", make: node_dies, first: "fault node-left 7", never: &[] },
        Scenario {
            name: "a node restarts once",
            make: node_restarts,
            first: "warning node-left 7",
            never: &["allocated-again", "fault"],
        },
        Scenario {
            name: "allocates nobody",
            make: allocates_nobody,
            first: "fault never-answered 40",
            never: &[],
        },
        Scenario {
            name: "asks nobody",
            make: asks_nobody,
            first: "fault never-answered 40",
            never: &[],
        },
    ]);
}
