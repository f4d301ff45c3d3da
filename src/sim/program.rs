//! A station of the simulated trunk and the program that it runs.

use super::controller::Controller;
use super::exchanges::{Purpose, standard};
use super::master::Master;
use super::random::Chance;
use super::scenario::{Recovery, TalkerPlan};
use super::slave::Slave;
use super::station::{AddressClaim, Desk, Timer};
use super::time::{Clockwork, Time};
use super::tool::Tool;
use super::truth::Device;
use crate::wire::{ControllerState, Frame, StandardId};

/// The program that a device runs.
#[derive(Debug)]
pub(super) enum Program {
    Master(Box<Master>),
    Slave(Box<Slave>),
    Tool(Box<Tool>),
    BackgroundSender(BackgroundSender),
}

/// One device on the trunk.
#[derive(Debug)]
pub(super) struct Station {
    pub(super) controller: Controller,
    pub(super) program: Program,
    pub(super) chance: Chance,
    /// Counts the times it started; timers of an earlier one are void.
    pub(super) epoch: u32,
    pub(super) position_m: f64,
    pub(super) recovery: Recovery,
    pub(super) state: ControllerState,
}

impl Program {
    pub(super) fn claim(&self) -> Option<&AddressClaim> {
        match self {
            Program::Master(master) => Some(&master.address),
            Program::Slave(slave) => Some(&slave.address),
            Program::Tool(tool) => Some(&tool.address),
            Program::BackgroundSender(_) => None,
        }
    }

    pub(super) fn claim_mut(&mut self) -> Option<&mut AddressClaim> {
        match self {
            Program::Master(master) => Some(&mut master.address),
            Program::Slave(slave) => Some(&mut slave.address),
            Program::Tool(tool) => Some(&mut tool.address),
            Program::BackgroundSender(_) => None,
        }
    }

    pub(super) fn slave_mut(&mut self) -> Option<&mut Slave> {
        match self {
            Program::Slave(slave) => Some(slave),
            _ => None,
        }
    }

    pub(super) fn device(&self) -> Device {
        let claim = self.claim();
        Device { mac_id: claim.map(|c| c.mac_id), device: claim.map(|c| c.device) }
    }
}

impl BackgroundSender {
    /// A frame of the scenario that comes round.
    pub(super) fn planned(plan: &TalkerPlan, clock: Clockwork) -> BackgroundSender {
        BackgroundSender {
            words: SenderFrame::Frame(standard(plan.id.0, &plan.data.0)),
            pace: SendPattern::Every(clock.millis(plan.period_ms.0)),
            offset: clock.millis(plan.offset_ms.0),
        }
    }
}

/// What it says.
#[derive(Debug, Clone)]
pub(super) enum SenderFrame {
    /// Always the same.
    Frame(Frame),
    /// Random data under one identifier.
    Random { id: StandardId, bytes: usize },
    /// Identifiers that are not allowed on the trunk: 7F0 to 7FF.
    Invalid,
}

/// When it says it.
#[derive(Debug, Clone, Copy)]
pub(super) enum SendPattern {
    /// This long apart.
    Every(Time),
    /// This long apart in the mean.
    AtRandom(Time),
    /// As soon as the one before is through.
    BackToBack,
}

/// A device that only talks.
#[derive(Debug)]
pub(super) struct BackgroundSender {
    pub(super) words: SenderFrame,
    pub(super) pace: SendPattern,
    pub(super) offset: Time,
}

impl BackgroundSender {
    pub(super) fn power_on(&mut self, desk: &mut Desk) {
        desk.after(self.offset, Timer::Talk);
    }

    pub(super) fn timer(&mut self, desk: &mut Desk, timer: Timer) {
        if timer != Timer::Talk {
            return;
        }
        let frame = match &self.words {
            SenderFrame::Frame(frame) => *frame,
            SenderFrame::Random { id, bytes } => {
                let mut data = [0; 8];
                desk.chance.fill(&mut data);
                standard(*id, &data[..*bytes])
            }
            SenderFrame::Invalid => {
                let raw = 0x7F0 | desk.chance.below(16) as u16;
                let mut data = [0; 8];
                desk.chance.fill(&mut data);
                let bytes = desk.chance.below(9) as usize;
                standard(StandardId::new(raw).unwrap_or(StandardId::MAX), &data[..bytes])
            }
        };
        desk.send(frame, Purpose::Stray);
        match self.pace {
            SendPattern::Every(span) => desk.after(span, Timer::Talk),
            SendPattern::AtRandom(mean) => {
                let span = desk.chance.exponential(mean);
                desk.after(span.max(Time(1)), Timer::Talk);
            }
            SendPattern::BackToBack => {}
        }
    }

    pub(super) fn sent(&mut self, desk: &mut Desk) {
        if matches!(self.pace, SendPattern::BackToBack) {
            desk.after(Time(1), Timer::Talk);
        }
    }
}
