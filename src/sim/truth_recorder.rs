//! The truth, counted as it happens from what the simulated devices did and why.
//!
//! The numbers follow the definitions of the summary, so that the two can be compared; where
//! the wire cannot show the true cause, both are kept.

use std::collections::{BTreeMap, BTreeSet};

use crate::fieldbus::{AddressCheckKind, DeviceId, Identifier, MacId};
use crate::wire::{BitTime, ControllerState, Frame, Id, Nanos, Tally};

use super::adapter::Heard;
use super::exchanges::{Exchanges, FragmentPart, IoKind, Purpose};
use super::frame_bits::{Damage, FrameField, Violation};
use super::scenario::{IoConnection, Scenario};
use super::station::ProgramEvent;
use super::truth::{
    ClashTruth, Device, Doing, ErrorEvent, FaultTime, NodeTruth, TrueCause, Truth, cause_name,
};

/// Keeps account.
#[derive(Debug)]
pub(super) struct Ledger {
    truth: Truth,
    exchanges: Exchanges,
    nodes: BTreeMap<MacId, NodeTruth>,
    window_bits: Vec<u64>,
    master: MacId,
    /// The commands to several nodes.
    several: BTreeMap<IoKind, SeveralTruth>,
    /// The nodes that send by themselves and get no acknowledge.
    only_send: Vec<MacId>,
    changes: u64,
    /// The devices that were on line when they last ran.
    online: BTreeSet<DeviceId>,
    /// The devices that run their check, each with its first request.
    checking: BTreeMap<DeviceId, Nanos>,
}

/// The commands of one kind that are for several nodes.
#[derive(Debug, Default)]
struct SeveralTruth {
    /// The nodes that have responded: nothing else on the wire tells that it is for them.
    responders: Vec<MacId>,
    last: Option<(Nanos, u64, FragmentPart)>,
}

/// One second: the length of a load window.
const WINDOW: i64 = 1_000_000_000;

/// The master's acknowledge is one frame without data.
const ACKNOWLEDGE: FragmentPart = FragmentPart { first: true, last: true, bytes: 0 };

impl Ledger {
    pub(super) fn new(scenario: &Scenario, seed: u64) -> Ledger {
        Ledger {
            truth: Truth::new(scenario, seed),
            exchanges: Exchanges::default(),
            nodes: BTreeMap::new(),
            window_bits: Vec::new(),
            master: scenario.master.mac_id,
            several: BTreeMap::new(),
            only_send: scenario.node.iter().filter(|n| n.only_sends()).map(|n| n.mac_id).collect(),
            changes: 0,
            online: BTreeSet::new(),
            checking: BTreeMap::new(),
        }
    }

    /// A good frame that is in the capture.
    pub(super) fn frame(&mut self, t: Nanos, frame: &Frame, length: BitTime, purpose: &Purpose) {
        self.truth.load.wire_bits += length.0;
        let window = usize::try_from(t.0 / WINDOW).unwrap_or(0);
        if self.window_bits.len() <= window {
            self.window_bits.resize(window + 1, 0);
        }
        self.window_bits[window] += length.0;
        self.truth.groups.add(frame, purpose);
        if let Some(mac_id) = self.sender(frame, purpose) {
            let node = self.node(mac_id);
            node.frames_sent += 1;
            node.first_seen_ns.get_or_insert(t.0);
            node.last_seen_ns = Some(t.0);
        }
        match *purpose {
            Purpose::Check(check) => {
                let node = self.node(check.mac_id);
                match check.kind {
                    AddressCheckKind::Request => node.address_check_requests += 1,
                    AddressCheckKind::Response => node.address_check_responses += 1,
                }
                if check.kind == AddressCheckKind::Request {
                    self.checking.entry(check.device).or_insert(t);
                    if self.online.remove(&check.device) {
                        self.node(check.mac_id).restarts += 1;
                    }
                }
            }
            Purpose::Command { kind, node: Some(node), exchange, part } => {
                self.exchanges.command(t, node, kind, exchange, part);
            }
            Purpose::Command { kind, node: None, exchange, part } => {
                let several = self.several.entry(kind.into()).or_default();
                several.last = Some((t, exchange, part));
                for &node in &several.responders {
                    self.exchanges.command(t, node, kind, exchange, part);
                }
            }
            Purpose::Response { kind, node, answers, part } => match kind {
                IoConnection::Poll => self.exchanges.response(t, node, kind, answers, part),
                IoConnection::Strobe | IoConnection::MulticastPoll => {
                    let several = self.several.entry(kind.into()).or_default();
                    if !several.responders.contains(&node) {
                        several.responders.push(node);
                        if let Some((t, exchange, part)) = several.last {
                            self.exchanges.command(t, node, kind, exchange, part);
                        }
                    }
                    self.exchanges.response(t, node, kind, answers, part);
                }
                // Here the node speaks first and the master acknowledges.
                IoConnection::ChangeOfState | IoConnection::Cyclic
                    if self.only_send.contains(&node) =>
                {
                    self.exchanges.unacknowledged(t, node, part);
                }
                IoConnection::ChangeOfState | IoConnection::Cyclic => {
                    self.changes += u64::from(part.first);
                    self.exchanges.command(t, node, kind, self.changes, part);
                }
            },
            Purpose::ChangeAcknowledge { node } => {
                let kind = IoConnection::ChangeOfState;
                self.exchanges.response(t, node, kind, None, ACKNOWLEDGE);
            }
            Purpose::Heartbeat { node } => self.node(node).heartbeats += 1,
            _ => {}
        }
    }

