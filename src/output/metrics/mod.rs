//! A watch as metrics, in the OpenMetrics text format, for the monitoring that a plant already
//! runs. Names, types and units follow that standard; the label sets are bounded: addresses 0 to
//! 63, and the codes, severities and causes that dropline knows.

mod reading;
mod server;
mod text;

pub use reading::{About, CaptureState, HookState, Reading};
pub use server::{Ask, Exporter};
pub use text::Format;
