//! A master: claims its address, allocates its slaves, sets their rates, reads who they are,
//! scans them, gives up the silent ones and tries them again.

use crate::fieldbus::{AddressCheck, Identifier, MacId, Role};
use crate::wire::Frame;

use super::drive::{command_bytes, wants_run};
use super::exchanges::{IoAssembler, Purpose, group2, io_frames, is_fragmented};
use super::explicit::{Answer, Dialog, Goal};
use super::random::Likely;
use super::scenario::{IoConnection, MasterPlan, Millis, NodePlan};
use super::station::{AddressClaim, Claim, Desk, ProgramEvent, Timer};
use super::time::Time;

/// One slave, as the master sees it.
#[derive(Debug)]
struct Slot {
    plan: NodePlan,
    mac_id: MacId,
    /// It is on the scan list.
    listed: bool,
    /// It is allocated, but not polled.
    idle: bool,
    /// A drive is not asked to take its control from the network.
    asks_no_control: bool,
    /// The size of the commands, where it is not the one planned.
    sends: Option<usize>,
    /// Instead of the planned expected packet rate.
    rate: Option<Millis>,
    running: bool,
    /// When the slave last answered.
    heard: Time,
    /// The exchange that it has not answered yet.
    open: Option<u64>,
    dialog: Dialog,
    assembler: IoAssembler,
    outputs: Vec<u8>,
}

impl Slot {
    fn rate(&self) -> Millis {
        self.rate.unwrap_or(self.plan.expected_packet_rate_ms)
    }
}

/// A master's program.
#[derive(Debug)]
pub(super) struct Master {
    pub(super) address: AddressClaim,
    plan: MasterPlan,
    slots: Vec<Slot>,
    /// Instead of the planned scan interval.
    pub(super) interval: Option<Time>,
    /// In program mode: it polls with no data.
    pub(super) idle: bool,
    scan: u64,
    scan_open: bool,
    next_read: usize,
}

impl Master {
    pub(super) fn new(plan: &MasterPlan, nodes: &[NodePlan]) -> Master {
        let slots = nodes
            .iter()
            .map(|node| Slot {
                plan: node.clone(),
                mac_id: node.mac_id,
                listed: true,
                idle: false,
                asks_no_control: false,
                sends: None,
                rate: None,
                running: false,
                heard: Time(0),
                open: None,
                dialog: Dialog::default(),
                assembler: IoAssembler::default(),
                outputs: vec![0; node.command_bytes.0],
            })
            .collect();
        Master {
            address: AddressClaim::new(plan.mac_id, plan.vendor_id, plan.serial),
            plan: plan.clone(),
            slots,
            interval: None,
            idle: false,
            scan: 0,
            scan_open: false,
            next_read: 0,
        }
    }

    pub(super) fn power_on(&mut self, desk: &mut Desk) {
        self.address.claim = Claim::Off;
        for slot in &mut self.slots {
            slot.running = false;
            slot.open = None;
            slot.dialog = Dialog::default();
        }
        self.scan_open = false;
        let start_up = desk.chance.between(200, 400);
        desk.after(desk.clock.millis(start_up as f64), Timer::Booted);
    }

    pub(super) fn timer(&mut self, desk: &mut Desk, timer: Timer) {
        match timer {
            Timer::Booted => {
                self.address.booted(desk);
            }
            Timer::CheckWaited if self.address.waited(desk) => self.online(desk),
            _ if !self.address.is_online() => {}
            Timer::Scan => self.begin_scan(desk),
            Timer::ScanTimeout(scan) if scan == self.scan => self.end_scan(desk),
            Timer::RequestTimeout { slot, request }
                if self.slots[slot].dialog.is_waiting_for(request) =>
            {
                self.dialog_failed(desk, slot);
            }
            Timer::Retry { slot } => self.allocate(desk, slot),
            Timer::Read => self.read(desk),
            _ => {}
        }
    }

