//! The off-line connection set (Group 4): nodes that may not use their address, and the tool
//! that looks for them.
//!
//! Source: the use of Group 4 and the layout are from memory; one published exchange ("who")
//! agrees with them.

use std::fmt;

use super::{DeviceId, MacId, Role};

/// What communication-faulted nodes are asked for. The codes mean something else here than on
/// a connection; one that is not known stays the number that it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct OfflineService(pub u8);

impl OfflineService {
    /// Whoever is faulted at this address says who it is.
    pub const WHO: OfflineService = OfflineService(0x4B);
    /// A faulted node shows itself by its lights (from memory).
    pub const IDENTIFY: OfflineService = OfflineService(0x4C);
    /// A faulted node takes another address (from memory).
    pub const CHANGE_ADDRESS: OfflineService = OfflineService(0x4D);
}

/// A message of the off-line connection set.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Offline<'a> {
    /// Asks communication-faulted nodes.
    Request {
        /// The address that it is about.
        mac_id: MacId,
        /// What is asked for.
        service: OfflineService,
        /// The rest.
        data: &'a [u8],
    },
    /// A communication-faulted node says who it is, in the layout of the address check.
    Faulted {
        /// The first byte.
        first: u8,
        /// Who it is.
        device: DeviceId,
    },
    /// Any other message of Group 4: its bytes are not interpreted.
    Other(&'a [u8]),
}

impl<'a> Offline<'a> {
    /// Reads a message of Group 4 by its role. What does not fit stays bytes.
    pub fn parse(role: Role, data: &'a [u8]) -> Offline<'a> {
        match (role, data) {
            (Role::FaultedRequest, &[first, service, ref rest @ ..]) => Offline::Request {
                mac_id: MacId::from_low_bits(first.into()),
                service: OfflineService(service & 0x7F),
                data: rest,
            },
            (Role::FaultedResponse, &[first, v0, v1, s0, s1, s2, s3]) => Offline::Faulted {
                first,
                device: DeviceId {
                    vendor_id: u16::from_le_bytes([v0, v1]),
                    serial: u32::from_le_bytes([s0, s1, s2, s3]),
                },
            },
            _ => Offline::Other(data),
        }
    }
}

impl fmt::Display for Offline<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Offline::Request { mac_id, service, data } => {
                match *service {
                    OfflineService::WHO => write!(f, "who is faulted? address {mac_id}")?,
                    OfflineService::IDENTIFY => {
                        write!(f, "faulted node at address {mac_id}: show yourself")?;
                    }
                    OfflineService::CHANGE_ADDRESS => {
                        write!(f, "faulted node at address {mac_id}: take another address")?;
                    }
                    OfflineService(code) => {
                        write!(f, "to the faulted at address {mac_id}: service {code:02X}h")?;
                    }
                }
                if data.is_empty() {
                    Ok(())
                } else {
                    write!(f, ", data {:X}", const_hex::display(data))
                }
            }
            Offline::Faulted { device, .. } => {
                write!(f, "faulted here: vendor {}, serial {}", device.vendor_id, device.serial)
            }
            Offline::Other([]) => f.write_str("no data"),
            Offline::Other(data) => write!(f, "data {:X}", const_hex::display(data)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bytes as in a published device manual; what the fields mean is from memory.
    #[test]
    fn who_is_faulted() {
        let request = Offline::parse(Role::FaultedRequest, &[0x3F, 0x4B, 0x02]);
        assert_eq!(request.to_string(), "who is faulted? address 63, data 02");
        let response = Offline::parse(Role::FaultedResponse, &[0, 0x23, 3, 1, 0, 0, 0]);
        let device = DeviceId { vendor_id: 0x0323, serial: 1 };
        assert_eq!(response, Offline::Faulted { first: 0, device });
        assert_eq!(response.to_string(), "faulted here: vendor 803, serial 1");
    }

    /// From memory.
    #[test]
    fn the_other_services() {
        let words = |bytes: &[u8]| Offline::parse(Role::FaultedRequest, bytes).to_string();
        assert_eq!(words(&[12, 0x4C]), "faulted node at address 12: show yourself");
        let change = "faulted node at address 12: take another address, data 0E";
        assert_eq!(words(&[12, 0x4D, 14]), change);
        assert_eq!(words(&[12, 0x60]), "to the faulted at address 12: service 60h");
    }

    #[test]
    fn what_does_not_fit_stays_bytes() {
        assert_eq!(Offline::parse(Role::FaultedResponse, &[1]), Offline::Other(&[1]));
        assert_eq!(Offline::parse(Role::FaultedRequest, &[1]), Offline::Other(&[1]));
    }
}
