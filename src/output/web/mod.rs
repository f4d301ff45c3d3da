//! The one HTTP server: metrics for the plant's own monitoring, and the page of the trunk for a
//! browser. It runs on a thread of its own: whoever listens to the trunk is asked and never waits for
//! a reader.

mod access;
mod follower;
mod live_page;
mod routes;
mod server;

use std::net::SocketAddr;

use tokio::sync::oneshot;

pub use self::access::{Access, Token};
pub use self::live_page::PageSnapshot;
pub use self::server::{WebServer, attend_one};
use crate::output::metrics::MetricsSnapshot;

/// What is wanted of whoever listens to the trunk. An answer that nobody waits for any more is no
/// error.
#[derive(Debug)]
pub enum Ask {
    /// The metrics now.
    Metrics(oneshot::Sender<MetricsSnapshot>),
    /// What the page shows now.
    Page(oneshot::Sender<Box<PageSnapshot>>),
    /// Mark this moment with a note; to be answered once that is done.
    Mark(String, oneshot::Sender<()>),
}

/// What is served at one address, and to whom.
#[derive(Debug, Clone)]
pub struct Served {
    /// Where.
    pub address: SocketAddr,
    /// Who may read.
    pub access: Access,
    /// The metrics, at `/metrics`.
    pub metrics: bool,
    /// The page, at `/`.
    pub page: bool,
    /// Whether a reader of the page may set marks.
    pub marks: bool,
}
