//! Trunks on which nothing is wrong: no warning, whatever their size, bit rate and connections.

use super::line::{Line, Mode, Request};
use super::{Scenario, WELL, judge};

/// Polled nodes of several sizes, strobed ones, some that send by themselves, drives.
fn mixed(line: &mut Line, nodes: u8) {
    for mac in 1..=nodes {
        match mac % 9 {
            0 => line.node(mac, Mode::Strobe, 0, 1),
            1 => line.node(mac, Mode::Change { every_ms: 250, acknowledged: true }, 0, 2),
            2 => line.node(mac, Mode::Change { every_ms: 100, acknowledged: false }, 0, 4),
            3 => line.drive(mac, 21, 71),
            4 => line.node(mac, Mode::Poll, 0, 2),
            5 => line.node(mac, Mode::Poll, 3, 0),
            6 => line.node(mac, Mode::Poll, 10, 12),
            _ => line.node(mac, Mode::Poll, 2, 6),
        };
    }
}

/// All drives run and stop again.
pub fn work(line: &mut Line, seconds: i64) {
    for second in 0..seconds {
        command(line, if second % 8 < 5 { 0x61 } else { 0x60 }, 800);
        line.run(1000);
    }
}

/// All drives are told this from the next scan on.
pub fn command(line: &mut Line, bits: u8, speed: i16) {
    let drives: Vec<u8> =
        line.stations.values().filter(|s| s.drive.is_some()).map(|s| s.mac).collect();
    let [low, high] = speed.to_le_bytes();
    for master in &mut line.masters {
        for &mac in drives.iter().filter(|mac| master.nodes.contains(mac)) {
            master.commands.insert(mac, vec![bits, 0, low, high]);
        }
    }
}

fn mixed_line(bitrate: u32, nodes: u8, interval_ms: i64, seed: u64) -> Line {
    let mut line = Line::new(bitrate, seed);
    mixed(&mut line, nodes);
    line.master(0, interval_ms);
    line.packet_rate = (interval_ms * 4) as u16;
    line
}

fn from_running(mut line: Line) -> Line {
    line.running();
    work(&mut line, 20);
    line
}

fn from_power_up(mut line: Line) -> Line {
    line.power_up();
    work(&mut line, 30);
    line
}

fn small_line(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    for mac in [4, 7, 21] {
        line.node(mac, Mode::Poll, 2, 2);
    }
    line.drive(12, 21, 71);
    line.master(0, 30);
    line.packet_rate = 120;
    line
}

/// A tool at 62 claims its address and reads through the parameters of a drive (class 0F; IEC
/// 62026-3 leaves the class to the profile), 250 of them.
fn tool(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.node(62, Mode::Nothing, 0, 0);
    line.running();
    line.run(3000);
    line.switch_on(62);
    line.run(3000);
    line.masters.push(super::line::Master::tool(62));
    let opened = [Request { node: 12, message: 6, body: vec![62, 0x4B, 3, 1, 1, 62] }];
    let read = |number: u8| Request { node: 12, message: 4, body: vec![62, 0x0E, 0x0F, number, 1] };
    line.ask(1, opened.into_iter().chain((1..=250).map(read)));
    work(&mut line, 15);
    line
}

fn two_masters(seed: u64) -> Line {
    let mut line = Line::new(250_000, seed);
    for mac in [5, 6, 8] {
        line.node(mac, Mode::Poll, 2, 4);
    }
    line.master(0, 20);
    for mac in [30, 31] {
        line.node(mac, Mode::Poll, 4, 4);
    }
    line.master(1, 50);
    line.packet_rate = 250;
    line.power_up();
    line.run(20_000);
    line
}

/// A node's rate is set at once, its first poll comes 900 ms later: no time-out, since its watchdog
/// waits for at least ten seconds until something was received (IEC 62026-3).
fn late_first_poll(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.packet_rate = 200;
    line.power_up();
    line.masters[0].first_scan_ms = 900;
    line.run(20_000);
    line
}

fn background(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    for mac in [4, 7, 21, 22] {
        line.node(mac, Mode::Poll, 2, 2);
    }
    line.master(0, 20).background.extend([(21, 10), (22, 10)]);
    line.packet_rate = 1000;
    line.power_up();
    line.run(30_000);
    line
}

/// The listener starts between the fragments of messages.
fn starts_in_fragments(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    line.node(9, Mode::Poll, 20, 30);
    line.node(14, Mode::Poll, 2, 2);
    line.master(0, 40);
    line.running();
    line.run(1000);
    // Until a first fragment has just passed.
    loop {
        line.run(1);
        let last = line.wire.records.last().expect("a frame");
        if let dropline::record::What::Frame(frame) = &last.what
            && frame.bytes().first() == Some(&0x41)
            && frame.bytes().len() == 8
        {
            break;
        }
    }
    line.wire.begin_capture();
    line.run(20_000);
    line
}

fn slow_ramp(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.drive_at(12).ramp = 20.0;
    line.running();
    line.run(2000);
    command(&mut line, 0x61, 1500);
    line.run(30_000);
    line
}

