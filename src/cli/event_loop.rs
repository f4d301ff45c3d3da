//! The loop of a command that listens, and what ends it: a signal, or the time that was given.

use std::time::Duration;

use anyhow::anyhow;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::{Instant, sleep_until};

/// Waits for Ctrl-C, the order to terminate, the terminal going away, or the end of a time.
pub(super) struct Stop {
    signals: [Signal; 2],
    hangup: Option<Signal>,
    deadline: Option<Instant>,
}

impl Stop {
    /// Listens for the signals from now on; `limit`: stops by itself after so long. Needs a tokio
    /// runtime with time and signals.
    ///
    /// # Errors
    /// If the system does not let it listen for signals.
    pub(super) fn new(limit: Option<Duration>) -> anyhow::Result<Stop> {
        let listen =
            |kind| signal(kind).map_err(|error| anyhow!("cannot listen for signals: {error}"));
        Ok(Stop {
            signals: [listen(SignalKind::interrupt())?, listen(SignalKind::terminate())?],
            hangup: if outlives_its_terminal() {
                None
            } else {
                Some(listen(SignalKind::hangup())?)
            },
            deadline: limit.and_then(|limit| Instant::now().checked_add(limit)),
        })
    }

    /// Waits until it is time to stop. Dropping the future loses nothing.
    pub(super) async fn wait(&mut self) {
        let [interrupt, terminate] = &mut self.signals;
        let hangup = async {
            match &mut self.hangup {
                Some(hangup) => hangup.recv().await,
                None => std::future::pending().await,
            }
        };
        let deadline = async {
            match self.deadline {
                Some(deadline) => sleep_until(deadline).await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            _ = interrupt.recv() => {}
            _ = terminate.recv() => {}
            _ = hangup => {}
            () = deadline => {}
        }
    }
}

/// Runs a command's async part on this thread alone.
pub(super) fn block_on<F: Future>(future: F) -> anyhow::Result<F::Output> {
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map(|runtime| runtime.block_on(future))
        .map_err(|error| anyhow!("cannot start: {error}"))
}

/// Whether the process was started to ignore a hangup, as `nohup` does. Listening for the signal
/// would undo that.
fn outlives_its_terminal() -> bool {
    const SIGHUP: u64 = 1;
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let ignored = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
    ignored
        .and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok())
        .is_some_and(|mask| mask & 1 << (SIGHUP - 1) != 0)
}
