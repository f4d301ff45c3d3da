//! What frames mean on the fieldbus: addresses, identifier groups, address checks.

mod address_check;
mod explicit;
mod identifier;
mod mac_id;
mod object;
mod service;
mod status;

pub use address_check::{AddressCheck, AddressCheckError, AddressCheckKind, DeviceId};
pub use explicit::{BodyFormat, CutShort, Header, Message, Target};
pub use identifier::{Identifier, Role};
pub use mac_id::MacId;
pub use object::{Class, connection_instance, device_type};
pub use service::Service;
pub use status::GeneralStatus;
