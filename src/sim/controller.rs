//! A CAN controller of the simulated trunk: the frames that wait to be sent, whether it may send,
//! and its fault confinement: the error counters and the state that follows.
//!
//! Source: ISO 11898-1, fault confinement rules; the letters are those of the rules here.

use super::exchanges::Purpose;
use super::frame_bits::arbitration_key;
use super::time::Time;
use crate::wire::{Bitrate, ControllerState, Frame};

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

const WARNING: u16 = 96;
const PASSIVE: u16 = 128;
const BUS_OFF: u16 = 256;
/// How often 11 recessive bits in a row must be seen before a controller leaves bus-off.
const RECOVERY_OCCURRENCES: u64 = 128;
/// Bits of each such occurrence.
pub(super) const RECOVERY_BITS: u64 = 11;

/// The error counters of one controller.
#[derive(Debug, Clone, Default)]
pub(super) struct Confinement {
    transmit: u16,
    receive: u16,
    off: bool,
    /// Occurrences of 11 recessive bits seen since recovery began; `None` when it has not.
    recovery: Option<u64>,
}

impl Confinement {
    /// The state by the counters.
    pub(super) fn state(&self) -> ControllerState {
        match self.transmit.max(self.receive) {
            _ if self.off => ControllerState::BusOff,
            PASSIVE.. => ControllerState::Passive,
            WARNING.. => ControllerState::Warning,
            _ => ControllerState::Active,
        }
    }

    pub(super) fn is_off(&self) -> bool {
        self.off
    }

    /// Whether its error flags are dominant.
    pub(super) fn is_active(&self) -> bool {
        self.state() < ControllerState::Passive
    }

    /// The transmit and receive counters.
    pub(super) fn counters(&self) -> (u16, u16) {
        (self.transmit, self.receive)
    }

    /// A receiver detected an error: +1.
    pub(super) fn receive_error(&mut self) {
        self.receive = (self.receive + 1).min(BUS_OFF - 1);
    }

    /// A receiver saw a dominant bit right after its own error flag: +8. It was the only one
    /// that saw the error.
    pub(super) fn dominant_after_flag(&mut self) {
        self.receive = (self.receive + 8).min(BUS_OFF - 1);
    }

    /// A transmitter sent an error flag: +8, bus-off from 256.
    pub(super) fn transmit_error(&mut self) {
        self.transmit += 8;
        if self.transmit >= BUS_OFF {
            self.off = true;
            self.recovery = None;
        }
    }

    /// Nobody acknowledged. An error-passive transmitter that sees no dominant bit during its
    /// passive flag is alone on the wire and does not count.
    pub(super) fn acknowledge_error(&mut self) {
        if self.is_active() {
            self.transmit_error();
        }
    }

    /// A frame was sent: −1.
    pub(super) fn sent(&mut self) {
        self.transmit = self.transmit.saturating_sub(1);
    }

    /// A frame was received: −1, and from over 127 down to between 119 and 127.
    pub(super) fn received(&mut self) {
        self.receive = match self.receive {
            PASSIVE.. => PASSIVE - 1,
            count => count.saturating_sub(1),
        };
    }

    /// Begins to count towards recovery from bus-off.
    pub(super) fn recover(&mut self) {
        if self.off {
            self.recovery = Some(0);
        }
    }

    /// So many more occurrences of 11 recessive bits were seen. `true`: it is back, with both
    /// counters 0.
    pub(super) fn saw_recessive(&mut self, occurrences: u64) -> bool {
        let Some(seen) = &mut self.recovery else { return false };
        *seen += occurrences;
        let back = *seen >= RECOVERY_OCCURRENCES;
        if back {
            *self = Confinement::default();
        }
        back
    }

    /// How long the bus must stay recessive until it is back.
    pub(super) fn recovery_left(&self) -> Option<Time> {
        let left = RECOVERY_OCCURRENCES.saturating_sub(self.recovery?);
        Some(Time(left * RECOVERY_BITS))
    }

    /// The power came back: counters 0.
    pub(super) fn reset(&mut self) {
        *self = Confinement::default();
    }
}

#[cfg(test)]
mod tests {
    use super::super::exchanges::group2;
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

    fn after(steps: impl FnOnce(&mut Confinement)) -> Confinement {
        let mut c = Confinement::default();
        steps(&mut c);
        c
    }

    /// ISO 11898-1: warning 96, error-passive 128, bus-off 256, in steps of 8 for a sender.
    #[test]
    fn a_sender_goes_off_with_its_32nd_error() {
        let mut c = Confinement::default();
        for errors in 1..=32 {
            c.transmit_error();
            let expected = match errors {
                ..12 => ControllerState::Active,
                12..16 => ControllerState::Warning,
                16..32 => ControllerState::Passive,
                _ => ControllerState::BusOff,
            };
            assert_eq!(c.state(), expected, "after {errors}");
        }
        assert_eq!(c.counters().0, 256);
    }

    /// ISO 11898-1: a receiver never goes off, whatever it counts.
    #[test]
    fn a_receiver_becomes_passive_and_stays_on() {
        let c = after(|c| (0..500).for_each(|_| c.receive_error()));
        assert_eq!(c.state(), ControllerState::Passive);
        assert_eq!(c.counters(), (0, 255));
    }

    #[test]
    fn the_first_to_see_an_error_pays_nine() {
        let c = after(|c| {
            c.receive_error();
            c.dominant_after_flag();
        });
        assert_eq!(c.counters(), (0, 9));
    }

    /// ISO 11898-1: −1 for each good frame, never under 0; from over 127 to 119–127.
    #[test]
    fn good_frames_count_down() {
        let mut c = after(|c| c.transmit_error());
        (0..10).for_each(|_| c.sent());
        assert_eq!(c.counters(), (0, 0));
        (0..140).for_each(|_| c.receive_error());
        c.received();
        assert!((119..=127).contains(&c.counters().1));
        assert_eq!(c.state(), ControllerState::Warning);
        let before = c.counters().1;
        c.received();
        assert_eq!(c.counters().1, before - 1);
    }

    /// ISO 11898-1: an error-passive sender without an acknowledge stays where it is, so one
    /// node alone on the wire never goes bus-off.
    #[test]
    fn alone_on_the_wire_is_passive_for_ever() {
        let c = after(|c| (0..1000).for_each(|_| c.acknowledge_error()));
        assert_eq!(c.counters(), (128, 0));
        assert_eq!(c.state(), ControllerState::Passive);
    }

    /// ISO 11898-1: back after 128 occurrences of 11 recessive bits, with both counters 0.
    #[test]
    fn recovery_takes_128_times_11_recessive_bits() {
        let mut c = after(|c| (0..32).for_each(|_| c.transmit_error()));
        assert!(!c.saw_recessive(1000), "nobody asked it to recover");
        c.recover();
        assert_eq!(c.recovery_left(), Some(Time(1408)));
        assert!(!c.saw_recessive(127));
        assert!(c.is_off());
        assert!(c.saw_recessive(1));
        assert_eq!((c.state(), c.counters()), (ControllerState::Active, (0, 0)));
    }
}
