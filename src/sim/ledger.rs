//! The truth, counted as it happens from what the simulated devices did and why.
//!
//! The numbers follow the definitions of the summary, so that the two can be compared; where
//! the wire cannot show the true cause, both are kept.

use std::collections::BTreeMap;

use crate::fieldbus::{AddressCheckKind, DeviceId, MacId};
use crate::wire::{BitTime, ControllerState, Frame, Nanos, Tally};

use super::adapter::Heard;
use super::confinement::Confinement;
use super::exchanges::Exchanges;
use super::message::Purpose;
use super::outcome::{Damage, Violation};
use super::pattern::Place;
use super::program::Device;
use super::scenario::{ConnectionKind, Scenario};
use super::station::Told;
use super::truth::{AddressClash, Doing, ErrorEvent, FaultTime, NodeTruth, Truth, cause_name};

/// Why a frame was destroyed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum TrueCause {
    /// This fault of the scenario did it.
    Fault(usize),
    /// Two devices sent different frames under one identifier at once.
    Collision,
    /// Nobody was there to acknowledge it.
    NoAcknowledge,
}

/// Keeps account.
#[derive(Debug)]
pub(super) struct Ledger {
    truth: Truth,
    exchanges: Exchanges,
    nodes: BTreeMap<MacId, NodeTruth>,
    window_bits: Vec<u64>,
    /// The nodes that the master strobes now.
    strobed: Vec<MacId>,
    planned_strobes: Vec<MacId>,
    online: BTreeMap<DeviceId, bool>,
    previous: ControllerState,
}

/// One second: the length of a load window.
const WINDOW: i64 = 1_000_000_000;