    /// The node that a frame counts for, as far as its identifier can tell.
    fn sender(&self, frame: &Frame, purpose: &Purpose) -> Option<MacId> {
        match *purpose {
            Purpose::Check(check) => Some(check.mac_id),
            Purpose::Response { node, .. }
            | Purpose::Reply { node }
            | Purpose::ToolReply { node }
            | Purpose::Heartbeat { node } => Some(node),
            Purpose::Command { kind: IoConnection::Strobe, .. } => Some(self.master),
            Purpose::ToolRequest { tool, .. } => Some(tool),
            Purpose::Command { .. }
            | Purpose::ChangeAcknowledge { .. }
            | Purpose::Request { .. } => None,
            // What belongs to nobody counts for whom its identifier names.
            Purpose::Stray => match frame.id() {
                Id::Standard(id) => Identifier::from(id).source(),
                Id::Extended(_) => None,
            },
        }
    }

    /// A good frame that the adapter did not hear.
    pub(super) fn unheard(&mut self, t: Nanos, device: Device, purpose: &Purpose) {
        self.doing(t, device, "frame-not-recorded", Some(purpose.to_string()));
    }

    /// What the adapter did besides.
    pub(super) fn adapter(&mut self, t: Nanos, heard: &Heard) {
        if heard.loss_told > 0 {
            self.lost(heard.loss_told);
        }
        self.truth.errors.frames += heard.extra_error_frames;
        if heard.overflowed {
            self.truth.errors.causes.receive_overflow += 1;
        }
        if let Some(state) = heard.state {
            let errors = &mut self.truth.errors;
            match state {
                ControllerState::Warning => errors.warnings += 1,
                ControllerState::Passive => errors.passives += 1,
                ControllerState::Active | ControllerState::BusOff => {}
            }
            let adapter = Device { mac_id: None, device: None };
            self.doing(t, adapter, "adapter-state", Some(state.to_string()));
        }
    }

    /// Frames were lost: what was open is uncertain.
    pub(super) fn lost(&mut self, _frames: u64) {
        self.exchanges.doubt();
        self.several.values_mut().for_each(|several| several.last = None);
    }

    pub(super) fn link_down(&mut self) {
        self.truth.source.link_downs += 1;
        self.lost(0);
    }

    /// A frame was destroyed.
    pub(super) fn error(
        &mut self,
        t: Nanos,
        damage: &Damage,
        cause: TrueCause,
        victims: Vec<Device>,
        purpose: &Purpose,
        recorded: bool,
    ) {
        let wire = wire_cause(damage);
        if recorded {
            self.truth.errors.frames += 1;
            self.truth.errors.causes.add(wire);
        }
        self.truth.errors.events.push(ErrorEvent {
            t_ns: t.0,
            recorded,
            heard_as: wire,
            place: damage.place as u8,
            cause: cause_name(cause, &self.truth.faults),
            victims,
            destroyed: purpose.to_string(),
        });
    }

    /// A device's program tells of itself.
    pub(super) fn program_event(&mut self, t: Nanos, device: Device, event: ProgramEvent) {
        match event {
            ProgramEvent::Online { .. } => {
                if let Some(device) = device.device {
                    self.online.insert(device);
                    self.checking.remove(&device);
                }
                self.doing(t, device, "on-line", None);
            }
            ProgramEvent::CheckFailed { mac_id, by } => {
                self.doing(t, device, "communication-fault", None);
                let Some(newcomer) = device.device else { return };
                let asked = self.checking.remove(&newcomer);
                if let (Some(asked), AddressCheckKind::Response) = (asked, by.kind) {
                    self.clash(asked, mac_id, "refused", by.device, newcomer);
                }
            }
            ProgramEvent::Established { .. } => self.doing(t, device, "i/o-established", None),
            ProgramEvent::TimedOut { .. } => self.doing(t, device, "i/o-timed-out", None),
            ProgramEvent::Lost { mac_id } => {
                self.doing(t, device, "master-lost-node", Some(mac_id.to_string()));
            }
            ProgramEvent::Scanned { mac_id } => {
                self.doing(t, device, "master-scans-node", Some(mac_id.to_string()));
            }
            ProgramEvent::Skipped { mac_id, exchange } => self.exchanges.skipped(mac_id, exchange),
            ProgramEvent::Overrun { mac_id } => {
                self.truth.scan_overruns += 1;
                self.doing(t, device, "scan-overrun", Some(mac_id.to_string()));
            }
        }
    }

