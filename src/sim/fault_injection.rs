//! Faults as they begin and end: what each does to the devices and to the wire.

use crate::fieldbus::MacId;
use crate::wire::{Frame, StandardId};

use super::disturber::{Disturber, DriveTie, Manner, per_bit};
use super::drive::Drive;
use super::frame_bits::Pattern;
use super::master::Master;
use super::program::{BackgroundSender, Program, SendPattern, SenderFrame};
use super::random::{Chance, Likely};
use super::scenario::{
    CommandAssembly, FaultKind, NodePlan, NoisePattern, Recovery, Sharing, StatusAssembly,
};
use super::simulation::Simulation;
use super::slave::Slave;
use super::station::{Desk, ScheduledEvent};
use super::time::Time;

impl Simulation {
    /// Prepares every fault: its times, its place on the wire, the device that it brings along.
    pub(super) fn plan_faults(&mut self, chance: impl Fn(usize) -> Chance, seed: u64) {
        for index in 0..self.scenario.faults.len() {
            let fault = self.scenario.faults[index].clone();
            let from = self.clock.secs(fault.from_s.0);
            self.queue.plan(from, ScheduledEvent::Fault { index, on: true });
            if let Some(until) = fault.until_s {
                self.queue
                    .plan(self.clock.secs(until.0), ScheduledEvent::Fault { index, on: false });
            }
            for manner in self.manners(&fault.kind) {
                self.disturbers.push(Disturber::new(index, manner, chance(index)));
            }
            let newcomer = self.newcomer(&fault.kind, seed);
            self.newcomers.push(newcomer);
        }
    }

    /// How a fault strikes frames on the wire, if it does.
    fn manners(&self, kind: &FaultKind) -> Vec<Manner> {
        match kind {
            FaultKind::Noise { pattern, rate_per_s, period_ms, mac_id } => {
                let rate = rate_per_s.0.max(1e-3);
                let mean = self.clock.secs(1.0 / rate);
                let tie = mac_id.as_ref().map(|address| {
                    let station = self.station_at(*address);
                    let speed = self.scenario.node_at(*address);
                    let speed = speed.and_then(|node| node.drive.as_ref()).map(|d| d.speed_rpm);
                    let full = u64::from(speed.unwrap_or(1).unsigned_abs()) * 1000;
                    let by_speed = *pattern == NoisePattern::DriveSpeed;
                    DriveTie { station, full_speed: by_speed.then_some(full) }
                });
                vec![match pattern {
                    NoisePattern::Periodic => {
                        Manner::Periodic { period: self.clock.millis(period_ms.0).max(Time(1)) }
                    }
                    NoisePattern::Random => Manner::Noise { mean, drive: None },
                    _ => Manner::Noise { mean, drive: tie },
                }]
            }
            FaultKind::NoisyNode { mac_id, share, receive_share } => {
                let station = self.station_at(*mac_id);
                vec![
                    Manner::Sends { station, share: Likely::share(share.0) },
                    Manner::Receives { station, share: Likely::share(receive_share.0) },
                ]
            }
            FaultKind::BusOff { mac_id } => {
                let station = self.station_at(*mac_id);
                vec![Manner::Sends { station, share: Likely::ALWAYS }]
            }
            FaultKind::MissingTerminator { share } => {
                // An ordinary frame of eight bytes.
                let data = [0x55; 8];
                let frame = StandardId::new(0x3C5).and_then(|id| Frame::data(id, &data));
                let pattern = frame.map(|frame| Pattern::of(&frame));
                pattern
                    .map(|p| Manner::Reflection { per_bit: per_bit(share.0, &p) })
                    .into_iter()
                    .collect()
            }
            _ => Vec::new(),
        }
    }

