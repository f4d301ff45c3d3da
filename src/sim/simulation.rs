//! The trunk with all that is on it: what happens next, frame by frame, bit time by bit time; as a
//! source of records, like a live interface or a capture.

use super::adapter::Adapter;
use super::controller::Controller;
use super::disturber::Disturber;
use super::exchanges::Purpose;
use super::frame_bits::Damage;
use super::master::Master;
use super::program::{BackgroundSender, Program, Station};
use super::random::Chance;
use super::scenario::{Recovery, Scenario};
use super::slave::Slave;
use super::station::{Claim, Desk, ProgramEvent, ScheduledEvent};
use super::time::{Clockwork, Queue, Time};
use super::tool::Tool;
use super::truth::{TrueCause, Truth};
use super::truth_recorder::Ledger;
use crate::source::{Reader, SourceError};
use crate::wire::{BitTime, Bitrate, Clock, ControllerState, Frame, Header, Nanos, Record};

/// The length of a frame with its interframe space: the exact one, or a bound to compare with.
pub(super) type WireLength = fn(&Frame) -> BitTime;

/// The bus and the frame on it.
#[derive(Debug)]
pub(super) struct Bus {
    pub(super) length: WireLength,
    /// When the next frame may start.
    pub(super) free: Time,
    /// Frames started so far, destroyed ones too.
    pub(super) frames: u64,
    pub(super) current: Option<Current>,
}

/// The frame on the wire and what will come of it.
#[derive(Debug)]
pub(super) struct Current {
    pub(super) start: Time,
    pub(super) senders: Vec<Sending>,
    pub(super) frame: Frame,
    pub(super) purpose: Purpose,
    pub(super) outcome: FrameOutcome,
}

/// Who sends the frame on the wire.
#[derive(Debug, Clone, Copy)]
pub(super) struct Sending {
    pub(super) station: usize,
    /// As which start of this station.
    pub(super) epoch: u32,
    /// Which of its frames.
    pub(super) order: u64,
}

#[derive(Debug)]
pub(super) enum FrameOutcome {
    /// Good, but one error-passive receiver may have misread it.
    Good {
        deaf: Option<usize>,
    },
    /// Nobody acknowledged. Heard as an error while the sender's flag is dominant, else as a
    /// good frame.
    Alone {
        damage: Option<Damage>,
    },
    Destroyed {
        damage: Damage,
        cause: TrueCause,
        first: Option<usize>,
        at_fault: Vec<usize>,
    },
}

impl Bus {
    pub(super) fn new(length: WireLength) -> Bus {
        Bus { length, free: Time(0), frames: 0, current: None }
    }

    /// When the next frame starts, as things stand.
    pub(super) fn next_start(&self, stations: &[Station]) -> Time {
        if self.current.is_some() {
            return Time::NEVER;
        }
        let ready = stations.iter().map(|s| s.controller.ready_at()).min();
        ready.unwrap_or(Time::NEVER).max(self.free)
    }
}

/// The simulated trunk.
#[derive(Debug)]
pub(super) struct Simulation {
    pub(super) scenario: Scenario,
    pub(super) clock: Clockwork,
    pub(super) queue: Queue<ScheduledEvent>,
    pub(super) stations: Vec<Station>,
    pub(super) disturbers: Vec<Disturber>,
    /// For each fault, the station that it brought along.
    pub(super) newcomers: Vec<Option<usize>>,
    pub(super) contact: Vec<Chance>,
    pub(super) bus: Bus,
    pub(super) adapter: Adapter,
    pub(super) ledger: Ledger,
    exchanges: u64,
    now: Time,
    end: Time,
    over: bool,
}

/// Streams of chance: stations from 0, faults from here.
const FAULT_STREAMS: u64 = 1 << 32;
const CONTACT_STREAMS: u64 = 2 << 32;

