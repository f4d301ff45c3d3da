//! What the trunk is meant to be, and what follows from it before anything is connected.
//!
//! [`Plan::parse`] reads a plan, [`Traffic::of`] predicts what it puts on the wire, and
//! [`PlanReport::of`] holds it against every limit that it says enough about.

pub mod cable;
mod chart;
mod limits;
mod model;
mod read;
pub mod report;
pub mod response_time;
pub mod supply;
mod text;
mod traffic;
pub mod wire_time;

pub use chart::{ChartError, STROBE_ROW, ScanBar, ScanBarKind, ScanPicture, scan_svg};
pub use limits::{Limit, LimitVerdict, Side};
pub use model::{
    Cable, CableFigures, Cabling, Connection, CurrentDraw, Plan, PlannedIdentity, PlannedNode,
    PlannedTrunk, Section, Supply, Tap,
};
pub use report::{PlanReport, Size};
pub use text::text;
pub use traffic::{MessageTimes, Room, Traffic, room};
