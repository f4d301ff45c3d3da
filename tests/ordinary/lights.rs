//! The lights of a trunk over whole lives of its nodes: what a person would see at the device.
//!
//! Sources: network light, installation instructions 1756-IN566B, p. 19; module light, 1784-IN004E,
//! p. 7-4.

use super::line::{Line, Mode};

/// The network light and the module light of each of these nodes at the end, `-` where the wire does
/// not tell.
fn lights(mut line: Line, nodes: &[u8]) -> Vec<String> {
    let summary = line.summary();
    let word = |light: Option<String>| light.unwrap_or("-".into());
    let of = |mac: &u8| {
        let node = summary.nodes.iter().find(|node| node.mac_id.get() == *mac);
        let node = node.unwrap_or_else(|| panic!("node {mac} was not heard"));
        let network = word(node.lights.network.map(|light| light.to_string()));
        let module = word(node.lights.module.map(|light| light.to_string()));
        format!("{network}, {module}")
    };
    nodes.iter().map(of).collect()
}

fn line(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    line.node(4, Mode::Poll, 2, 2);
    line.node(7, Mode::Poll, 0, 3);
    line.node(9, Mode::Change { every_ms: 100, acknowledged: true }, 0, 4);
    line.drive(12, 21, 71);
    line.master(0, 30);
    line.packet_rate = 120;
    line
}

/// Started, and run for so long.
fn started(seed: u64, ms: i64) -> Line {
    let mut line = line(seed);
    line.power_up();
    line.run(ms);
    line
}

#[test]
fn from_power_up_to_connected() {
    for seed in super::SEEDS {
        // In the middle of their address checks.
        assert_eq!(lights(started(seed, 1800), &[4, 12]), ["off, -"; 2]);
        // On line, and nobody has them yet.
        assert_eq!(lights(started(seed, 2450), &[4, 12]), ["flashing green, -"; 2]);
        let all = lights(started(seed, 15_000), &[4, 7, 9, 12]);
        assert_eq!(all, ["green, green"; 4]);
    }
}

/// A master is heard by its commands alone; it has connections as long as it commands.
#[test]
fn a_master_is_green_while_it_commands() {
    for seed in super::SEEDS {
        let mut running = started(seed, 15_000);
        running.switch_on(0);
        running.run(15_000);
        assert_eq!(lights(running, &[0]), ["green, -"]);
        let mut stopped = started(seed, 15_000);
        stopped.switch_on(0);
        stopped.run(3000);
        stopped.master_off(0);
        stopped.run(12_000);
        assert_ne!(lights(stopped, &[0]), ["green, -"]);
    }
}

#[test]
fn a_master_that_stops_or_idles() {
    for seed in super::SEEDS {
        let mut stopped = started(seed, 15_000);
        stopped.master_off(0);
        stopped.run(3000);
        assert_eq!(lights(stopped, &[4, 9, 12])[0], "flashing red, -");
        // No table says that an idle master makes a module light flash.
        let mut idle = started(seed, 15_000);
        idle.masters[0].idle = true;
        idle.run(8000);
        assert_eq!(lights(idle, &[4, 7, 9, 12]), ["green, green"; 4]);
    }
}

#[test]
fn a_drive_that_trips_and_a_node_that_dies() {
    for seed in super::SEEDS {
        let mut trips = started(seed, 12_000);
        for bits in [0x61, 0x60, 0x61] {
            super::healthy::command(&mut trips, bits, 700);
            trips.run(3000);
        }
        trips.drive_at(12).trip();
        trips.run(3000);
        assert_eq!(lights(trips, &[12]), ["green, flashing red"]);
        // Whether it is dark or red nobody can tell from the wire.
        let mut dies = started(seed, 12_000);
        dies.switch_off(4);
        dies.run(8000);
        assert_eq!(lights(dies, &[4]), ["-, -"]);
    }
}