impl Simulation {
    pub(super) fn new(scenario: Scenario, seed: u64, length: WireLength) -> Simulation {
        let clock = Clockwork(scenario.trunk.bitrate);
        let faults = scenario.faults.len() as u64;
        let mut world = Simulation {
            clock,
            queue: Queue::default(),
            stations: Vec::new(),
            disturbers: Vec::new(),
            newcomers: Vec::new(),
            contact: (0..faults).map(|i| Chance::new(seed, CONTACT_STREAMS + i)).collect(),
            bus: Bus::new(length),
            adapter: Adapter::default(),
            ledger: Ledger::new(&scenario, seed),
            exchanges: 0,
            now: Time(0),
            end: clock.secs(scenario.trunk.duration_s.0),
            over: false,
            scenario,
        };
        world.people(seed);
        world.plan_faults(|index| Chance::new(seed, FAULT_STREAMS + index as u64), seed);
        world
    }

    /// The master and the nodes of the scenario, each with its power-on time.
    fn people(&mut self, seed: u64) {
        let scenario = self.scenario.clone();
        let master = Program::Master(Box::new(Master::new(&scenario.master, &scenario.node)));
        let station = self.add(master, seed, scenario.master.position_m.0, Recovery::Automatic);
        let on = self.clock.millis(scenario.master.power_on_ms.0);
        self.queue.plan(on, ScheduledEvent::PowerOn { station });
        for plan in &scenario.node {
            let slave = Program::Slave(Box::new(Slave::new(plan)));
            let station = self.add(slave, seed, plan.position_m.0, plan.bus_off_recovery);
            let on = self.clock.millis(plan.power_on_ms.0);
            self.queue.plan(on, ScheduledEvent::PowerOn { station });
        }
        for plan in &scenario.tool {
            let tool = Program::Tool(Box::new(Tool::new(plan)));
            let station = self.add(tool, seed, plan.position_m.0, Recovery::Automatic);
            let on = self.clock.millis(plan.power_on_ms.0);
            self.queue.plan(on, ScheduledEvent::PowerOn { station });
        }
        for plan in &scenario.talker {
            let talker = BackgroundSender::planned(plan, self.clock);
            let station =
                self.add(Program::BackgroundSender(talker), seed, 0.0, Recovery::Automatic);
            self.queue.plan(Time(0), ScheduledEvent::PowerOn { station });
        }
    }

    pub(super) fn add(
        &mut self,
        program: Program,
        seed: u64,
        position_m: f64,
        recovery: Recovery,
    ) -> usize {
        let station = self.stations.len();
        self.stations.push(Station {
            controller: Controller::connected(),
            program,
            chance: Chance::new(seed, station as u64),
            epoch: 0,
            position_m,
            recovery,
            state: ControllerState::Active,
        });
        station
    }

    /// Goes on until there are records or it is over. `false`: it is over.
    pub(super) fn advance(&mut self, batch: &mut Vec<Record>) -> bool {
        let before = batch.len();
        while !self.over && batch.len() == before {
            self.step();
            self.adapter.take_records(batch);
        }
        !self.over
    }

    fn step(&mut self) {
        let planned = self.queue.next_at();
        let frame = self.bus.next_start(&self.stations);
        let next = planned.min(frame);
        if next > self.end {
            self.over = true;
            self.finish();
            return;
        }
        self.now = next;
        if planned <= frame {
            if let Some((_, event)) = self.queue.pop() {
                self.handle(event);
            }
        } else {
            self.start_frame(next);
        }
    }

    fn handle(&mut self, event: ScheduledEvent) {
        match event {
            ScheduledEvent::Timer { station, epoch, timer } => {
                if self.stations[station].epoch == epoch {
                    self.work(station, |program, desk| match program {
                        Program::Master(master) => master.timer(desk, timer),
                        Program::Slave(slave) => slave.timer(desk, timer),
                        Program::Tool(tool) => tool.timer(desk, timer),
                        Program::BackgroundSender(talker) => talker.timer(desk, timer),
                    });
                }
            }
            ScheduledEvent::Finished => self.frame_over(),
            ScheduledEvent::Recovery { station, frames } => {
                self.silent_long_enough(station, frames)
            }
            ScheduledEvent::Fault { index, on } => self.fault(index, on),
            ScheduledEvent::Contact { index, on } => self.loose_contact(index, on),
            ScheduledEvent::PowerOn { station } => self.power(station, true),
        }
    }