impl Ledger {
    pub(super) fn new(scenario: &Scenario, seed: u64) -> Ledger {
        let strobe = |kind| kind == ConnectionKind::Strobe;
        Ledger {
            truth: Truth::new(scenario, seed),
            exchanges: Exchanges::default(),
            nodes: BTreeMap::new(),
            window_bits: Vec::new(),
            strobed: Vec::new(),
            planned_strobes: (scenario.node.iter())
                .filter(|node| strobe(node.connection))
                .map(|node| node.mac_id.get_ref().0)
                .collect(),
            online: BTreeMap::new(),
            previous: ControllerState::Active,
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
        if let Some(mac_id) = sender(purpose) {
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
                    self.request(check.mac_id, check.device);
                }
            }
            Purpose::Command { kind, node: Some(node), exchange, part } => {
                self.exchanges.command(t, node, kind, exchange, part);
            }
            Purpose::Command { kind, node: None, exchange, part } => {
                for node in self.strobed.clone() {
                    self.exchanges.command(t, node, kind, exchange, part);
                }
            }
            Purpose::Response { kind, node, answers, part } => {
                self.exchanges.response(t, node, kind, answers, part);
            }
            Purpose::Heartbeat { node } => self.node(node).heartbeats += 1,
            _ => {}
        }
    }

    /// A device that was on line runs its check again: once for each time it started.
    fn request(&mut self, mac_id: MacId, device: DeviceId) {
        if self.online.insert(device, false) == Some(true) {
            self.node(mac_id).restarts += 1;
        }
    }

    /// A good frame that the adapter did not hear.
    pub(super) fn unheard(&mut self, t: Nanos, device: Device, purpose: &Purpose) {
        self.doing(t, device, "frame-not-recorded", Some(format!("{purpose:?}")));
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
            let rises = state > self.previous;
            let errors = &mut self.truth.errors;
            match state {
                ControllerState::Warning if rises => errors.warnings += 1,
                ControllerState::Passive if rises => errors.passives += 1,
                _ => {}
            }
            self.previous = state;
            let adapter = Device { mac_id: None, device: None };
            self.doing(t, adapter, "adapter-state", Some(state.to_string()));
        }
    }

    /// Frames were lost: what was open is uncertain.
    pub(super) fn lost(&mut self, _frames: u64) {
        self.exchanges.doubt();
    }

    pub(super) fn link_down(&mut self) {
        self.truth.source.link_downs += 1;
        self.previous = ControllerState::Active;
        self.exchanges.doubt();
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
            destroyed: format!("{purpose:?}"),
        });
    }

    /// A device's program tells of itself.
    pub(super) fn told(&mut self, t: Nanos, device: Device, told: Told) {
        match told {
            Told::Online { mac_id: _ } => {
                if let Some(device) = device.device {
                    self.online.insert(device, true);
                }
                self.doing(t, device, "on-line", None);
            }
            Told::CheckFailed { mac_id, by } => {
                self.doing(t, device, "communication-fault", None);
                if let (Some(newcomer), AddressCheckKind::Response) = (device.device, by.kind) {
                    self.clash(t, mac_id, "refused", by.device, newcomer);
                }
            }
            Told::Established { .. } => self.doing(t, device, "i/o-established", None),
            Told::TimedOut { .. } => self.doing(t, device, "i/o-timed-out", None),
            Told::Lost { mac_id } => {
                self.strobed.retain(|&node| node != mac_id);
                self.doing(t, device, "master-lost-node", Some(mac_id.to_string()));
            }
            Told::Scanned { mac_id } => {
                if self.planned_strobes.contains(&mac_id) && !self.strobed.contains(&mac_id) {
                    self.strobed.push(mac_id);
                }
                self.doing(t, device, "master-scans-node", Some(mac_id.to_string()));
            }
            Told::Skipped { mac_id, exchange } => self.exchanges.skipped(mac_id, exchange),
            Told::Overrun { mac_id } => {
                self.truth.scan_overruns += 1;
                self.doing(t, device, "scan-overrun", Some(mac_id.to_string()));
            }
        }
    }

    /// A request for an address that is in use or being claimed, and nobody defends it.
    pub(super) fn contested(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        holder: DeviceId,
        newcomer: DeviceId,
    ) {
        let known = self.truth.address_clashes.iter().any(|clash| {
            clash.outcome == "contested" && clash.mac_id == mac_id && clash.newcomer == newcomer
        });
        if !known {
            self.clash(t, mac_id, "contested", holder, newcomer);
        }
    }

    fn clash(
        &mut self,
        t: Nanos,
        mac_id: MacId,
        outcome: &'static str,
        holder: DeviceId,
        newcomer: DeviceId,
    ) {
        let clash = AddressClash { t_ns: t.0, mac_id, outcome, holder, newcomer };
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
    pub(super) fn finish(&mut self, t: Nanos, tally: Tally, adapter: &Confinement) {
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
        let (transmit, receive) = adapter.counters();
        truth.errors.counters = [transmit, receive];
        let (series, exchanges) = std::mem::take(&mut self.exchanges).finish();
        for ((mac_id, kind), series) in series {
            let node = self.node(mac_id);
            let place = match kind {
                Kind::Poll => &mut node.poll,
                Kind::Strobe => &mut node.strobe,
                Kind::Change => &mut node.change_of_state,
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

/// The kinds of exchange that are counted apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Kind {
    Poll,
    Strobe,
    Change,
}

impl From<ConnectionKind> for Kind {
    fn from(kind: ConnectionKind) -> Kind {
        match kind {
            ConnectionKind::Poll => Kind::Poll,
            ConnectionKind::Strobe => Kind::Strobe,
            ConnectionKind::ChangeOfState | ConnectionKind::Cyclic => Kind::Change,
        }
    }
}

/// The node that a frame counts for, as far as its identifier can tell.
fn sender(purpose: &Purpose) -> Option<MacId> {
    match *purpose {
        Purpose::Check(check) => Some(check.mac_id),
        Purpose::Response { node, .. } | Purpose::Reply { node } | Purpose::Heartbeat { node } => {
            Some(node)
        }
        Purpose::Command { .. }
        | Purpose::ChangeAcknowledge { .. }
        | Purpose::Request { .. }
        | Purpose::Stray => None,
    }
}

/// What a listener calls it, by the definitions of the summary.
fn wire_cause(damage: &Damage) -> &'static str {
    match (damage.place, damage.violation) {
        (Place::CrcSequence | Place::CrcDelimiter, _) | (_, Violation::Crc) => "crc",
        (Place::AckSlot, _) => "ack",
        (_, Violation::Stuff) => "stuff",
        (_, Violation::Form) => "form",
    }
}
