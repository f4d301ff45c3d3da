//! The state of the trunk: what each node and the bus did so far, from records alone.
//!
//! No clock, file or socket: the time is that of the records. Memory does not grow with the
//! length of a watch.

mod address;
mod distribution;
mod exchange;
mod io;
mod occurrences;
mod presence;

pub use address::{AddressState, Clash, ClashOutcome};
pub use distribution::Distribution;
pub use exchange::Exchange;
pub use io::IoSizes;
pub use occurrences::Occurrences;
pub use presence::{Absence, Presence};