    /// Lets a device's program work at its desk.
    pub(super) fn work(&mut self, station: usize, task: impl FnOnce(&mut Program, &mut Desk)) {
        let mut program_events = Vec::new();
        let device = &mut self.stations[station];
        let mut desk = Desk {
            now: self.now,
            clock: self.clock,
            station,
            epoch: device.epoch,
            queue: &mut self.queue,
            controller: &mut device.controller,
            chance: &mut device.chance,
            exchanges: &mut self.exchanges,
            program_events: &mut program_events,
        };
        task(&mut device.program, &mut desk);
        for event in program_events {
            self.tell(station, event);
        }
    }

    fn tell(&mut self, station: usize, event: ProgramEvent) {
        let device = self.stations[station].program.device();
        self.ledger.program_event(self.t(), device, event);
    }

    /// A good frame came over the wire, to all but the deaf ones.
    pub(super) fn deliver(
        &mut self,
        senders: &[Sending],
        deaf: Option<usize>,
        frame: &Frame,
        purpose: &Purpose,
    ) {
        self.note_contest(senders, purpose);
        for station in 0..self.stations.len() {
            let is_sender = senders.iter().any(|sending| sending.station == station);
            let device = &mut self.stations[station];
            if is_sender || !device.controller.acknowledges() || deaf == Some(station) {
                continue;
            }
            device.controller.confinement.received();
            self.work(station, |program, desk| match program {
                Program::Master(master) => master.received(desk, frame),
                Program::Slave(slave) => slave.received(desk, frame, purpose),
                Program::Tool(tool) => tool.received(desk, frame),
                Program::BackgroundSender(_) => {}
            });
        }
    }

    /// A request for an address that another device has and does not defend.
    fn note_contest(&mut self, senders: &[Sending], purpose: &Purpose) {
        use crate::fieldbus::AddressCheckKind::Request;
        let Purpose::Check(check) = purpose else { return };
        if check.kind != Request {
            return;
        }
        let others = self.stations.iter().enumerate().filter_map(|(i, station)| {
            let mine = senders.iter().any(|sending| sending.station == i);
            let claim = station.program.claim()?;
            let same = claim.mac_id == check.mac_id && claim.device != check.device;
            let there = station.controller.acknowledges() && claim.claim != Claim::Off;
            (!mine && same && there && claim.claim != Claim::Faulted).then_some(claim)
        });
        let others: Vec<_> = others.collect();
        let defended = others.iter().any(|claim| claim.is_online() && claim.answers);
        if let (Some(holder), false) = (others.first(), defended) {
            let (mac_id, holder) = (check.mac_id, holder.device);
            self.ledger.contested(self.t(), mac_id, holder, check.device);
        }
    }

    /// Switches a device on or off.
    pub(super) fn power(&mut self, station: usize, on: bool) {
        let device = &mut self.stations[station];
        if device.controller.powered == on {
            return;
        }
        device.epoch += 1;
        device.controller.powered = on;
        device.controller.clear();
        device.controller.confinement.reset();
        device.controller.suspended_until = Time(0);
        self.note_state(station);
        let who = self.stations[station].program.device();
        self.ledger.power(self.t(), who, on);
        if on {
            self.work(station, |program, desk| match program {
                Program::Master(master) => master.power_on(desk),
                Program::Slave(slave) => slave.power_on(desk),
                Program::Tool(tool) => tool.power_on(desk),
                Program::BackgroundSender(talker) => talker.power_on(desk),
            });
        } else if let Some(claim) = self.stations[station].program.claim_mut() {
            claim.claim = Claim::Off;
        }
    }

