//! SocketCAN error frames: what the controller's driver saw go wrong.
//!
//! Source of every number: linux/can/error.h (Linux 6.1).

use std::fmt;

/// An error frame as received: the class bits without the error flag, and eight data bytes.
/// A lossless view; the methods give its meaning.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct ErrorFrame {
    class: u32,
    data: [u8; 8],
}

/// Class bits.
mod class {
    pub const TX_TIMEOUT: u32 = 0x001;
    pub const LOST_ARBITRATION: u32 = 0x002;
    pub const CONTROLLER: u32 = 0x004;
    pub const PROTOCOL: u32 = 0x008;
    pub const TRANSCEIVER: u32 = 0x010;
    pub const NO_ACK: u32 = 0x020;
    pub const BUS_OFF: u32 = 0x040;
    pub const BUS_ERROR: u32 = 0x080;
    pub const RESTARTED: u32 = 0x100;
    pub const COUNTERS: u32 = 0x200;
}

/// Controller bits, in data byte 1.
mod controller {
    pub const RX_OVERFLOW: u8 = 0x01;
    pub const TX_OVERFLOW: u8 = 0x02;
    pub const WARNING: u8 = 0x04 | 0x08;
    pub const PASSIVE: u8 = 0x10 | 0x20;
    pub const ACTIVE: u8 = 0x40;
}

/// Protocol violation bits, in data byte 2.
mod protocol {
    pub const BIT: u8 = 0x01 | 0x08 | 0x10;
    pub const FORM: u8 = 0x02;
    pub const STUFF: u8 = 0x04;
    pub const OVERLOAD: u8 = 0x20;
}

/// Protocol violation places, in data byte 3.
mod place {
    pub const CRC_SEQUENCE: u8 = 0x08;
    pub const CRC_DELIMITER: u8 = 0x18;
    pub const ACK_SLOT: u8 = 0x19;
    pub const ACK_DELIMITER: u8 = 0x1B;
}

/// A cause that an error frame names. The order is that of the summary.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    Hash,
    PartialOrd,
    Ord,
    serde::Serialize,
    serde::Deserialize,
    schemars::JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// A bit was not read back as sent (any of the three kinds).
    Bit,
    /// Six equal bits where a stuff bit was due.
    Stuff,
    /// A bit of fixed value had the other one.
    Form,
    /// A violation at the CRC sequence or its delimiter.
    Crc,
    /// Nobody acknowledged.
    Ack,
    /// A frame being sent lost arbitration.
    LostArbitration,
    /// An overload frame.
    Overload,
    /// The controller's receive buffer overran: frames were lost, nobody knows how many.
    ReceiveOverflow,
    /// The transceiver reported a fault of the wires.
    Transceiver,
    /// Something else, or something that the driver did not specify.
    Other,
}

impl Cause {
    /// Every cause, in the order of the summary.
    pub const ALL: [Cause; 10] = [
        Cause::Bit,
        Cause::Stuff,
        Cause::Form,
        Cause::Crc,
        Cause::Ack,
        Cause::LostArbitration,
        Cause::Overload,
        Cause::ReceiveOverflow,
        Cause::Transceiver,
        Cause::Other,
    ];
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Cause::Bit => "bit",
            Cause::Stuff => "stuff",
            Cause::Form => "form",
            Cause::Crc => "CRC",
            Cause::Ack => "no acknowledge",
            Cause::LostArbitration => "lost arbitration",
            Cause::Overload => "overload",
            Cause::ReceiveOverflow => "receive overflow",
            Cause::Transceiver => "transceiver",
            Cause::Other => "other",
        })
    }
}

/// What an error frame means in the words of the trade: one for each frame, whatever causes it
/// names. The order is that of precedence.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    strum::VariantArray,
    serde::Serialize,
    serde::Deserialize,
    schemars::JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum ErrorKind {
    /// A frame was damaged on the wire: by its bits, stuffing, form or CRC.
    DamagedFrame,
    /// Nobody acknowledged a frame.
    NotAcknowledged,
    /// The transceiver reported a fault of the wires.
    WireFault,
    /// A node asked for more time.
    Overload,
    /// The adapter could not keep up.
    AdapterOverrun,
    /// Something else, or something that the driver did not specify.
    Unspecified,
}

impl ErrorKind {
    /// So many of this kind, in words.
    pub fn counted(self, count: u64) -> String {
        let s = match self {
            ErrorKind::NotAcknowledged | ErrorKind::Unspecified => "",
            _ if count == 1 => "",
            _ => "s",
        };
        format!("{count} {self}{s}")
    }
}

impl fmt::Display for ErrorKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            ErrorKind::DamagedFrame => "damaged frame",
            ErrorKind::NotAcknowledged => "not acknowledged",
            ErrorKind::WireFault => "transceiver fault",
            ErrorKind::Overload => "overload frame",
            ErrorKind::AdapterOverrun => "adapter overrun",
            ErrorKind::Unspecified => "not specified",
        })
    }
}

