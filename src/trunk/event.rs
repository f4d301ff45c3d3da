//! What changed on the trunk, as it happens: for a live display and a log.

use super::address::{Clash, ClashOutcome};
use crate::fieldbus::{DeviceId, MacId, Role};
use crate::wire::{ControllerState, Nanos};
use crate::words::called;
use crate::words::numbers::{number, span};

/// One change of state, with the node it is about.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// A node was heard for the first time.
    NodeAppeared(MacId),
    /// A node did not answer for so long that it counts as gone.
    NodeLeft(MacId),
    /// A node that was gone was heard again, after so long.
    NodeReturned {
        /// The node.
        mac_id: MacId,
        /// How long it was gone; unknown if the clock stepped back meanwhile.
        after: Option<Nanos>,
    },
    /// A node ran its address check again after it had been on line.
    NodeRestarted(MacId),
    /// Another device took an address whose holder had gone.
    DeviceReplaced {
        /// The address.
        mac_id: MacId,
        /// Who held it before.
        before: DeviceId,
        /// Who holds it now.
        now: DeviceId,
    },
    /// I/O connections of a node timed out: nothing came for it for four times its expected packet
    /// rate.
    ConnectionTimedOut(MacId),
    /// I/O of a node has a length that it never had before.
    IoResized {
        /// The node.
        mac_id: MacId,
        /// Which I/O.
        role: Role,
        /// Bytes before.
        before: u16,
        /// Bytes now.
        now: u16,
    },
    /// A drive does not run though it is asked to.
    DriveNotFollowing(MacId),
    /// A drive says that it is faulted.
    DriveFaulted(MacId),
    /// A drive says that it is no longer faulted.
    DriveFaultOver(MacId),
    /// A master polls with no data: it is idle.
    MasterIdle,
    /// A master that was idle polls with data again.
    MasterRuns,
    /// A drive that did not follow its run command follows it again, or is no longer asked to run.
    DriveFollows(MacId),
    /// Two devices wanted one address.
    AddressClash(Clash),
    /// The adapter's own controller changed its state.
    Controller(ControllerState),
    /// The adapter's own controller was restarted after bus-off.
    ControllerRestarted,
    /// The kernel or the adapter dropped so many frames.
    FramesLost(u64),
    /// The interface went down.
    LinkDown,
    /// The interface is up again.
    LinkUp,
    /// The clock stepped back by so much.
    ClockStepped(Nanos),
}

impl Event {
    /// The node it is about.
    pub fn mac_id(&self) -> Option<MacId> {
        match self {
            Event::NodeAppeared(mac_id)
            | Event::NodeLeft(mac_id)
            | Event::NodeReturned { mac_id, .. }
            | Event::NodeRestarted(mac_id)
            | Event::ConnectionTimedOut(mac_id)
            | Event::DriveNotFollowing(mac_id)
            | Event::DriveFollows(mac_id)
            | Event::DriveFaulted(mac_id)
            | Event::DriveFaultOver(mac_id)
            | Event::DeviceReplaced { mac_id, .. }
            | Event::IoResized { mac_id, .. } => Some(*mac_id),
            Event::AddressClash(clash) => Some(clash.mac_id),
            Event::Controller(_)
            | Event::MasterIdle
            | Event::MasterRuns
            | Event::ControllerRestarted
            | Event::FramesLost(_)
            | Event::LinkDown
            | Event::LinkUp
            | Event::ClockStepped(_) => None,
        }
    }

    /// The event as a line of a log; `name` is what the node is called.
    pub fn line(&self, name: Option<&str>) -> String {
        match self.mac_id() {
            Some(mac_id) => format!("node {} {}", called(mac_id, name), self.words()),
            None => self.words(),
        }
    }

    /// What happened, in words that follow the node's name where there is one.
    pub fn words(&self) -> String {
        match self {
            Event::NodeAppeared(_) => "heard for the first time".to_string(),
            Event::NodeLeft(_) => "fell silent".to_string(),
            Event::NodeReturned { after: Some(away), .. } => {
                format!("is back after {}", span(*away))
            }
            Event::NodeReturned { after: None, .. } => "is back".to_string(),
            Event::NodeRestarted(_) => "restarted: ran its address check again".to_string(),
            Event::ConnectionTimedOut(_) => "connection timed out".to_string(),
            Event::IoResized { role, before, now, .. } => {
                let now = number(u64::from(*now), "byte");
                format!("has another size: {role} of {now}, before of {before}")
            }
            Event::DriveNotFollowing(_) => "does not do what it is asked to".to_string(),
            Event::DriveFollows(_) => "follows its run command again".to_string(),
            Event::DriveFaulted(_) => "says that it is faulted".to_string(),
            Event::DriveFaultOver(_) => "is no longer faulted".to_string(),
            Event::MasterIdle => "the master polls with no data: it is idle".to_string(),
            Event::MasterRuns => "the master polls with data again".to_string(),
            Event::DeviceReplaced { before, now, .. } => {
                format!("is another device: {} in place of {}", device(now), device(before))
            }
            Event::AddressClash(clash) => {
                let refused = match clash.outcome {
                    ClashOutcome::Refused => "refused",
                    ClashOutcome::Contested => "did not refuse",
                };
                let holder = clash
                    .holder
                    .as_ref()
                    .map_or(String::new(), |holder| format!("; held by {}", device(holder)));
                let newcomer = device(&clash.newcomer);
                format!("{refused} a second device at its address: {newcomer} asked{holder}")
            }
            Event::Controller(state) => format!("adapter's controller: {state}"),
            Event::ControllerRestarted => "adapter's controller restarted".to_string(),
            Event::FramesLost(1) => "1 frame lost on the way".to_string(),
            Event::FramesLost(count) => format!("{count} frames lost on the way"),
            Event::LinkDown => "the interface went down".to_string(),
            Event::LinkUp => "the interface is up".to_string(),
            Event::ClockStepped(back) => format!("the clock stepped back by {}", span(*back)),
        }
    }
}

fn device(id: &DeviceId) -> String {
    format!("vendor {} serial {}", id.vendor_id, id.serial)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn events_read_as_lines_of_a_log() {
        let mac_id = MacId::new(12).unwrap();
        let device = |serial| DeviceId { vendor_id: 900, serial };
        let clash = Clash {
            t: Nanos::ZERO,
            mac_id,
            outcome: ClashOutcome::Refused,
            holder: Some(device(1)),
            newcomer: device(2),
        };
        for (event, line) in [
            (Event::NodeLeft(mac_id), "node 12 fell silent"),
            (
                Event::NodeReturned { mac_id, after: Some(Nanos::from_millis(1500)) },
                "node 12 is back after 1.500 s",
            ),
            (
                Event::NodeReturned { mac_id, after: Some(Nanos::from_millis(3_605_000)) },
                "node 12 is back after 60 min 5 s",
            ),
            (
                Event::DeviceReplaced { mac_id, before: device(1), now: device(2) },
                "node 12 is another device: vendor 900 serial 2 in place of vendor 900 serial 1",
            ),
            (
                Event::AddressClash(clash),
                "node 12 refused a second device at its address: vendor 900 serial 2 asked; held by vendor 900 serial 1",
            ),
            (Event::Controller(ControllerState::BusOff), "adapter's controller: bus-off"),
            (
                Event::IoResized { mac_id, role: Role::PollCommand, before: 4, now: 6 },
                "node 12 has another size: poll command of 6 bytes, before of 4",
            ),
            (Event::FramesLost(17), "17 frames lost on the way"),
        ] {
            assert_eq!(event.line(None), line);
        }
    }
}
