//! What frames mean on the fieldbus: addresses, identifier groups, explicit messages,
//! connections, drive I/O. State machines without I/O: a frame and its time go in.

mod address_check;
mod allocation;
mod connection;
mod decode_explicit;
mod decoded;
mod decoder;
#[cfg(test)]
mod decoder_tests;
mod drive;
mod drive_guess;
pub mod eds;
mod explicit;
mod fragment;
mod granted;
mod heartbeat;
mod identifier;
mod identity;
mod io;
mod lights;
mod mac_id;
mod node;
mod node_io;
mod nodes;
mod object;
mod offline;
mod opened;
mod service;
mod status;
mod transaction;
mod values;
mod words;

pub use address_check::{AddressCheck, AddressCheckError, AddressCheckKind, DeviceId};
pub use allocation::{Allocate, Choice, Open, Opened, allocation_attribute};
pub use connection::{
    Connection, ConnectionKind, ConnectionState, Connections, Known, Origin, watchdog_action,
};
pub use decoded::{Decoded, DriveIo, Explicit, Io, Meaning, Note, Notes, Way};
pub use decoder::Decoder;
pub use drive::{DriveCommand, DriveState, DriveStatus, InputAssembly, OutputAssembly, Unread};
pub use drive_guess::Drive;
pub use explicit::{BodyFormat, CutShort, Header, Message, Target};
pub use fragment::{
    Assembly, Fragment, FragmentCounts, FragmentError, FragmentKind, MAX_MESSAGE, Stage,
};
pub use heartbeat::{DeviceState, Heartbeat};
pub use identifier::{Identifier, Role, Told};
pub use identity::{Identity, Status};
pub use io::{Fragmented, IoChannel, IoFrame};
pub use lights::{
    Light, ModuleFacts, NetworkFacts, module as module_light, network as network_light,
};
pub use mac_id::{MacId, MacIdSet};
pub use node::{ExplicitCounts, Lights, Node};
pub use object::{Class, connection_instance, device_type};
pub use offline::{Offline, OfflineService};
pub use service::Service;
pub use status::GeneralStatus;
pub use transaction::{ANSWER_LIMIT, Asked, Older, Waiting};
