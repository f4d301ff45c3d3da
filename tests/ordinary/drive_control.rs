//! Drives that do not do what their master asks, each for another reason, and drives that do.

use super::healthy::{command, work};
use super::line::{Line, Mode, Request};
use super::{Scenario, WELL, judge};

/// Two drives and two other nodes; drive 12 is the one that is looked at.
fn drives(seed: u64, output: u8, input: u8) -> Line {
    let mut line = Line::new(125_000, seed);
    line.node(4, Mode::Poll, 2, 2);
    line.node(7, Mode::Poll, 0, 3);
    line.drive(12, output, input);
    line.drive(13, 21, 71);
    line.master(0, 30);
    line.packet_rate = 120;
    line
}

/// They run and stop; then the drive is as `change` makes it, and its master goes on.
fn then(seed: u64, change: fn(&mut Line)) -> Line {
    let mut line = drives(seed, 21, 71);
    line.running();
    work(&mut line, 12);
    change(&mut line);
    work(&mut line, 20);
    line
}

/// Both drives run and stop again; drive 12 is not asked to take its control from the network.
fn work_without_asking(mut line: Line) -> Line {
    for second in 0..20 {
        let run = if second % 8 < 5 { 0x01 } else { 0x00 };
        command(&mut line, 0x60 | run, 800);
        line.masters[0].commands.insert(12, vec![run, 0, 0x20, 3]);
        line.run(1000);
    }
    line
}

fn not_asked(seed: u64) -> Line {
    let mut line = drives(seed, 21, 71);
    line.running();
    work(&mut line, 12);
    // The program has lost the bits that ask for control.
    work_without_asking(line)
}

/// The drive is set to 21 and 71, its master sends 20: told from the start by the paths that the
/// master sets (attributes 14 and 16 of the poll connection, packed paths 20 04 24 and the number).
fn mixed_pair(seed: u64) -> Line {
    let mut line = drives(seed, 20, 71);
    line.power_up();
    line.run(5000);
    for (attribute, number) in [(14, 71), (16, 20)] {
        let body = vec![0, 0x10, 5, 2, attribute, 0x20, 4, 0x24];
        // Too long for one frame with the number: in two fragments, each acknowledged.
        line.ask(0, [Request { node: 12, message: 4, body: [body, vec![number]].concat() }]);
        line.run(500);
    }
    line.drive_at(12).control_elsewhere = true;
    work_without_asking(line)
}

/// The drive trips while it runs, and the controller takes run away in the same second.
fn trips_and_is_stopped(seed: u64) -> Line {
    let mut line = drives(seed, 21, 71);
    line.running();
    work(&mut line, 12);
    line.drive_at(12).trip();
    line.run(100);
    command(&mut line, 0x60, 0);
    line.run(15_000);
    line
}

/// Fault, reset by the operator at the drive, and run is kept all the while.
fn run_held_over_a_fault(seed: u64) -> Line {
    let mut line = drives(seed, 21, 71);
    line.running();
    work(&mut line, 10);
    command(&mut line, 0x61, 800);
    line.run(3000);
    line.drive_at(12).trip();
    line.run(1500);
    line.drive_at(12).faulted = false;
    line.run(15_000);
    line
}

fn both_directions(seed: u64) -> Line {
    let mut line = drives(seed, 21, 71);
    line.running();
    work(&mut line, 16);
    command(&mut line, 0x61, 800);
    line.masters[0].commands.insert(12, vec![0x63, 0, 0x20, 3]);
    line.run(15_000);
    line
}

/// The capture begins while all drives run, and they go on; then one trips.
fn starts_in_run(seed: u64) -> Line {
    let mut line = drives(seed, 21, 71);
    line.running();
    command(&mut line, 0x61, 800);
    line.run(5000);
    line.wire.begin_capture();
    line.run(10_000);
    line.drive_at(12).trip();
    line.run(10_000);
    line
}

fn reverse(seed: u64) -> Line {
    let mut line = drives(seed, 21, 71);
    line.running();
    work(&mut line, 10);
    command(&mut line, 0x62, 600);
    line.run(10_000);
    line
}

fn old_pair(seed: u64) -> Line {
    let mut line = drives(seed, 20, 70);
    line.running();
    work_without_asking(line)
}

#[test]
fn drives_are_told_by_what_keeps_them() {
    let others = &["drive-not-following", "node-left", "13"];
    let scenario = |name, first, make| Scenario { name, make, first, never: others };
    judge(&[
        scenario("control elsewhere", "fault drive-control-elsewhere 12", |seed| {
            then(seed, |line| line.drive_at(12).control_elsewhere = true)
        }),
        scenario("speed elsewhere", "fault drive-speed-elsewhere 12", |seed| {
            then(seed, |line| line.drive_at(12).reference_elsewhere = true)
        }),
        scenario("not ready", "fault drive-not-ready 12", |seed| {
            then(seed, |line| line.drive_at(12).enabled = false)
        }),
        scenario("not asked", "fault drive-control-not-asked 12", not_asked),
        scenario("mixed pair", "fault drive-assembly-pair 12", mixed_pair),
        scenario("both directions", "fault drive-both-directions 12", both_directions),
        scenario("trips", "fault drive-faulted 12", |seed| {
            then(seed, |line| line.drive_at(12).trip())
        }),
        scenario("trips and is stopped", "fault drive-faulted 12", trips_and_is_stopped),
        scenario("run held over a fault", "fault drive-run-held 12", run_held_over_a_fault),
        scenario("starts in run, then trips", "fault drive-faulted 12", starts_in_run),
        scenario("reverse", WELL, reverse),
        scenario("assemblies 20 and 70", WELL, old_pair),
    ]);
}
