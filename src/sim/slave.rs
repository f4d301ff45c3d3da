//! A slave: claims its address, lets itself be allocated, answers polls and strobes, speaks
//! when something changes, sends heartbeats.

use crate::fieldbus::{AddressCheck, Identifier, MacId, Role};
use crate::wire::Frame;

use super::drive::Drive;
use super::exchanges::{IoAssembler, Purpose, group1, group2, io_frames, is_fragmented};
use super::explicit::{IoState, Server};
use super::random::Likely;
use super::scenario::{IoConnection, NodePlan};
use super::station::{AddressClaim, Desk, ProgramEvent, Timer};
use super::time::Time;

/// A slave's program.
#[derive(Debug)]
pub(super) struct Slave {
    pub(super) plan: NodePlan,
    pub(super) address: AddressClaim,
    pub(super) io: IoState,
    pub(super) rate: Time,
    pub(super) drive: Option<Drive>,
    pub(super) server: Server,
    /// How often it leaves a response out.
    pub(super) skips: Likely,
    /// How much later it answers, and how often.
    pub(super) slow: (Time, Likely),
    /// The size of its responses, where it is not the one planned.
    pub(super) answers_with: Option<usize>,
    /// The commands have a size that it does not take.
    pub(super) refuses_commands: bool,
    /// It is on line and allocated as soon as it has power, as if it had always been there.
    pub(super) intrudes: bool,
    last_command: Time,
    last_change: Time,
    /// The exchange that it works on, and the one that came meanwhile.
    working: Option<u64>,
    next: Option<u64>,
    assembler: IoAssembler,
    inputs: Vec<u8>,
}

impl Slave {
    pub(super) fn new(plan: &NodePlan) -> Slave {
        let mac_id = plan.mac_id;
        Slave {
            address: AddressClaim::new(mac_id, plan.vendor_id, plan.serial),
            io: IoState::NonExistent,
            rate: Time(0),
            drive: plan.drive.as_ref().map(Drive::new),
            server: Server::new(plan),
            skips: Likely::share(0.0),
            slow: (Time(0), Likely::share(0.0)),
            answers_with: None,
            refuses_commands: false,
            intrudes: false,
            last_command: Time(0),
            last_change: Time(0),
            working: None,
            next: None,
            assembler: IoAssembler::default(),
            inputs: vec![0; plan.response_bytes.0],
            plan: plan.clone(),
        }
    }

    pub(super) fn mac_id(&self) -> MacId {
        self.address.mac_id
    }

    /// Power came: everything is forgotten.
    pub(super) fn power_on(&mut self, desk: &mut Desk) {
        self.address.claim = super::station::Claim::Off;
        self.io = IoState::NonExistent;
        self.working = None;
        self.next = None;
        self.server.reset();
        if let Some(drive) = &mut self.drive {
            drive.restart(desk.now);
        }
        desk.chance.fill(&mut self.inputs);
        let start_up = desk.chance.between(50, 400);
        let start_up = desk.clock.millis(start_up as f64);
        desk.after(start_up, Timer::Booted);
    }

    pub(super) fn timer(&mut self, desk: &mut Desk, timer: Timer) {
        match timer {
            Timer::Booted if self.address.booted(desk) => self.online(desk),
            Timer::CheckWaited if self.address.waited(desk) => self.online(desk),
            _ if !self.address.is_online() => {}
            Timer::Respond => self.respond(desk),
            Timer::Reply => self.server.reply(desk, self.address.mac_id),
            Timer::Heartbeat => self.heartbeat(desk),
            Timer::Change => self.change(desk),
            Timer::Cyclic => self.cyclic(desk),
            Timer::Watchdog => self.watchdog(desk),
            _ => {}
        }
    }

    fn online(&mut self, desk: &mut Desk) {
        if self.intrudes {
            self.rate = desk.clock.millis(self.plan.expected_packet_rate_ms.0);
            self.established(desk);
        }
        if let Some(every) = self.plan.heartbeat_s {
            desk.after(desk.clock.secs(every.0), Timer::Heartbeat);
        }
    }

    pub(super) fn sent(&mut self, desk: &mut Desk, purpose: &Purpose) {
        self.address.sent(desk, purpose);
    }

