//! What can be asked of any device's program.

use serde::Serialize;

use crate::fieldbus::{DeviceId, MacId};

use super::message::standard;
use super::scenario::TalkerPlan;
use super::slave::Slave;
use super::station::AddressClaim;
use super::talker::{Pace, Talker, Words};
use super::time::Clockwork;
use super::world::Program;
use crate::wire::StandardId;

/// A device, named for the truth; those that only talk have no address.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Device {
    /// Its address.
    pub mac_id: Option<MacId>,
    /// Maker and serial number.
    pub device: Option<DeviceId>,
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
