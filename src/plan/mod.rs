//! What the trunk is meant to be, and what follows from it before anything is connected.

pub mod cable;
mod keys;
pub mod messages;
mod model;
mod read;
mod read_cabling;
pub mod response_time;
pub mod scan;
pub mod supply;
mod traffic;
pub mod wire_time;

pub use keys::Problem;
pub use model::{
    Cable, Cabling, Connection, Load, Node, Plan, PlannedIdentity, Profile, Section, Supply, Tap,
    Trunk,
};
pub use read::PlanError;
pub use traffic::{MessageTimes, Room, Traffic, room};