    /// Its controller went bus-off: what it wanted to send is gone.
    pub(super) fn bus_off(&mut self) {
        self.working = None;
        self.next = None;
    }

    pub(super) fn received(&mut self, desk: &mut Desk, frame: &Frame, purpose: &Purpose) {
        let crate::wire::Id::Standard(id) = frame.id() else { return };
        let identifier = Identifier::from(id);
        let mine = identifier.destination() == Some(self.mac_id());
        match identifier.role() {
            Role::AddressCheck => {
                if let Identifier::Group2 { node, .. } = identifier
                    && let Ok(check) = AddressCheck::parse(node, frame.bytes())
                {
                    self.address.heard(desk, &check);
                }
            }
            _ if !self.address.is_online() => {}
            Role::UnconnectedRequest | Role::ExplicitRequest if mine => {
                let before = self.io;
                self.server.request(desk, frame.bytes(), &mut self.io, &mut self.rate);
                if self.io == IoState::Established && before != IoState::Established {
                    self.established(desk);
                }
            }
            Role::UnconnectedRequestGroup3 | Role::OtherExplicit => {
                let Some(client) = identifier.source() else { return };
                // There the header names whom it is for.
                if frame.bytes().first().is_none_or(|head| head & 0x3F != self.mac_id().get()) {
                    return;
                }
                if identifier.role() == Role::UnconnectedRequestGroup3 {
                    self.server.open(desk, client, frame.bytes());
                } else {
                    let (io, rate) = (&mut self.io, &mut self.rate);
                    self.server.opened_request(desk, client, frame.bytes(), io, rate);
                }
            }
            Role::PollCommand if mine && self.plan.connection == IoConnection::Poll => {
                self.command(desk, frame.bytes(), purpose);
            }
            Role::StrobeCommand if self.plan.connection == IoConnection::Strobe => {
                self.command(desk, frame.bytes(), purpose);
            }
            Role::MulticastPollCommand if self.plan.connection == IoConnection::MulticastPoll => {
                self.command(desk, frame.bytes(), purpose);
            }
            Role::ChangeOfStateAcknowledge if mine => self.last_command = desk.now,
            _ => {}
        }
    }

    fn established(&mut self, desk: &mut Desk) {
        self.io = IoState::Established;
        self.last_command = desk.now;
        desk.program_events.push(ProgramEvent::Established { mac_id: self.mac_id() });
        match self.plan.connection {
            IoConnection::ChangeOfState => {
                desk.after(Time(1), Timer::Cyclic);
                self.plan_change(desk);
            }
            IoConnection::Cyclic => desk.after(Time(1), Timer::Cyclic),
            IoConnection::Poll | IoConnection::Strobe | IoConnection::MulticastPoll => {}
        }
        // What consumes nothing cannot time out.
        if self.rate.0 > 0 && !self.plan.only_sends() {
            desk.after(self.time_out(), Timer::Watchdog);
        }
    }

    /// IEC 62026-3: four times the expected packet rate.
    fn time_out(&self) -> Time {
        Time(self.rate.0 * 4)
    }

    fn watchdog(&mut self, desk: &mut Desk) {
        if self.io != IoState::Established {
            return;
        }
        let silent = desk.now.since(self.last_command);
        if silent >= self.time_out() {
            self.io = IoState::TimedOut;
            self.working = None;
            self.next = None;
            desk.program_events.push(ProgramEvent::TimedOut { mac_id: self.mac_id() });
        } else {
            desk.after(Time(self.time_out().0 - silent.0), Timer::Watchdog);
        }
    }

    fn command(&mut self, desk: &mut Desk, data: &[u8], purpose: &Purpose) {
        if self.io != IoState::Established || self.refuses_commands {
            return;
        }
        let strobe = self.plan.connection == IoConnection::Strobe;
        let fragmented = !strobe && is_fragmented(self.plan.command_bytes.0);
        let Some(bytes) = self.assembler.take(data, fragmented) else { return };
        self.last_command = desk.now;
        if let Some(drive) = &mut self.drive {
            drive.command(&bytes, desk.now, desk.clock);
        }
        let exchange = match *purpose {
            Purpose::Command { exchange, .. } => exchange,
            _ => 0,
        };
        if desk.chance.happens(self.skips) {
            desk.program_events.push(ProgramEvent::Skipped { mac_id: self.mac_id(), exchange });
        } else if self.working.is_some() {
            self.next = Some(exchange);
        } else {
            self.begin(desk, exchange);
        }
    }

