//! The state of the trunk: what each node and the bus did so far, from records alone.
//!
//! No clock, file or socket: the time is that of the records. Memory does not grow with the
//! length of a watch.

mod address;
mod batches;
mod course;
mod distribution;
mod errors;
mod event;
mod exchange;
mod following;
mod io;
mod load;
mod node;
mod occurrences;
mod pace;
mod presence;
mod rhythm;
mod state;
mod strikes;
mod talk;
mod ties;
mod together;
mod trail;

pub use address::{AddressState, Clash, ClashOutcome};
pub use course::{Course, Stretch as CourseStretch};
pub use distribution::Distribution;
pub use errors::{Burst, BusErrors, Controller};
pub use event::Event;
pub use exchange::Exchange;
pub use following::{Following, Reasons};
pub use io::IoSizes;
pub use load::{Load, Span, WINDOW};
pub use node::Node;
pub use occurrences::Occurrences;
pub use pace::{Pace, Stretch};
pub use presence::{Absence, Presence};
pub use rhythm::{Period, Rhythm};
pub use state::{Groups, Trunk};
pub use strikes::{Strike, Strikes, Talker};
pub use talk::{Outburst, Talk};
pub use ties::{Tie, Ties};
pub use together::{Group, Together};
pub use trail::{Point, Trail};