    /// A request for an address that is in use or being claimed, and nobody defends it. The
    /// second request of one check is no clash of its own.
    pub(super) fn contested(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        holder: DeviceId,
        newcomer: DeviceId,
    ) {
        if self.checking.get(&newcomer) == Some(&t) {
            self.clash(t, mac_id, "contested", holder, newcomer);
        }
    }

    /// A device got or lost its power.
    pub(super) fn power(&mut self, t: Nanos, device: Device, on: bool) {
        if let Some(device) = device.device {
            self.checking.remove(&device);
        }
        self.doing(t, device, if on { "power-on" } else { "power-off" }, None);
    }

    fn clash(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        outcome: &'static str,
        holder: DeviceId,
        newcomer: DeviceId,
    ) {
        let clash = ClashTruth { t_ns: t.0, mac_id, outcome, holder, newcomer };
        self.truth.address_clashes.push(clash);
    }

    /// A node's controller changed its state.
    pub(super) fn node_state(
        &mut self,
        t: Nanos,
        device: Device,
        state: ControllerState,
        (transmit, receive): (u16, u16),
    ) {
        let what = format!("{state}, transmit {transmit}, receive {receive}");
        self.doing(t, device, "controller", Some(what));
    }

    pub(super) fn contact(&mut self, t: Nanos, mac_id: MacId, connected: bool) {
        let device = Device { mac_id: Some(mac_id), device: None };
        self.doing(t, device, if connected { "contact" } else { "no-contact" }, None);
    }

    pub(super) fn fault(&mut self, t: Nanos, index: usize, on: bool) {
        let FaultTime { from_ns, until_ns, .. } = &mut self.truth.faults[index];
        if on {
            *from_ns = Some(t.0);
        } else {
            *until_ns = Some(t.0);
        }
    }

    fn doing(&mut self, t: Nanos, device: Device, what: &'static str, detail: Option<String>) {
        self.truth.doings.push(Doing { t_ns: t.0, device, what, detail });
    }

    fn node(&mut self, mac_id: MacId) -> &mut NodeTruth {
        self.nodes.entry(mac_id).or_insert_with(|| NodeTruth::new(mac_id))
    }

    /// The end: everything that is known only now.
    pub(super) fn finish(&mut self, t: Nanos, tally: Tally, counters: Option<[u8; 2]>) {
        let truth = &mut self.truth;
        truth.source.duration_ns = t.0;
        truth.source.frames = tally.frames;
        truth.source.error_frames = tally.error_frames;
        truth.source.lost_frames = tally.lost_frames;
        // Only whole windows count for the peak.
        let whole = usize::try_from(t.0 / WINDOW).unwrap_or(0);
        self.window_bits.resize(whole.max(self.window_bits.len()), 0);
        truth.load.peak_bits = self.window_bits[..whole].iter().copied().max();
        truth.load.window_bits = std::mem::take(&mut self.window_bits);
        truth.errors.counters = counters;
        let (series, exchanges) = std::mem::take(&mut self.exchanges).finish();
        for ((mac_id, kind), series) in series {
            let node = self.node(mac_id);
            let place = match kind {
                IoKind::Poll => &mut node.poll,
                IoKind::Strobe => &mut node.strobe,
                IoKind::MulticastPoll => &mut node.multicast_poll,
                IoKind::Change => &mut node.change_of_state,
            };
            *place = Some(series);
        }
        self.truth.exchanges = exchanges;
        self.truth.nodes = std::mem::take(&mut self.nodes).into_values().collect();
    }

    pub(super) fn truth(&self) -> &Truth {
        &self.truth
    }
}

/// What a listener calls it, by the definitions of the summary.
fn wire_cause(damage: &Damage) -> &'static str {
    match (damage.place, damage.violation) {
        (FrameField::CrcSequence | FrameField::CrcDelimiter, _) | (_, Violation::Crc) => "crc",
        (FrameField::AckSlot, _) => "ack",
        (_, Violation::Stuff) => "stuff",
        (_, Violation::Form) => "form",
    }
}
