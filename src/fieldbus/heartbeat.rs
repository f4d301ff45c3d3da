//! What a device says without being asked: that it lives, or that it goes off line.
//!
//! Source: the services and the layout are from memory (IEC 62026-3 has them as device
//! heartbeat and device shutdown); what does not fit is shown as bytes.

use std::fmt;

/// The state of a device (identity object; from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct DeviceState(pub u8);

impl DeviceState {
    /// Waits for its configuration.
    pub const STANDBY: DeviceState = DeviceState(2);
    /// Works.
    pub const OPERATIONAL: DeviceState = DeviceState(3);
    /// A fault that can be cleared.
    pub const RECOVERABLE: DeviceState = DeviceState(4);
    /// A fault that cannot.
    pub const UNRECOVERABLE: DeviceState = DeviceState(5);
}

impl fmt::Display for DeviceState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.0 {
            0 => "nonexistent",
            1 => "self test",
            2 => "standby",
            3 => "operational",
            4 => "recoverable fault",
            5 => "unrecoverable fault",
            other => return write!(f, "state {other}"),
        })
    }
}

/// A heartbeat, after its service byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Heartbeat {
    /// The instance of the identity object that speaks.
    pub instance: u16,
    /// The state that it is in.
    pub state: DeviceState,
}

impl Heartbeat {
    /// Reads what follows the service byte; `None` if it is too short.
    pub fn parse(data: &[u8]) -> Option<Heartbeat> {
        let &[low, high, state, ..] = data else { return None };
        let instance = u16::from_le_bytes([low, high]);
        Some(Heartbeat { instance, state: DeviceState(state & 0x0F) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From memory.
    #[test]
    fn a_heartbeat_tells_the_state() {
        let heartbeat = Heartbeat::parse(&[1, 0, 3, 0, 0, 0]).unwrap();
        assert_eq!(heartbeat, Heartbeat { instance: 1, state: DeviceState::OPERATIONAL });
        assert_eq!(heartbeat.state.to_string(), "operational");
        assert_eq!(Heartbeat::parse(&[1, 0]), None);
    }
}