/// The set of causes that one error frame names.
///
/// A protocol violation at the CRC counts as `crc` and one in the ACK slot as `ack` only, whatever
/// kind the driver gives it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct CauseSet(u16);

impl CauseSet {
    fn insert(&mut self, cause: Cause) {
        self.0 |= 1 << cause as u16;
    }

    /// Whether the frame names this cause.
    pub fn contains(self, cause: Cause) -> bool {
        self.0 & 1 << cause as u16 != 0
    }

    /// Whether the frame names none: it only tells the controller's state.
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// What the frame means in the words of the trade; `None` if it names no cause.
    pub fn kind(self) -> Option<ErrorKind> {
        let kind = |cause| match cause {
            Cause::Bit | Cause::Stuff | Cause::Form | Cause::Crc => ErrorKind::DamagedFrame,
            Cause::Ack => ErrorKind::NotAcknowledged,
            Cause::Transceiver => ErrorKind::WireFault,
            Cause::Overload => ErrorKind::Overload,
            Cause::ReceiveOverflow => ErrorKind::AdapterOverrun,
            Cause::LostArbitration | Cause::Other => ErrorKind::Unspecified,
        };
        self.iter().map(kind).min()
    }

    /// The causes, in the order of the summary.
    pub fn iter(self) -> impl Iterator<Item = Cause> {
        Cause::ALL.into_iter().filter(move |&c| self.contains(c))
    }
}

/// The fault confinement state of a controller (ISO 11898-1).
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    Hash,
    PartialOrd,
    Ord,
    serde::Serialize,
    serde::Deserialize,
    schemars::JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum ControllerState {
    /// Takes part fully; both counters under 96.
    #[serde(rename = "error-active")]
    Active,
    /// A counter reached 96.
    Warning,
    /// A counter reached 128.
    #[serde(rename = "error-passive")]
    Passive,
    /// The transmit counter reached 256: off the bus.
    BusOff,
}

impl fmt::Display for ControllerState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            ControllerState::Active => "error-active",
            ControllerState::Warning => "warning",
            ControllerState::Passive => "error-passive",
            ControllerState::BusOff => "bus-off",
        })
    }
}

impl ErrorFrame {
    /// The bits that a class may hold: an identifier's 29, without the flags above them.
    pub const CLASS_MASK: u32 = 0x1FFF_FFFF;

    /// `None` if `class` has a flag bit set.
    pub fn new(class: u32, data: [u8; 8]) -> Option<ErrorFrame> {
        (class & !Self::CLASS_MASK == 0).then_some(ErrorFrame { class, data })
    }

    /// The class bits, without the error flag.
    pub fn class(&self) -> u32 {
        self.class
    }

    /// The eight data bytes.
    pub fn data(&self) -> [u8; 8] {
        self.data
    }

    fn is(&self, class: u32) -> bool {
        self.class & class != 0
    }

    /// Each cause that this frame names, once. A protocol violation at the CRC sequence or
    /// delimiter counts as [`Cause::Crc`] and one in the ACK slot as [`Cause::Ack`], whatever
    /// kind of violation the driver says; elsewhere its kind decides.
    pub fn causes(&self) -> CauseSet {
        let mut causes = CauseSet::default();
        let [_, state, kind, place, ..] = self.data;
        if self.is(class::LOST_ARBITRATION) {
            causes.insert(Cause::LostArbitration);
        }
        if self.is(class::CONTROLLER) && state & controller::RX_OVERFLOW != 0 {
            causes.insert(Cause::ReceiveOverflow);
        }
        if self.is(class::NO_ACK) {
            causes.insert(Cause::Ack);
        }
        if self.is(class::TRANSCEIVER) {
            causes.insert(Cause::Transceiver);
        }
        if self.is(class::PROTOCOL) {
            if kind & protocol::OVERLOAD != 0 {
                causes.insert(Cause::Overload);
            }
            match place {
                place::CRC_SEQUENCE | place::CRC_DELIMITER => causes.insert(Cause::Crc),
                place::ACK_SLOT => causes.insert(Cause::Ack),
                _ => {
                    for (bits, cause) in [
                        (protocol::BIT, Cause::Bit),
                        (protocol::STUFF, Cause::Stuff),
                        (protocol::FORM, Cause::Form),
                    ] {
                        if kind & bits != 0 {
                            causes.insert(cause);
                        }
                    }
                }
            }
        }
        let overflow = self.is(class::CONTROLLER) && state & controller::TX_OVERFLOW != 0;
        let unspecified = causes.is_empty() && self.is(class::PROTOCOL | class::BUS_ERROR);
        if self.is(class::TX_TIMEOUT) || overflow || unspecified {
            causes.insert(Cause::Other);
        }
        causes
    }

    /// Whether a frame on the wire was destroyed: a bus error of any kind, but none of the
    /// adapter itself.
    pub fn destroyed_a_frame(&self) -> bool {
        self.is(class::PROTOCOL | class::BUS_ERROR | class::NO_ACK)
    }

