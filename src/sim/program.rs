//! A station of the simulated trunk and the program that it runs.

use super::controller::Controller;
use super::master::Master;
use super::message::standard;
use super::random::Chance;
use super::scenario::Recovery;
use super::scenario::TalkerPlan;
use super::slave::Slave;
use super::station::AddressClaim;
use super::talker::{Pace, Talker, Words};
use super::time::Clockwork;
use super::truth::Device;
use crate::wire::{ControllerState, StandardId};

/// The program that a device runs.
#[derive(Debug)]
pub(super) enum Program {
    Master(Box<Master>),
    Slave(Box<Slave>),
    Talker(Talker),
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
            Program::Talker(_) => None,
        }
    }

    pub(super) fn claim_mut(&mut self) -> Option<&mut AddressClaim> {
        match self {
            Program::Master(master) => Some(&mut master.address),
            Program::Slave(slave) => Some(&mut slave.address),
            Program::Talker(_) => None,
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

impl Talker {
    /// A frame of the scenario that comes round.
    pub(super) fn planned(plan: &TalkerPlan, clock: Clockwork) -> Talker {
        let id = StandardId::new(plan.id & 0x7FF).unwrap_or(StandardId::MAX);
        Talker {
            words: Words::Frame(standard(id, &plan.data)),
            pace: Pace::Every(clock.millis(plan.period_ms.0)),
            offset: clock.millis(plan.offset_ms.0),
        }
    }
}
