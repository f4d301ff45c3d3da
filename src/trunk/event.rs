//! What changed on the trunk, as it happens: for a live display and a log.

use super::Clash;
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
