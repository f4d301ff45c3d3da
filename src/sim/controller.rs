//! A CAN controller: the frames that wait to be sent, whether it may send, and its counters.

use crate::wire::{Bitrate, Frame};

use super::confinement::Confinement;
use super::message::Purpose;
use super::pattern::arbitration_key;
use super::time::Time;

/// A frame that waits to be sent.
#[derive(Debug, Clone)]
pub(super) struct Pending {
    pub(super) frame: Frame,
    pub(super) purpose: Purpose,
    pub(super) ready: Time,
    /// Its number among all of this controller.
    pub(super) order: u64,
}

/// So many frames wait at most; what comes beyond is lost, as in a device whose queue is full.
const MOST_WAITING: usize = 256;

/// One controller on the trunk.
#[derive(Debug, Default)]
pub(super) struct Controller {
    /// Whether it has power.
    pub(super) powered: bool,
    /// Whether its wires reach the trunk.
    pub(super) connected: bool,
    /// The bit rate that it is set to, if that is not the trunk's: it understands nothing.
    pub(super) foreign: Option<Bitrate>,
    pub(super) confinement: Confinement,
    /// An error-passive sender lets eight bits pass before it sends again.
    pub(super) suspended_until: Time,
    waiting: Vec<Pending>,
    orders: u64,
}

impl Controller {
    /// One with its wires on the trunk and without power.
    pub(super) fn connected() -> Controller {
        Controller { connected: true, ..Controller::default() }
    }

    /// Whether it takes part: receives, acknowledges, may send.
    pub(super) fn takes_part(&self) -> bool {
        self.powered && self.connected && !self.confinement.is_off()
    }

    /// Whether it acknowledges what others send.
    pub(super) fn acknowledges(&self) -> bool {
        self.takes_part() && self.foreign.is_none()
    }

    pub(super) fn queue(&mut self, frame: Frame, purpose: Purpose, ready: Time) {
        if self.waiting.len() >= MOST_WAITING {
            return;
        }
        let order = self.orders;
        self.orders += 1;
        self.waiting.push(Pending { frame, purpose, ready, order });
    }

    /// The frame that it would send: the one with the lowest identifier, and of the same
    /// identifier the oldest.
    pub(super) fn offer(&self) -> Option<&Pending> {
        if !self.takes_part() {
            return None;
        }
        self.waiting.iter().min_by_key(|p| (arbitration_key(&p.frame), p.order))
    }

    /// When it would next send; frames are ready as soon as they wait.
    pub(super) fn ready_at(&self) -> Time {
        match self.offer() {
            Some(pending) => pending.ready.max(self.suspended_until),
            None => Time::NEVER,
        }
    }

    /// Takes a frame out that was sent. Meanwhile another one may have come to be offered.
    pub(super) fn take(&mut self, order: u64) -> Option<Pending> {
        let index = self.waiting.iter().position(|pending| pending.order == order)?;
        Some(self.waiting.remove(index))
    }

    pub(super) fn is_waiting(&self, what: impl Fn(&Purpose) -> bool) -> bool {
        self.waiting.iter().any(|pending| what(&pending.purpose))
    }

    /// Drops all that waits.
    pub(super) fn clear(&mut self) {
        self.waiting.clear();
    }

    pub(super) fn is_empty(&self) -> bool {
        self.waiting.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::super::message::group2;
    use super::*;
    use crate::fieldbus::MacId;

    #[test]
    fn the_lowest_identifier_goes_first_and_equals_in_order() {
        let mut c = Controller { powered: true, connected: true, ..Default::default() };
        let mac = |n| MacId::new(n).unwrap();
        for (node, byte) in [(9, 1), (3, 2), (3, 3)] {
            c.queue(group2(5, mac(node), &[byte]), Purpose::Stray, Time(0));
        }
        let next = || c.offer().map(|p| p.order).and_then(|order| c.take(order));
        let order: Vec<u8> = std::iter::from_fn(next).map(|p| p.frame.bytes()[0]).collect();
        assert_eq!(order, [2, 3, 1]);
    }

    #[test]
    fn without_power_or_wires_nothing_is_offered() {
        let mut c = Controller { powered: true, connected: false, ..Default::default() };
        c.queue(group2(5, MacId::MAX, &[]), Purpose::Stray, Time(0));
        assert!(c.offer().is_none());
        assert_eq!(c.ready_at(), Time::NEVER);
        c.connected = true;
        assert!(c.offer().is_some());
        (0..32).for_each(|_| c.confinement.transmit_error());
        assert!(c.offer().is_none());
    }
}
