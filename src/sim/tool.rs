//! A configuration tool: claims its address, opens an explicit connection to one node and reads its
//! parameters, one after the other; once.
//!
//! Source: IEC 62026-3, unconnected explicit messages and explicit messages by Group 3; the layout of
//! the open request is from memory, checked with a published example where it is decoded.

use crate::fieldbus::{AddressCheck, Identifier, MacId, Role};
use crate::wire::{Frame, Id};

use super::exchanges::{Purpose, group3};
use super::explicit::{PARAMETER, opened, service};
use super::scenario::ToolPlan;
use super::station::{AddressClaim, Claim, Desk, Timer};

/// A tool's program.
#[derive(Debug)]
pub(super) struct Tool {
    pub(super) address: AddressClaim,
    plan: ToolPlan,
    /// What it waits for.
    step: Step,
    /// The number of its last request, so that an old time-out is known as such.
    request: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Step {
    Idle,
    Opening,
    Reading(u8),
}

/// How long it waits for a response.
const TIMEOUT_MS: f64 = 1000.0;

impl Tool {
    pub(super) fn new(plan: &ToolPlan) -> Tool {
        let address = AddressClaim::new(plan.mac_id, plan.vendor_id, plan.serial);
        Tool { address, plan: plan.clone(), step: Step::Idle, request: 0 }
    }

    pub(super) fn power_on(&mut self, desk: &mut Desk) {
        self.address.claim = Claim::Off;
        self.step = Step::Idle;
        let start_up = desk.chance.between(200, 400);
        desk.after(desk.clock.millis(start_up as f64), Timer::Booted);
    }

    pub(super) fn timer(&mut self, desk: &mut Desk, timer: Timer) {
        match timer {
            Timer::Booted => {
                self.address.booted(desk);
            }
            Timer::CheckWaited if self.address.waited(desk) => self.ask(desk, Step::Opening),
            // Whoever uses it sees that the node does not answer; it asks no more.
            Timer::RequestTimeout { request, .. } if request == self.request => {
                self.step = Step::Idle;
            }
            _ => {}
        }
    }

    pub(super) fn sent(&mut self, desk: &mut Desk, purpose: &Purpose) {
        self.address.sent(desk, purpose);
    }

    pub(super) fn received(&mut self, desk: &mut Desk, frame: &Frame) {
        let Id::Standard(id) = frame.id() else { return };
        let identifier = Identifier::from(id);
        match (identifier.role(), identifier.source()) {
            (Role::AddressCheck, Some(node)) => {
                if let Ok(check) = AddressCheck::parse(node, frame.bytes()) {
                    self.address.heard(desk, &check);
                }
            }
            (Role::UnconnectedResponseGroup3, Some(node))
                if self.step == Step::Opening && self.is_answer(node, frame) =>
            {
                self.ask(desk, Step::Reading(1));
            }
            (Role::OtherExplicit, Some(node)) if self.is_answer(node, frame) => match self.step {
                Step::Reading(number) if number < self.plan.parameters => {
                    self.ask(desk, Step::Reading(number + 1));
                }
                _ => self.step = Step::Idle,
            },
            _ => {}
        }
    }

    /// Whether a frame is the node's, and for this tool.
    fn is_answer(&self, node: MacId, frame: &Frame) -> bool {
        let header = frame.bytes().first().map(|head| head & 0x3F);
        self.address.is_online()
            && node == self.plan.reads
            && header == Some(self.plan.mac_id.get())
    }

    fn ask(&mut self, desk: &mut Desk, step: Step) {
        self.step = step;
        let (own, node) = (self.plan.mac_id, self.plan.reads);
        let to = node.get();
        let frame = match step {
            Step::Idle => return,
            // Body format 8/8; Group 3, and the message id that it will send with.
            Step::Opening => group3(6, own, &[to, service::OPEN, 0, 3 << 4 | opened::ASKS]),
            Step::Reading(number) => {
                group3(opened::ASKS, own, &[to, service::GET, PARAMETER, number, 1])
            }
        };
        desk.send(frame, Purpose::ToolRequest { tool: own, node });
        self.request += 1;
        let request = self.request;
        desk.after(desk.clock.millis(TIMEOUT_MS), Timer::RequestTimeout { slot: 0, request });
    }
}