    /// The device that a fault brings along, without power yet.
    fn newcomer(&mut self, kind: &FaultKind, seed: u64) -> Option<usize> {
        let program = match kind {
            FaultKind::DuplicateAddress { mac_id, vendor_id, serial, sharing } => {
                let mut plan = self.scenario.node_at(*mac_id)?.clone();
                plan.vendor_id = *vendor_id;
                plan.serial = *serial;
                let mut slave = Slave::new(&plan);
                if *sharing == Sharing::Silent {
                    slave.address.checks = false;
                    slave.intrudes = true;
                }
                Program::Slave(Box::new(slave))
            }
            FaultKind::WrongBitrate { mac_id, bitrate, bus_off_recovery } => {
                let slave = Slave::new(&stranger(*mac_id));
                let program = Program::Slave(Box::new(slave));
                let station = self.add(program, seed, 0.0, *bus_off_recovery);
                self.stations[station].controller.foreign = Some(*bitrate);
                return Some(station);
            }
            FaultKind::Babble { id, bytes, interval_ms } => {
                let pace = match self.clock.millis(interval_ms.0) {
                    Time(0) => SendPattern::BackToBack,
                    span => SendPattern::Every(span),
                };
                let words = SenderFrame::Random { id: id.0, bytes: bytes.0 };
                Program::BackgroundSender(BackgroundSender { words, pace, offset: Time(1) })
            }
            FaultKind::InvalidIdentifier { interval_ms } => {
                let pace = SendPattern::AtRandom(self.clock.millis(interval_ms.0));
                Program::BackgroundSender(BackgroundSender {
                    words: SenderFrame::Invalid,
                    pace,
                    offset: Time(1),
                })
            }
            _ => return None,
        };
        Some(self.add(program, seed, 0.0, Recovery::Automatic))
    }

    /// The first device with this address: the one of the scenario.
    fn station_at(&self, mac_id: MacId) -> usize {
        let has = |program: &Program| program.claim().is_some_and(|c| c.mac_id == mac_id);
        self.stations.iter().position(|s| has(&s.program)).unwrap_or(0)
    }

    pub(super) fn fault(&mut self, index: usize, on: bool) {
        let now = self.now();
        let kind = self.scenario.faults[index].kind.clone();
        self.ledger.fault(self.t(), index, on);
        for disturber in self.disturbers.iter_mut().filter(|d| d.fault == index) {
            if on {
                disturber.begin(now);
            } else {
                disturber.on = false;
            }
        }
        if let Some(station) = self.newcomers[index] {
            self.power(station, on);
        }
        let nothing = (Time(0), Likely::share(0.0));
        match kind {
            FaultKind::DuplicateAddress { mac_id, sharing: Sharing::Contested, .. } => {
                self.at_slave(mac_id, |slave| slave.address.answers = !on);
            }
            FaultKind::SlowNode { mac_id, extra_us, share } => {
                let slow = (self.clock.micros(extra_us.0), Likely::share(share.0));
                let slow = if on { slow } else { nothing };
                self.at_slave(mac_id, |slave| slave.slow = slow);
            }
            FaultKind::SkipPolls { mac_id, share } => {
                let share = if on { share.0 } else { 0.0 };
                self.at_slave(mac_id, |slave| slave.skips = Likely::share(share));
            }
            FaultKind::LooseConnector { .. } => self.loose_contact(index, !on),
            FaultKind::NoAcknowledge { mac_id } => {
                let left = self.station_at(mac_id);
                let known = 1 + self.scenario.node.len() + self.scenario.tool.len();
                for station in (0..known).filter(|&s| s != left) {
                    self.power(station, !on);
                }
            }
            FaultKind::WrongSize { mac_id, response_bytes } => {
                let size = on.then_some(response_bytes.0);
                self.at_slave(mac_id, |slave| slave.answers_with = size);
            }
            FaultKind::WrongAssembly { mac_id, output_assembly, input_assembly } => {
                self.at_drive(mac_id, |drive, planned| {
                    let (output, input) =
                        if on { (output_assembly, input_assembly) } else { planned };
                    drive.output_assembly = output.0;
                    drive.input_assembly = input.0;
                });
            }
            FaultKind::WrongCommandSize { mac_id, command_bytes } => {
                let size = on.then_some(command_bytes.0);
                self.at_slot(mac_id, |master, _, node| master.send_size(node, size));
                self.at_slave(mac_id, |slave| slave.refuses_commands = on);
            }
            FaultKind::NodeOff { mac_id } => {
                let station = self.station_at(mac_id);
                self.power(station, !on);
            }
            FaultKind::NotOnScanList { mac_id } => {
                self.at_slot(mac_id, |master, desk, node| master.list(desk, node, !on));
            }
            FaultKind::NotPolled { mac_id } => {
                self.at_slot(mac_id, |master, _, node| master.leave_idle(node, on));
            }
            FaultKind::PacketRate { mac_id, rate_ms } => {
                let rate = on.then_some(rate_ms);
                self.at_slot(mac_id, |master, desk, node| {
                    master.set_rate(desk, node, rate);
                });
            }
            FaultKind::RefusesSetup { mac_id } => {
                self.at_slave(mac_id, |slave| slave.server.refuses_setup = on);
            }
            FaultKind::LocalControl { mac_id, takes } => {
                self.at_drive(mac_id, |drive, _| drive.local = on.then_some(takes));
            }
            FaultKind::DriveNotReady { mac_id } => {
                self.at_drive(mac_id, |drive, _| drive.enabled = !on);
            }
            FaultKind::DriveTrip { mac_id } => {
                self.at_drive(mac_id, |drive, _| drive.tripped = on);
            }
            FaultKind::ControlNotAsked { mac_id } => {
                self.at_slot(mac_id, |master, _, node| master.ask_no_control(node, on));
            }
            FaultKind::MasterStop {} => self.power(0, !on),
            FaultKind::MasterIdle {} => {
                if let Program::Master(master) = &mut self.stations[0].program {
                    master.idle = on;
                }
            }
            FaultKind::Overload { scan_interval_ms } => {
                let interval = on.then(|| self.clock.millis(scan_interval_ms.0).max(Time(1)));
                if let Program::Master(master) = &mut self.stations[0].program {
                    master.interval = interval;
                }
            }
            FaultKind::SupplySag { mac_ids, off_ms } if on => {
                for mac_id in mac_ids {
                    let station = self.station_at(mac_id);
                    self.power(station, false);
                    let back = now + self.clock.millis(off_ms.0);
                    self.queue.plan(back, ScheduledEvent::PowerOn { station });
                }
            }
            FaultKind::ReceiveOverflow { frames } if on => self.adapter.overflow(frames.into()),
            FaultKind::AdapterUnplugged {} => {
                let t = self.t();
                if on {
                    self.adapter.unplug(t);
                    self.ledger.link_down();
                } else {
                    self.adapter.plug(t);
                }
            }
            _ => {}
        }
    }

