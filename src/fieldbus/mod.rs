//! What frames say on the fieldbus: addresses, identifier groups, explicit messages, assemblies,
//! numbers and their names. A codec without state; what is remembered is kept by
//! [`trunk`](crate::trunk).

mod address_check;
mod assembly;
mod assembly_table;
mod connection;
mod drive;
pub mod eds;
mod explicit;
mod explicit_codes;
mod identifier;
mod lights;
mod mac_id;
mod object;

pub use address_check::{AddressCheck, AddressCheckKind, DeviceId};
pub use address_check::{Offline, OfflineService};
pub use assembly::{Assembly, InputAssembly, OutputAssembly};
pub(crate) use assembly::{AssemblyBits, assembly_row, bits_of, bits_of_signal};
pub use assembly_table::{AssemblyDirection, Profile, Signal};
pub use connection::{AllocateRequest, Choice, OpenRequest, OpenResponse, allocation_attribute};
pub use connection::{ConnectionKind, ConnectionState, WatchdogAction};
pub use connection::{Fragment, FragmentKind};
pub use drive::{DriveCommand, DriveState, DriveStatus, Unread};
pub use explicit::{BodyFormat, CutShort, ExplicitBody, ExplicitHeader, Target};
pub(crate) use explicit_codes::ServiceOf;
pub use explicit_codes::{Class, GeneralStatus, Service};
pub use identifier::{Identifier, IdentifierInfo, Role};
pub use lights::{
    Light, ModuleFacts, NetworkFacts, module as module_light, network as network_light,
};
pub use mac_id::{MacId, MacIdSet};
pub use object::{DeviceState, DeviceStatus, Heartbeat, IdentityObject};

pub(crate) use object::{AttributeValue, ObjectPath};