    fn online(&mut self, desk: &mut Desk) {
        for slot in 0..self.slots.len() {
            // One after the other, so that the allocations of many do not pile up.
            desk.after(desk.clock.millis(2.0 + 5.0 * slot as f64), Timer::Retry { slot });
        }
        desk.after(desk.clock.millis(1.0), Timer::Scan);
        if let Some(every) = self.plan.explicit_interval_s {
            desk.after(desk.clock.secs(every.0), Timer::Read);
        }
    }

    pub(super) fn sent(&mut self, desk: &mut Desk, purpose: &Purpose) {
        self.address.sent(desk, purpose);
    }

    pub(super) fn received(&mut self, desk: &mut Desk, frame: &Frame) {
        let crate::wire::Id::Standard(id) = frame.id() else { return };
        let identifier = Identifier::from(id);
        match (identifier.role(), identifier.source()) {
            (Role::AddressCheck, Some(node)) => {
                if let Ok(check) = AddressCheck::parse(node, frame.bytes()) {
                    self.address.heard(desk, &check);
                }
            }
            _ if !self.address.is_online() => {}
            (
                Role::PollResponse | Role::StrobeResponse | Role::MulticastPollResponse,
                Some(node),
            ) => {
                self.response(desk, node, frame.bytes());
            }
            (Role::ChangeOfState, Some(node)) => {
                if let Some(slot) = self.running_slot(node) {
                    slot.heard = desk.now;
                    if slot.plan.connection.sends_by_itself() && slot.plan.acknowledged {
                        let acknowledge = group2(2, node, &[]);
                        desk.send(acknowledge, Purpose::ChangeAcknowledge { node });
                    }
                }
            }
            (Role::ExplicitResponse, Some(node)) => self.explicit(desk, node, frame.bytes()),
            _ => {}
        }
    }

    fn running_slot(&mut self, node: MacId) -> Option<&mut Slot> {
        self.slots.iter_mut().find(|slot| slot.mac_id == node && slot.running)
    }

    fn response(&mut self, desk: &mut Desk, node: MacId, data: &[u8]) {
        let Some(slot) = self.running_slot(node) else { return };
        slot.heard = desk.now;
        let fragmented = is_fragmented(slot.plan.response_bytes.0);
        if slot.assembler.take(data, fragmented).is_some() {
            slot.open = None;
        }
        let through = self.slots.iter().all(|slot| slot.open.is_none());
        if self.scan_open && through && self.is_back_to_back() {
            self.end_scan(desk);
        }
    }

    fn is_back_to_back(&self) -> bool {
        self.interval.is_none() && self.plan.scan_interval_ms.is_none()
    }

    fn begin_scan(&mut self, desk: &mut Desk) {
        self.scan += 1;
        self.scan_open = true;
        self.give_up(desk);
        let (mut strobed, mut grouped) = (Vec::new(), Vec::new());
        for slot in &mut self.slots {
            if !slot.running || slot.idle {
                continue;
            }
            match slot.plan.connection {
                IoConnection::Poll => poll(desk, slot, self.idle),
                IoConnection::Strobe => strobed.push(slot),
                IoConnection::MulticastPoll => grouped.push(slot),
                IoConnection::ChangeOfState | IoConnection::Cyclic => {}
            }
        }
        let master = self.address.mac_id;
        if !strobed.is_empty() {
            strobe(desk, master, strobed);
        }
        if !grouped.is_empty() {
            multicast_poll(desk, master, grouped, self.idle);
        }
        let planned = self.plan.scan_interval_ms.map(|ms| desk.clock.millis(ms.0));
        match self.interval.or(planned) {
            Some(interval) => desk.after(interval, Timer::Scan),
            None if self.slots.iter().all(|slot| slot.open.is_none()) => self.end_scan(desk),
            None => {
                let longest = desk.clock.millis(self.plan.response_timeout_ms.0);
                desk.after(longest, Timer::ScanTimeout(self.scan));
            }
        }
    }

    /// A scan that runs back to back is through, or has waited long enough.
    fn end_scan(&mut self, desk: &mut Desk) {
        if self.scan_open {
            self.scan_open = false;
            let gap = desk.clock.millis(self.plan.scan_gap_ms.0);
            desk.after(gap.max(Time(1)), Timer::Scan);
        }
    }

