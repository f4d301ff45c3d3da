//! The duplicate MAC ID check: how a node makes sure that nobody else holds its address.
//!
//! Source: IEC 62026-3, duplicate MAC ID check message.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::MacId;

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
