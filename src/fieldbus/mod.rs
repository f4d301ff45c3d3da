//! What frames say on the fieldbus: addresses, identifier groups, explicit messages, assemblies,
//! numbers and their names. A codec without state; what is remembered is kept by
//! [`trunk`](crate::trunk).

mod address_check;
mod allocation;
mod connection;
mod drive;
pub mod eds;
mod explicit;
mod fragment;
mod heartbeat;
mod identifier;
mod identity;
mod lights;
mod mac_id;
mod object;
mod offline;
mod service;
mod status;
mod values;

pub use address_check::{AddressCheck, AddressCheckError, AddressCheckKind, DeviceId};
pub use allocation::{Allocate, Choice, Open, Opened, allocation_attribute};
pub use connection::{ConnectionKind, ConnectionState, WatchdogAction};
pub use drive::{DriveCommand, DriveState, DriveStatus, InputAssembly, OutputAssembly, Unread};
pub use explicit::{BodyFormat, CutShort, Header, Message, Target};
pub use fragment::{Fragment, FragmentKind};
pub use heartbeat::{DeviceState, Heartbeat};
pub use identifier::{Identifier, Role, Told};
pub use identity::{Identity, Status};
pub use lights::{
    Light, ModuleFacts, NetworkFacts, module as module_light, network as network_light,
};
pub use mac_id::{MacId, MacIdSet};
pub use object::{Class, connection_instance, device_type};
pub use offline::{Offline, OfflineService};
pub use service::Service;
pub use status::GeneralStatus;
pub(crate) use values::{AttributeValue, ObjectPath};