    fn begin(&mut self, desk: &mut Desk, exchange: u64) {
        self.working = Some(exchange);
        let (plan, clock) = (&self.plan, desk.clock);
        let least = clock.micros(plan.delay_min_us.0);
        let most = clock.micros(plan.delay_max_us.0);
        let above = clock.micros(plan.delay_mean_us.0 - plan.delay_min_us.0);
        let mut delay = (least + desk.chance.exponential(above)).min(most);
        if desk.chance.happens(self.slow.1) {
            delay += self.slow.0;
        }
        desk.after(delay, Timer::Respond);
    }

    fn respond(&mut self, desk: &mut Desk) {
        let answers = self.working.take();
        if self.io == IoState::Established {
            let message = match self.plan.connection {
                IoConnection::Strobe => 0xE,
                IoConnection::MulticastPoll => 0xC,
                _ => 0xF,
            };
            self.send_io(desk, message, answers);
        }
        if let Some(exchange) = self.next.take() {
            self.begin(desk, exchange);
        }
    }

    fn send_io(&mut self, desk: &mut Desk, message: u8, answers: Option<u64>) {
        let (kind, node) = (self.plan.connection, self.mac_id());
        let mut bytes = match &mut self.drive {
            Some(drive) => drive.report(desk.now, desk.clock),
            None => {
                self.vary(desk);
                self.inputs.clone()
            }
        };
        if let Some(size) = self.answers_with {
            bytes.resize(size, 0);
        }
        for (data, part) in io_frames(&bytes) {
            let purpose = Purpose::Response { kind, node, answers, part };
            desk.send(group1(message, node, &data), purpose);
        }
    }

    /// Inputs as they are on a line: most stay, one now and then changes.
    fn vary(&mut self, desk: &mut Desk) {
        if !self.inputs.is_empty() && desk.chance.happens(Likely::share(0.25)) {
            let which = desk.chance.below(self.inputs.len() as u64) as usize;
            self.inputs[which] = desk.chance.below(256) as u8;
        }
    }

    fn plan_change(&mut self, desk: &mut Desk) {
        let mean = desk.clock.millis(self.plan.change_interval_ms.0);
        let span = desk.chance.exponential(mean);
        desk.after(span, Timer::Change);
    }

    fn change(&mut self, desk: &mut Desk) {
        if self.io != IoState::Established {
            return;
        }
        self.last_change = desk.now;
        self.send_io(desk, 0xD, None);
        self.plan_change(desk);
    }

    /// Change of state data comes at the expected packet rate too, when nothing changed.
    fn cyclic(&mut self, desk: &mut Desk) {
        if self.io != IoState::Established || self.rate.0 == 0 {
            return;
        }
        let quiet = desk.now.since(self.last_change);
        if self.plan.connection == IoConnection::Cyclic || quiet >= self.rate {
            self.last_change = desk.now;
            self.send_io(desk, 0xD, None);
            desk.after(self.rate, Timer::Cyclic);
        } else {
            desk.after(Time(self.rate.0 - quiet.0), Timer::Cyclic);
        }
    }

    /// The heartbeat's layout is from memory: service 4D, then instance, state, flags.
    fn heartbeat(&mut self, desk: &mut Desk) {
        let node = self.mac_id();
        let faulted = self.drive.as_ref().is_some_and(|drive| drive.tripped);
        let state = if faulted { 4 } else { 3 };
        let data = [node.get(), 0x4D, 1, 0, state, u8::from(faulted), 0, 0];
        desk.send(group2(3, node, &data), Purpose::Heartbeat { node });
        if let Some(every) = self.plan.heartbeat_s {
            desk.after(desk.clock.secs(every.0), Timer::Heartbeat);
        }
    }
}
