//! Fault confinement: the error counters of one controller and the state that follows.
//!
//! Source: ISO 11898-1, fault confinement rules; the letters are those of the rules here.

use crate::wire::ControllerState;

use super::time::Time;

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
    use super::*;

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
