//! The state of the trunk: what each node and the bus did so far, from records alone.
//!
//! No clock, file or socket: the time is that of the records. Memory does not grow with the
//! length of a watch.

mod address;
mod batches;
mod connections;
mod course;
#[cfg(test)]
mod decode_tests;
mod decoded;
mod decoded_text;
mod distribution;
mod drive_inference;
mod errors;
mod event;
mod exchange;
mod explicit_messages;
mod following;
mod frame;
mod io_channel;
mod load;
mod node;
mod node_io;
mod nodes;
mod occurrences;
mod opened_connections;
mod pace;
mod presence;
mod reassembly;
mod rhythm;
mod state;
mod strikes;
mod talk;
mod ties;
mod together;
mod trail;
mod transactions;

pub use address::{AddressState, Clash, ClashOutcome};
pub use connections::{Connection, Connections, Known, Origin};
pub use course::{Course, Stretch as CourseStretch};
pub use decoded::{Decoded, DriveIo, Explicit, Io, Meaning, Note, Notes, Way};
pub use distribution::Distribution;
pub use drive_inference::Drive;
pub use errors::{Burst, BusErrors, Controller};
pub use event::Event;
pub use exchange::Exchange;
pub use following::{Following, Reasons};
pub use io_channel::IoSizes;
pub use load::{Load, Span, WINDOW};
pub use node::{ExplicitCounts, Lights, Node};
pub use occurrences::Occurrences;
pub use pace::{Pace, Stretch};
pub use presence::{Absence, Presence};
pub use reassembly::{Assembly, FragmentCounts, FragmentError, MAX_MESSAGE, Stage};
pub use rhythm::{Period, Rhythm};
pub use state::{Groups, Trunk};
pub use strikes::{Strike, Strikes, Talker};
pub use talk::{Outburst, Talk};
pub use ties::{Tie, Ties};
pub use together::{Group, Together};
pub use trail::{Point, Trail};
pub use transactions::{ANSWER_LIMIT, Asked};
