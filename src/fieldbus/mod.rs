//! What frames mean on the fieldbus: addresses, identifier groups, address checks.

mod address_check;
mod identifier;
mod mac_id;

pub use address_check::{AddressCheck, AddressCheckError, AddressCheckKind, DeviceId};
pub use identifier::{Identifier, Role};
pub use mac_id::MacId;