    /// Nodes that did not answer for four times their expected packet rate are lost.
    fn give_up(&mut self, desk: &mut Desk) {
        for (index, slot) in self.slots.iter_mut().enumerate() {
            let limit = Time(desk.clock.millis(slot.plan.expected_packet_rate_ms.0).0 * 4);
            if slot.running && !slot.idle && limit.0 > 0 && desk.now.since(slot.heard) > limit {
                slot.running = false;
                slot.open = None;
                desk.program_events.push(ProgramEvent::Lost { mac_id: slot.mac_id });
                let retry = desk.clock.millis(self.plan.retry_ms.0);
                desk.after(retry, Timer::Retry { slot: index });
            }
        }
    }

    fn allocate(&mut self, desk: &mut Desk, slot: usize) {
        let master = self.address.mac_id;
        let rate = self.slots[slot].rate();
        let Slot { mac_id, plan, dialog, listed: true, .. } = &mut self.slots[slot] else { return };
        dialog.begin(desk, slot, master, *mac_id, Goal::allocation(plan, rate));
    }

    /// Takes a node onto its scan list, or off it.
    pub(super) fn list(&mut self, desk: &mut Desk, node: MacId, listed: bool) {
        let Some((index, slot)) = self.slot_of(node) else { return };
        slot.listed = listed;
        slot.running = false;
        slot.open = None;
        if listed && self.address.is_online() {
            desk.after(Time(1), Timer::Retry { slot: index });
        }
    }

    /// Polls a node no more, or again, and keeps it allocated.
    pub(super) fn leave_idle(&mut self, node: MacId, idle: bool) {
        let Some((_, slot)) = self.slot_of(node) else { return };
        slot.idle = idle;
        slot.open = None;
    }

    /// Asks a drive for control from the network no more, or again.
    pub(super) fn ask_no_control(&mut self, node: MacId, on: bool) {
        let Some((_, slot)) = self.slot_of(node) else { return };
        slot.asks_no_control = on;
    }

    /// Sends a node commands of another size.
    pub(super) fn send_size(&mut self, node: MacId, bytes: Option<usize>) {
        let Some((_, slot)) = self.slot_of(node) else { return };
        slot.sends = bytes;
    }

    /// Sets a node up anew, with another expected packet rate.
    pub(super) fn set_rate(&mut self, desk: &mut Desk, node: MacId, rate: Option<Millis>) {
        let Some((index, slot)) = self.slot_of(node) else { return };
        slot.rate = rate;
        if std::mem::take(&mut slot.running) {
            slot.open = None;
            desk.after(Time(1), Timer::Retry { slot: index });
        }
    }

    fn slot_of(&mut self, node: MacId) -> Option<(usize, &mut Slot)> {
        self.slots.iter_mut().enumerate().find(|(_, slot)| slot.mac_id == node)
    }

    fn dialog_failed(&mut self, desk: &mut Desk, slot: usize) {
        self.slots[slot].dialog = Dialog::after(&self.slots[slot].dialog);
        if !self.slots[slot].running {
            desk.after(desk.clock.millis(self.plan.retry_ms.0), Timer::Retry { slot });
        }
    }

    fn explicit(&mut self, desk: &mut Desk, node: MacId, data: &[u8]) {
        let master = self.address.mac_id;
        let Some(index) = self.slots.iter().position(|slot| slot.mac_id == node) else { return };
        let slot = &mut self.slots[index];
        match slot.dialog.answer(desk, index, master, node, data) {
            Answer::GoesOn => {}
            Answer::Done if slot.running => {}
            Answer::Done => {
                slot.running = true;
                slot.heard = desk.now;
                desk.program_events.push(ProgramEvent::Scanned { mac_id: node });
            }
            Answer::Failed => self.dialog_failed(desk, index),
        }
    }

