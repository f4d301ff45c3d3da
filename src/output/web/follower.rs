//! Those that follow the page: each gets what changed, for as long as it takes it.

use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use http_body_util::channel::Sender;
use hyper::body::Bytes;
use tokio::sync::{Notify, OwnedSemaphorePermit};
use tokio::time::timeout;

use super::live_page::LivePage;

/// A follower that is gone is noticed at least so often: something is sent.
const SIGN: Duration = Duration::from_secs(5);
/// The longest that a follower may take to accept what it is sent.
const PATIENCE: Duration = Duration::from_secs(10);

/// Sends a follower all, then what changes. What it was too slow for is left out: it gets the latest.
pub(super) async fn feed(
    page: &LivePage,
    mut follower: Sender<Bytes>,
    connection: &Connection,
    _seat: OwnedSemaphorePermit,
) {
    let mut followed = page.followed();
    let mut sent = 0;
    loop {
        let now = followed.now();
        let events = now.since(sent);
        sent = now.making;
        if !matches!(timeout(PATIENCE, follower.send_data(events)).await, Ok(Ok(()))) {
            break;
        }
        if timeout(SIGN, followed.changed()).await == Ok(false) {
            break;
        }
    }
    connection.give_up();
}

/// A client that is being answered.
#[derive(Debug)]
pub(super) struct Connection {
    /// Given back as soon as the client only follows.
    place: Mutex<Option<OwnedSemaphorePermit>>,
    /// The client follows the page, for as long as it likes.
    follows: Notify,
    /// It followed, and does not take what it is sent.
    gone: Notify,
}

impl Connection {
    pub(super) fn new(place: OwnedSemaphorePermit) -> Connection {
        Connection { place: Mutex::new(Some(place)), follows: Notify::new(), gone: Notify::new() }
    }

    /// From now on the client follows the page.
    pub(super) fn follow(&self) {
        self.place.lock().unwrap_or_else(PoisonError::into_inner).take();
        self.follows.notify_one();
    }

    /// The client does not take what it is sent.
    fn give_up(&self) {
        self.gone.notify_one();
    }

    /// Waits until the client is to be given up: it has had this long for its one answer, or
    /// followed and does not take what it is sent.
    pub(super) async fn given_up(&self, patience: Duration) {
        if timeout(patience, self.follows.notified()).await.is_ok() {
            self.gone.notified().await;
        }
    }
}