    /// The master's side of a node: the master, its desk, and the node's address.
    fn at_slot(&mut self, mac_id: MacId, change: impl FnOnce(&mut Master, &mut Desk, MacId)) {
        self.work(0, |program, desk| {
            if let Program::Master(master) = program {
                change(master, desk, mac_id);
            }
        });
    }

    fn at_slave(&mut self, mac_id: MacId, change: impl FnOnce(&mut Slave)) {
        let station = self.station_at(mac_id);
        if let Some(slave) = self.stations[station].program.slave_mut() {
            change(slave);
        }
    }

    fn at_drive(
        &mut self,
        mac_id: MacId,
        change: impl FnOnce(&mut Drive, (CommandAssembly, StatusAssembly)),
    ) {
        self.at_slave(mac_id, |slave| {
            if let (Some(drive), Some(plan)) = (&mut slave.drive, &slave.plan.drive) {
                change(drive, (plan.output_assembly, plan.input_assembly));
            }
        });
    }

    /// A loose connector makes or loses contact, and will do the other later while it is loose.
    pub(super) fn loose_contact(&mut self, index: usize, connected: bool) {
        let FaultKind::LooseConnector { mac_id, mean_on_s, mean_off_ms, loses_power } =
            self.scenario.faults[index].kind.clone()
        else {
            return;
        };
        let now = self.now();
        let until = self.scenario.faults[index].until_s.map(|s| self.clock.secs(s.0));
        let loose = until.is_none_or(|until| now < until);
        let connected = connected || !loose;
        let station = self.station_at(mac_id);
        let device = &mut self.stations[station].controller;
        if loses_power {
            self.power(station, connected);
        } else if connected && !device.connected && !device.is_empty() {
            // Alone on its drop it sent in vain until it was error-passive.
            (0..16).for_each(|_| device.confinement.acknowledge_error());
        }
        self.stations[station].controller.connected = connected;
        self.ledger.contact(self.t(), mac_id, connected);
        if loose {
            let mean = match connected {
                true => self.clock.secs(mean_on_s.0),
                false => self.clock.millis(mean_off_ms.0),
            };
            let span = self.contact[index].exponential(mean).max(Time(1));
            self.queue.plan(now + span, ScheduledEvent::Contact { index, on: !connected });
        }
    }

    /// A broken transmitter got its node off the bus: the fault has done what it does.
    pub(super) fn transmitter_is_off(&mut self, station: usize) {
        for disturber in &mut self.disturbers {
            let broken = matches!(
                disturber.manner,
                Manner::Sends { station: s, share } if s == station && share == Likely::ALWAYS
            );
            if broken {
                disturber.on = false;
            }
        }
    }
}

/// A device that nobody planned.
fn stranger(mac_id: MacId) -> NodePlan {
    let text = format!(
        "mac_id = {mac_id}\nname = \"newcomer\"\nconnection = \"poll\"\nvendor_id = 990\nserial = 77001"
    );
    match toml::from_str(&text) {
        Ok(plan) => plan,
        Err(_) => unreachable!("the text is a node"),
    }
}