fn speed_zero(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    work(&mut line, 10);
    command(&mut line, 0x61, 0);
    line.run(15_000);
    line
}

/// The explicit connection of a node times out now and then, as nothing is asked on it, and the
/// master allocates it again; the I/O goes on.
fn explicit_again(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.power_up();
    line.run(6000);
    for _ in 0..6 {
        line.run(12_000);
        line.ask(0, [Request { node: 7, message: 6, body: vec![0, 0x4B, 3, 1, 1, 0] }]);
    }
    line.run(2000);
    line
}

/// Noise at power-up alone; and one error in a long time.
fn errors_at_power_up(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.wire.noise = 0.5;
    line.power_up();
    line.run(1200);
    line.wire.noise = 0.0;
    line.run(60_000);
    line
}

fn one_error(seed: u64) -> Line {
    let mut line = small_line(seed);
    line.running();
    line.run(30_000);
    line.wire.error(0x088, [0, 0, 4, 0, 0, 0, 0, 0]);
    line.run(30_000);
    line
}

fn strobes_alone(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    for mac in [2, 9, 33] {
        line.node(mac, Mode::Strobe, 0, 2);
    }
    line.master(0, 50);
    line.packet_rate = 200;
    line.power_up();
    line.run(20_000);
    line
}

fn cyclic_alone(seed: u64, acknowledged: bool) -> Line {
    let mut line = Line::new(125_000, seed);
    for mac in [2, 9, 33] {
        line.node(mac, Mode::Change { every_ms: 75, acknowledged }, 0, 4);
    }
    line.master(0, 50);
    line.power_up();
    line.run(20_000);
    line
}

/// Nodes that send on change, at any time, with a heartbeat every second.
fn changes_at_random(seed: u64) -> Line {
    let mut line = Line::new(125_000, seed);
    for (mac, acknowledged) in [(2, true), (9, false), (33, true)] {
        line.node(mac, Mode::Change { every_ms: 1000, acknowledged }, 0, 4);
    }
    line.node(40, Mode::Poll, 2, 2);
    line.master(0, 50);
    line.packet_rate = 200;
    line.power_up();
    line.run(6000);
    for _ in 0..80 {
        let (mac, wait) = (line.wire.random.between(0, 2), line.wire.random.between(1, 500));
        line.change([2, 9, 33][mac as usize]);
        line.run(wait);
    }
    line
}

fn multicast_polls(seed: u64, master_stops: bool) -> Line {
    let mut line = Line::new(125_000, seed);
    for mac in [2, 9, 33] {
        line.node(mac, Mode::Multicast, 2, 2);
    }
    line.master(0, 50);
    line.packet_rate = 200;
    line.power_up();
    line.run(15_000);
    if master_stops {
        line.master_off(0);
    }
    line.run(10_000);
    line
}

#[test]
fn a_master_whose_multicast_polls_stop_has_stopped() {
    judge(&[Scenario {
        name: "multicast polls stop",
        make: |seed| multicast_polls(seed, true),
        first: "fault polling-stopped 0",
        never: &["node-left"],
    }]);
}

#[test]
fn nothing_is_said_of_a_healthy_trunk() {
    let scenario = |name, make| Scenario { name, make, first: WELL, never: &["never-allocated"] };
    judge(&[
        scenario("3 nodes, 125", |seed| from_running(mixed_line(125_000, 3, 20, seed))),
        scenario("3 nodes, 125, power-up", |seed| from_power_up(mixed_line(125_000, 3, 20, seed))),
        scenario("20 nodes, 125", |seed| from_running(mixed_line(125_000, 20, 60, seed))),
        scenario("20 nodes, 125, power-up", |seed| {
            from_power_up(mixed_line(125_000, 20, 60, seed))
        }),
        scenario("40 nodes, 250", |seed| from_running(mixed_line(250_000, 40, 60, seed))),
        scenario("40 nodes, 250, power-up", |seed| {
            from_power_up(mixed_line(250_000, 40, 60, seed))
        }),
        scenario("63 nodes, 500", |seed| from_running(mixed_line(500_000, 63, 60, seed))),
        scenario("63 nodes, 500, power-up", |seed| {
            from_power_up(mixed_line(500_000, 63, 60, seed))
        }),
        scenario("fast scan, 500", |seed| from_running(mixed_line(500_000, 3, 5, seed))),
        scenario("strobes alone", strobes_alone),
        scenario("change of state alone", |seed| cyclic_alone(seed, true)),
        scenario("changes at random", changes_at_random),
        scenario("cyclic without acknowledge", |seed| cyclic_alone(seed, false)),
        scenario("multicast polls", |seed| multicast_polls(seed, false)),
        scenario("a tool reads parameters", tool),
        scenario("two masters", two_masters),
        scenario("late first poll", late_first_poll),
        scenario("background polls", background),
        scenario("starts in fragments", starts_in_fragments),
        scenario("slow ramp", slow_ramp),
        scenario("speed zero", speed_zero),
        scenario("explicit connections again", explicit_again),
        scenario("errors at power-up", errors_at_power_up),
        scenario("one error", one_error),
    ]);
}
