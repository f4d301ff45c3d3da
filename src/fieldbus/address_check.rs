//! Messages about addresses: the duplicate MAC ID check, by which a node makes sure that nobody
//! else holds its address, and the off-line connection set (Group 4) of nodes that may not use
//! theirs.
//!
//! Source: IEC 62026-3, duplicate MAC ID check message. The use of Group 4 and its layout are
//! from memory; one published exchange ("who") agrees with them.

use super::{MacId, Role};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Who a device is, as its address check tells: no two devices share both.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
pub struct DeviceId {
    /// The maker's number.
    pub vendor_id: u16,
    /// The device's serial number, unique for the maker.
    pub serial: u32,
}

/// Request or response.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AddressCheckKind {
    /// Asks whether somebody holds the address.
    Request,
    /// The holder's answer.
    Response,
}

/// One duplicate MAC ID check message.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct AddressCheck {
    /// The address in question.
    pub mac_id: MacId,
    /// Request or response.
    pub kind: AddressCheckKind,
    /// The physical port of the device, 0 to 127.
    pub port: u8,
    /// Who sent it.
    pub device: DeviceId,
}

/// An address check message that does not have seven bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("an address check has 7 bytes, this one {0}")]
pub struct AddressCheckError(pub usize);

impl AddressCheck {
    /// Reads the data of a Group 2 message 7.
    ///
    /// # Errors
    /// If there are not exactly seven bytes.
    pub fn parse(mac_id: MacId, data: &[u8]) -> Result<AddressCheck, AddressCheckError> {
        let &[first, v0, v1, s0, s1, s2, s3] = data else {
            return Err(AddressCheckError(data.len()));
        };
        Ok(AddressCheck {
            mac_id,
            kind: match first & 0x80 {
                0 => AddressCheckKind::Request,
                _ => AddressCheckKind::Response,
            },
            port: first & 0x7F,
            device: DeviceId {
                vendor_id: u16::from_le_bytes([v0, v1]),
                serial: u32::from_le_bytes([s0, s1, s2, s3]),
            },
        })
    }

    /// The data that says this.
    pub fn bytes(&self) -> [u8; 7] {
        let response = match self.kind {
            AddressCheckKind::Request => 0,
            AddressCheckKind::Response => 0x80,
        };
        let [v0, v1] = self.device.vendor_id.to_le_bytes();
        let [s0, s1, s2, s3] = self.device.serial.to_le_bytes();
        [response | self.port & 0x7F, v0, v1, s0, s1, s2, s3]
    }
}

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
        /// How the value is matched, bits 7 and 6; 0 with 3F asks whoever is faulted.
        matching: u8,
        /// What is matched, bits 5 to 0.
        value: u8,
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
                matching: first >> 6,
                value: first & 0x3F,
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
            Offline::Request { matching, value, service, data } => {
                let whom = match (matching, value) {
                    (0, 0x3F) => "any address".to_string(),
                    _ => format!("match {matching}, value {value:02X}h"),
                };
                match *service {
                    OfflineService::WHO => write!(f, "who is faulted? {whom}")?,
                    OfflineService::IDENTIFY => {
                        write!(f, "faulted node, {whom}: show yourself")?;
                    }
                    OfflineService::CHANGE_ADDRESS => {
                        write!(f, "faulted node, {whom}: take another address")?;
                    }
                    OfflineService(code) => {
                        write!(f, "to the faulted, {whom}: service {code:02X}h")?;
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
    use proptest::prelude::*;

    #[test]
    fn fields_are_little_endian() {
        let mac_id = MacId::new(12).unwrap();
        let check = AddressCheck::parse(mac_id, &[0x80, 0x84, 3, 0x67, 0x45, 0x23, 1]).unwrap();
        assert_eq!(check.kind, AddressCheckKind::Response);
        assert_eq!(check.device, DeviceId { vendor_id: 900, serial: 19_088_743 });
        assert_eq!(AddressCheck::parse(mac_id, &[0; 6]), Err(AddressCheckError(6)));
        assert_eq!(AddressCheck::parse(mac_id, &[0; 8]), Err(AddressCheckError(8)));
    }

    proptest! {
        #[test]
        fn goes_round(bytes: [u8; 7], address in 0u8..64) {
            let mac_id = MacId::new(address).unwrap();
            let check = AddressCheck::parse(mac_id, &bytes).unwrap();
            prop_assert_eq!(check.bytes(), bytes);
        }
    }
}

#[cfg(test)]
mod offline_tests {
    use super::*;

    /// The exchange of converter manual I-7242D, p. 93: match 0 and value 3F are answered by node 9.
    #[test]
    fn who_is_faulted() {
        let request = Offline::parse(Role::FaultedRequest, &[0x3F, 0x4B, 0x02]);
        assert_eq!(request.to_string(), "who is faulted? any address, data 02");
        let response = Offline::parse(Role::FaultedResponse, &[0, 0x23, 3, 1, 0, 0, 0]);
        let device = DeviceId { vendor_id: 0x0323, serial: 1 };
        assert_eq!(response, Offline::Faulted { first: 0, device });
        assert_eq!(response.to_string(), "faulted here: vendor 803, serial 1");
    }

    /// From memory.
    #[test]
    fn the_other_services() {
        let words = |bytes: &[u8]| Offline::parse(Role::FaultedRequest, bytes).to_string();
        assert_eq!(words(&[12, 0x4C]), "faulted node, match 0, value 0Ch: show yourself");
        let change = "faulted node, match 0, value 0Ch: take another address, data 0E";
        assert_eq!(words(&[12, 0x4D, 14]), change);
        assert_eq!(words(&[12, 0x60]), "to the faulted, match 0, value 0Ch: service 60h");
    }

    #[test]
    fn what_does_not_fit_stays_bytes() {
        assert_eq!(Offline::parse(Role::FaultedResponse, &[1]), Offline::Other(&[1]));
        assert_eq!(Offline::parse(Role::FaultedRequest, &[1]), Offline::Other(&[1]));
    }
}