    /// Whether it is what a listener sees of a frame that nobody acknowledged: its sender's error
    /// flag begins at the ACK delimiter (ISO 11898-1, from memory), a form error there. A frame that
    /// all receivers found damaged looks the same.
    pub fn is_unacknowledged(&self) -> bool {
        let form = self.data[2] & protocol::FORM != 0 && self.data[3] == place::ACK_DELIMITER;
        self.causes().contains(Cause::Ack) || self.is(class::PROTOCOL) && form
    }

    /// The controller state that the frame announces, the gravest if it names several.
    pub fn controller_state(&self) -> Option<ControllerState> {
        let bits = if self.is(class::CONTROLLER) { self.data[1] } else { 0 };
        if self.is(class::BUS_OFF) {
            Some(ControllerState::BusOff)
        } else if bits & controller::PASSIVE != 0 {
            Some(ControllerState::Passive)
        } else if bits & controller::WARNING != 0 {
            Some(ControllerState::Warning)
        } else if bits & controller::ACTIVE != 0 {
            Some(ControllerState::Active)
        } else {
            None
        }
    }

    /// Whether the controller was restarted after bus-off.
    pub fn restarted(&self) -> bool {
        self.is(class::RESTARTED)
    }

    /// The transmit and receive error counters, where the frame carries them.
    pub fn counters(&self) -> Option<(u8, u8)> {
        self.is(class::COUNTERS).then_some((self.data[6], self.data[7]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn error(class: u32, data: u64) -> ErrorFrame {
        ErrorFrame::new(class, data.to_be_bytes()).unwrap()
    }

    fn causes(class: u32, data: u64) -> Vec<Cause> {
        error(class, data).causes().iter().collect()
    }

    /// Frames as the Linux slcan driver makes them (read off a run of Linux 6.1).
    #[test]
    fn frames_of_a_real_driver() {
        assert_eq!(causes(0x088, 0x0000_0400_0000_0000), [Cause::Stuff]);
        assert_eq!(causes(0x0A8, 0x0000_0019_0000_0000), [Cause::Ack]);
        assert_eq!(causes(0x088, 0x0000_0108_0000_0000), [Cause::Crc]);
        let warning = error(0x204, 0x0004_0000_0000_0C60);
        assert!(warning.causes().is_empty());
        assert_eq!(warning.controller_state(), Some(ControllerState::Warning));
        assert_eq!(warning.counters(), Some((12, 96)));
        let passive = error(0x204, 0x0020_0000_0000_8C80);
        assert_eq!(passive.controller_state(), Some(ControllerState::Passive));
        assert_eq!(passive.counters(), Some((0x8C, 0x80)));
        let bus_off = error(0x040, 0);
        assert_eq!(bus_off.controller_state(), Some(ControllerState::BusOff));
        assert_eq!(bus_off.counters(), None);
    }

    /// Every bit that linux/can/error.h defines for a cause.
    #[test]
    fn every_cause() {
        assert_eq!(causes(0x001, 0), [Cause::Other]);
        assert_eq!(causes(0x002, 0x0500_0000_0000_0000), [Cause::LostArbitration]);
        assert_eq!(causes(0x004, 0x0001_0000_0000_0000), [Cause::ReceiveOverflow]);
        assert_eq!(causes(0x004, 0x0002_0000_0000_0000), [Cause::Other]);
        for bit in [0x01_u64, 0x08, 0x10] {
            assert_eq!(causes(0x008, bit << 40), [Cause::Bit]);
        }
        assert_eq!(causes(0x008, 0x0000_0200_0000_0000), [Cause::Form]);
        assert_eq!(causes(0x008, 0x0000_0618_0000_0000), [Cause::Crc]);
        assert_eq!(causes(0x008, 0x0000_0219_0000_0000), [Cause::Ack]);
        assert_eq!(causes(0x008, 0x0000_0700_0000_0000), [Cause::Bit, Cause::Stuff, Cause::Form]);
        assert_eq!(causes(0x008, 0x0000_2000_0000_0000), [Cause::Overload]);
        assert_eq!(causes(0x010, 0x0000_0000_0400_0000), [Cause::Transceiver]);
        assert_eq!(causes(0x020, 0), [Cause::Ack]);
        assert_eq!(causes(0x080, 0), [Cause::Other]);
        assert_eq!(causes(0x008, 0x0000_4000_0000_0000), [Cause::Other]);
        assert!(causes(0x100, 0).is_empty());
        assert!(error(0x100, 0).restarted());
    }

    #[test]
    fn the_gravest_state_wins() {
        let both = error(0x004, 0x0024_0000_0000_0000);
        assert_eq!(both.controller_state(), Some(ControllerState::Passive));
        let active = error(0x004, 0x0040_0000_0000_0000);
        assert_eq!(active.controller_state(), Some(ControllerState::Active));
        assert!(ErrorFrame::new(0x2000_0000, [0; 8]).is_none());
    }
}
