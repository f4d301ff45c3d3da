//! What every device on the trunk shares: its controller, its address check, and the desk at
//! which its program works.

use crate::fieldbus::{AddressCheck, AddressCheckKind, DeviceId, MacId};
use crate::wire::Frame;

use super::controller::Controller;
use super::exchanges::{Purpose, check_frame};
use super::random::Chance;
use super::time::{Clockwork, Queue, Time};

/// Something that happens at a time.
#[derive(Debug)]
pub(super) enum ScheduledEvent {
    /// A timer of a device's program; void if the device started anew since.
    Timer { station: usize, epoch: u32, timer: Timer },
    /// The frame on the wire is over, or was heard to be destroyed.
    Finished,
    /// Long enough silence for a controller to leave bus-off, if there was no frame meanwhile.
    Recovery { station: usize, frames: u64 },
    /// A fault begins or ends.
    Fault { index: usize, on: bool },
    /// A loose connector changes its mind.
    Contact { index: usize, on: bool },
    /// A device gets its power back.
    PowerOn { station: usize },
}

/// What a device's program waits for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Timer {
    /// The device has started up.
    Booted,
    /// A second of the address check is over.
    CheckWaited,
    /// A response is ready.
    Respond,
    /// An explicit response is ready.
    Reply,
    /// A heartbeat is due.
    Heartbeat,
    /// An input changes.
    Change,
    /// The expected packet rate of change of state or cyclic data.
    Cyclic,
    /// The I/O connection may have timed out.
    Watchdog,
    /// A scan begins.
    Scan,
    /// A scan that runs back to back has waited long enough.
    ScanTimeout(u64),
    /// An explicit request of a slot has waited long enough.
    RequestTimeout { slot: usize, request: u64 },
    /// A lost node is tried again.
    Retry { slot: usize },
    /// Time to read something.
    Read,
    /// A talker's frame is due.
    Talk,
}

/// The desk at which a device's program works: the time, its controller, its chance.
pub(super) struct Desk<'a> {
    pub(super) now: Time,
    pub(super) clock: Clockwork,
    pub(super) station: usize,
    pub(super) epoch: u32,
    pub(super) queue: &'a mut Queue<ScheduledEvent>,
    pub(super) controller: &'a mut Controller,
    pub(super) chance: &'a mut Chance,
    /// The number of the last exchange that a master opened.
    pub(super) exchanges: &'a mut u64,
    /// What the program tells of itself, for the truth.
    pub(super) program_events: &'a mut Vec<ProgramEvent>,
}

/// What a device's program tells of itself, for the truth.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum ProgramEvent {
    /// On line: its address check passed.
    Online { mac_id: MacId },
    /// Its address check met another device.
    CheckFailed { mac_id: MacId, by: AddressCheck },
    /// Its I/O connection is established.
    Established { mac_id: MacId },
    /// Its I/O connection timed out.
    TimedOut { mac_id: MacId },
    /// The master gave a node up.
    Lost { mac_id: MacId },
    /// The master runs a node's I/O.
    Scanned { mac_id: MacId },
    /// A node was told to leave out a response.
    Skipped { mac_id: MacId, exchange: u64 },
    /// The master was not through with the last scan when the next was due.
    Overrun { mac_id: MacId },
}

impl Desk<'_> {
    pub(super) fn send(&mut self, frame: Frame, purpose: Purpose) {
        self.controller.queue(frame, purpose, self.now);
    }

    pub(super) fn after(&mut self, span: Time, timer: Timer) {
        let (station, epoch) = (self.station, self.epoch);
        self.queue.plan(self.now + span, ScheduledEvent::Timer { station, epoch, timer });
    }
}

/// How far a device is with claiming its address (IEC 62026-3: two requests, a second after
/// each, then on line).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) enum Claim {
    #[default]
    Off,
    /// So many requests were sent.
    Checking(u8),
    Online,
    /// Communication fault: another device has the address.
    Faulted,
}

/// A device's address and how it claims it.
#[derive(Debug)]
pub(super) struct AddressClaim {
    pub(super) mac_id: MacId,
    pub(super) device: DeviceId,
    pub(super) claim: Claim,
    /// Whether it makes the check; a faulty device may not.
    pub(super) checks: bool,
    /// Whether it answers another device's check; a faulty one may not.
    pub(super) answers: bool,
}

impl AddressClaim {
    pub(super) fn new(mac_id: MacId, vendor_id: u16, serial: u32) -> AddressClaim {
        let device = DeviceId { vendor_id, serial };
        AddressClaim { mac_id, device, claim: Claim::Off, checks: true, answers: true }
    }

    pub(super) fn is_online(&self) -> bool {
        self.claim == Claim::Online
    }

    fn send(&self, desk: &mut Desk, kind: AddressCheckKind) {
        let check = AddressCheck { mac_id: self.mac_id, kind, port: 0, device: self.device };
        desk.send(check_frame(&check), Purpose::Check(check));
    }

    /// The device has started up. `true`: it is on line at once.
    pub(super) fn booted(&mut self, desk: &mut Desk) -> bool {
        if !self.checks {
            self.claim = Claim::Online;
            return true;
        }
        self.claim = Claim::Checking(0);
        self.send(desk, AddressCheckKind::Request);
        false
    }

    /// One of its frames was sent.
    pub(super) fn sent(&mut self, desk: &mut Desk, purpose: &Purpose) {
        let Purpose::Check(check) = purpose else { return };
        if let (AddressCheckKind::Request, Claim::Checking(sent)) = (check.kind, self.claim) {
            self.claim = Claim::Checking(sent + 1);
            let second = desk.clock.secs(1.0);
            desk.after(second, Timer::CheckWaited);
        }
    }

    /// A second is over. `true`: it is on line now.
    pub(super) fn waited(&mut self, desk: &mut Desk) -> bool {
        match self.claim {
            Claim::Checking(1) => {
                self.send(desk, AddressCheckKind::Request);
                false
            }
            Claim::Checking(_) => {
                self.claim = Claim::Online;
                desk.program_events.push(ProgramEvent::Online { mac_id: self.mac_id });
                true
            }
            _ => false,
        }
    }

    /// An address check was heard.
    pub(super) fn heard(&mut self, desk: &mut Desk, check: &AddressCheck) {
        if check.mac_id != self.mac_id {
            return;
        }
        match self.claim {
            Claim::Checking(_) => {
                self.claim = Claim::Faulted;
                desk.controller.clear();
                desk.program_events
                    .push(ProgramEvent::CheckFailed { mac_id: self.mac_id, by: *check });
            }
            Claim::Online if self.answers && check.kind == AddressCheckKind::Request => {
                self.send(desk, AddressCheckKind::Response);
            }
            _ => {}
        }
    }
}
