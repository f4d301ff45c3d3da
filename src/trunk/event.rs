//! What changed on the trunk, as it happens: for a live display and a log.

use std::fmt;

use super::{Clash, ClashOutcome};
use crate::fieldbus::{DeviceId, MacId};
use crate::wire::{ControllerState, Nanos};

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

/// The event in words, as a line of a log.
impl fmt::Display for Event {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Event::NodeAppeared(mac_id) => write!(f, "node {mac_id} heard for the first time"),
            Event::NodeLeft(mac_id) => write!(f, "node {mac_id} fell silent"),
            Event::NodeReturned { mac_id, after: Some(span) } => {
                write!(f, "node {mac_id} heard again after {:.3} s", span.as_secs())
            }
            Event::NodeReturned { mac_id, after: None } => write!(f, "node {mac_id} heard again"),
            Event::NodeRestarted(mac_id) => {
                write!(f, "node {mac_id} ran its address check again")
            }
            Event::DeviceReplaced { mac_id, before, now } => {
                write!(f, "node {mac_id} is another device now: ")?;
                device(f, before)?;
                f.write_str(" before, ")?;
                device(f, now)?;
                f.write_str(" now")
            }
            Event::AddressClash(clash) => {
                device(f, &clash.newcomer)?;
                write!(f, " asked for address {} ", clash.mac_id)?;
                f.write_str(match clash.outcome {
                    ClashOutcome::Refused => "and was refused",
                    ClashOutcome::Contested => "and nobody refused it",
                })
            }
            Event::Controller(state) => write!(f, "adapter's controller: {state}"),
            Event::ControllerRestarted => f.write_str("adapter's controller: restarted"),
            Event::FramesLost(1) => f.write_str("1 frame lost"),
            Event::FramesLost(count) => write!(f, "{count} frames lost"),
            Event::LinkDown => f.write_str("interface down"),
            Event::LinkUp => f.write_str("interface up"),
            Event::ClockStepped(back) => write!(f, "clock stepped back {:.3} s", back.as_secs()),
        }
    }
}

fn device(f: &mut fmt::Formatter<'_>, id: &DeviceId) -> fmt::Result {
    write!(f, "vendor {} serial {}", id.vendor_id, id.serial)
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
                "node 12 heard again after 1.500 s",
            ),
            (
                Event::DeviceReplaced { mac_id, before: device(1), now: device(2) },
                "node 12 is another device now: vendor 900 serial 1 before, vendor 900 serial 2 now",
            ),
            (
                Event::AddressClash(clash),
                "vendor 900 serial 2 asked for address 12 and was refused",
            ),
            (Event::Controller(ControllerState::BusOff), "adapter's controller: bus-off"),
            (Event::FramesLost(17), "17 frames lost"),
        ] {
            assert_eq!(event.to_string(), line);
        }
    }
}