    /// Notes a change of a controller's state for the truth.
    pub(super) fn note_state(&mut self, station: usize) {
        let device = &mut self.stations[station];
        let state = device.controller.confinement.state();
        if state != device.state {
            device.state = state;
            let who = device.program.device();
            let counters = device.controller.confinement.counters();
            self.ledger.node_state(self.t(), who, state, counters);
        }
    }

    fn finish(&mut self) {
        self.now = self.end;
        let lost = self.adapter.end(self.t());
        if lost > 0 {
            self.ledger.lost(lost);
        }
        self.ledger.finish(self.t(), self.adapter.tally(), self.adapter.counters_told());
    }

    pub(super) fn now(&self) -> Time {
        self.now
    }

    pub(super) fn t(&self) -> Nanos {
        self.now.nanos(self.clock.0)
    }

    pub(super) fn bitrate(&self) -> Bitrate {
        self.clock.0
    }
}

/// A simulated trunk, heard by a listen-only adapter.
#[derive(Debug)]
pub struct SimSource {
    header: Header,
    duration: Nanos,
    world: Simulation,
}

/// The cider bottling line that `demo` shows.
const DEMO: &str = include_str!("demo.toml");

impl SimSource {
    /// A run of a scenario. The same seed gives the same records on every machine; without one
    /// the scenario's own is taken.
    pub fn new(scenario: Scenario, seed: Option<u64>) -> SimSource {
        let header = Header {
            started: scenario.trunk.started,
            bitrate: Some(scenario.trunk.bitrate),
            interface: None,
            listen_only: Some(true),
            reports_errors: None,
            clock: Some(Clock::Simulated),
            tool: Some(Header::TOOL.to_string()),
        };
        let seed = seed.unwrap_or(scenario.trunk.seed);
        let duration = Nanos((scenario.trunk.duration_s.0 * 1e9) as i64);
        SimSource { header, duration, world: Simulation::new(scenario, seed, Frame::wire_bits) }
    }

    /// Orchard Lane, a cider bottling line: a master and eight nodes at 125 kbit/s for about a
    /// minute, with a node that misses polls, a newcomer that is refused, and a burst of errors.
    pub fn demo() -> SimSource {
        match Scenario::parse(DEMO) {
            Ok(scenario) => SimSource::new(scenario, None),
            Err(error) => unreachable!("the demo scenario is tested: {error}"),
        }
    }

    /// What the source says about itself.
    pub fn header(&self) -> &Header {
        &self.header
    }

    /// How long the scenario lasts.
    pub fn duration(&self) -> Nanos {
        self.duration
    }

    /// Appends the next records. `false`: the simulation is over.
    pub fn next_records(&mut self, batch: &mut Vec<Record>) -> bool {
        self.world.advance(batch)
    }

    /// What really happened: complete once the simulation is over.
    pub fn truth(&self) -> &Truth {
        self.world.ledger.truth()
    }
}

impl Reader for SimSource {
    fn header(&self) -> &Header {
        &self.header
    }

    fn read(&mut self, batch: &mut Vec<Record>) -> Result<bool, SourceError> {
        // More than one step a call: each batch has its costs.
        const BATCH: usize = 256;
        let mut some = Vec::new();
        for _ in 0..BATCH {
            let more = self.next_records(&mut some);
            batch.append(&mut some);
            if !more {
                return Ok(false);
            }
        }
        Ok(true)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::What;

    fn run(mut source: SimSource) -> Vec<Record> {
        let (mut all, mut some) = (Vec::new(), Vec::new());
        loop {
            let more = source.next_records(&mut some);
            all.append(&mut some);
            if !more {
                return all;
            }
        }
    }

    #[test]
    fn the_demo_runs_its_minute_and_ends_cleanly() {
        let records = run(SimSource::demo());
        assert!(records.is_sorted_by_key(|record| record.t), "in the order of time");
        assert!(matches!(&records.last().unwrap().what, What::End(tally) if tally.frames > 10_000));
        assert_eq!(records, run(SimSource::demo()));
    }
}