    /// Reads something from the next of its nodes: the status, and now and then an attribute
    /// that the node does not have.
    fn read(&mut self, desk: &mut Desk) {
        let master = self.address.mac_id;
        if !self.slots.is_empty() {
            let index = self.next_read % self.slots.len();
            let slot = &mut self.slots[index];
            let attribute = if self.next_read % 4 == 3 { 0x63 } else { 5 };
            self.next_read += 1;
            if slot.running && !slot.dialog.is_busy() {
                slot.dialog.begin(desk, index, master, slot.mac_id, Goal::read(attribute));
            }
        }
        if let Some(every) = self.plan.explicit_interval_s {
            desk.after(desk.clock.secs(every.0), Timer::Read);
        }
    }
}

/// Sends a poll command, unless the last one still waits to be sent.
fn poll(desk: &mut Desk, slot: &mut Slot, idle: bool) {
    let mac_id = slot.mac_id;
    let unsent = |purpose: &Purpose| matches!(purpose, Purpose::Command { node: Some(node), .. } if *node == mac_id);
    if desk.controller.is_waiting(unsent) {
        desk.program_events.push(ProgramEvent::Overrun { mac_id });
        return;
    }
    *desk.exchanges += 1;
    let exchange = *desk.exchanges;
    slot.open = Some(exchange);
    let bytes = match &slot.plan.drive {
        _ if idle => Vec::new(),
        Some(drive) => {
            let run = wants_run(drive, desk.now, desk.clock);
            let speed = if run { drive.speed_rpm } else { 0 };
            command_bytes(
                drive.output_assembly.0,
                run,
                speed,
                drive.asks_control && !slot.asks_no_control,
            )
        }
        None => {
            if !slot.outputs.is_empty() && desk.chance.happens(Likely::share(0.1)) {
                let which = desk.chance.below(slot.outputs.len() as u64) as usize;
                slot.outputs[which] = desk.chance.below(256) as u8;
            }
            slot.outputs.clone()
        }
    };
    let mut bytes = bytes;
    bytes.resize(slot.sends.unwrap_or(bytes.len()), 0);
    let (kind, node) = (IoConnection::Poll, Some(mac_id));
    for (data, part) in io_frames(&bytes) {
        let purpose = Purpose::Command { kind, node, exchange, part };
        desk.send(group2(5, mac_id, &data), purpose);
    }
}

/// Begins an exchange with several nodes, unless the last command of that kind still waits to be sent.
fn begin_with_several(desk: &mut Desk, master: MacId, kind: IoConnection) -> Option<u64> {
    let unsent = |purpose: &Purpose| matches!(purpose, Purpose::Command { node: None, kind: its, .. } if *its == kind);
    if desk.controller.is_waiting(unsent) {
        desk.program_events.push(ProgramEvent::Overrun { mac_id: master });
        return None;
    }
    *desk.exchanges += 1;
    Some(*desk.exchanges)
}

/// The address that stands for all nodes of the multicast poll.
const MULTICAST_GROUP: MacId = MacId::from_low_bits(0x15);

/// Sends one poll command to all that are allocated for it.
fn multicast_poll(desk: &mut Desk, master: MacId, slots: Vec<&mut Slot>, idle: bool) {
    let kind = IoConnection::MulticastPoll;
    let Some(exchange) = begin_with_several(desk, master, kind) else { return };
    let mut bytes = Vec::new();
    for slot in slots {
        slot.open = Some(exchange);
        if !idle {
            bytes.clone_from(&slot.outputs);
        }
    }
    for (data, part) in io_frames(&bytes) {
        let purpose = Purpose::Command { kind, node: None, exchange, part };
        desk.send(group2(1, MULTICAST_GROUP, &data), purpose);
    }
}

/// Sends the strobe command: a bit for each address.
fn strobe(desk: &mut Desk, master: MacId, slots: Vec<&mut Slot>) {
    let kind = IoConnection::Strobe;
    let Some(exchange) = begin_with_several(desk, master, kind) else { return };
    let mut bits = 0_u64;
    for slot in slots {
        slot.open = Some(exchange);
        if desk.chance.happens(Likely::share(0.5)) {
            bits |= 1 << slot.mac_id.get();
        }
    }
    for (data, part) in io_frames(&bits.to_le_bytes()) {
        let purpose = Purpose::Command { kind, node: None, exchange, part };
        desk.send(group2(0, master, &data), purpose);
    }
}
