//! What ends a command that runs on: a signal, or the time that was given.

use std::time::Duration;

use anyhow::anyhow;
use tokio::time::{Instant, sleep_until};

use self::system::Signals;

/// Waits for Ctrl-C, the order to terminate, the terminal going away, or the end of a time.
pub(super) struct Stop {
    signals: Signals,
    deadline: Option<Instant>,
}

impl Stop {
    /// Listens for the signals from now on; `limit`: stops by itself after so long. Needs a tokio
    /// runtime with time and signals.
    ///
    /// # Errors
    /// If the system does not let it listen for signals.
    pub(super) fn new(limit: Option<Duration>) -> anyhow::Result<Stop> {
        let signals =
            Signals::new().map_err(|error| anyhow!("cannot listen for signals: {error}"))?;
        Ok(Stop { signals, deadline: limit.and_then(|limit| Instant::now().checked_add(limit)) })
    }

    /// Waits for a signal, whatever the time.
    pub(super) async fn signal(&mut self) {
        self.signals.wait().await;
    }

    /// Waits until it is time to stop. Dropping the future loses nothing.
    pub(super) async fn wait(&mut self) {
        let deadline = async {
            match self.deadline {
                Some(deadline) => sleep_until(deadline).await,
                None => std::future::pending().await,
            }
        };
        tokio::select! {
            () = self.signals.wait() => {}
            () = deadline => {}
        }
    }
}

/// A file that grows beyond what the user allowed it (`ulimit -f`) is an error of writing from now on,
/// as a full disk is, and does not end the process.
pub(super) fn survive_file_limit() {
    #[cfg(unix)]
    system::take_no_notice(nix::sys::signal::Signal::SIGXFSZ);
}

/// From now on the process is not stopped from outside (`kill -TSTP`) while it has the terminal.
pub(super) fn stay_running() {
    #[cfg(unix)]
    system::take_no_notice(nix::sys::signal::Signal::SIGTSTP);
}

/// Runs a command's async part on this thread alone.
///
/// # Errors
/// If the system does not give it the files that this needs.
pub(super) fn block_on<F: Future>(future: F) -> anyhow::Result<F::Output> {
    // The runtime panics where it gets too few for its signals.
    #[cfg(unix)]
    system::has_room().map_err(|error| {
        anyhow!("cannot start: {error}; allow the process more open files (ulimit -n)")
    })?;
    tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map(|runtime| runtime.block_on(future))
        .map_err(|error| anyhow!("cannot start: {error}"))
}

#[cfg(unix)]
mod system {
    use std::io;
    use std::os::unix::net::UnixStream;
    use std::sync::Arc;

    use tokio::signal::unix::{Signal, SignalKind, signal};

    /// Whether as many files can be opened as the runtime needs.
    pub(super) fn has_room() -> io::Result<()> {
        let pair = || UnixStream::pair();
        let _room = [pair()?, pair()?, pair()?, pair()?];
        Ok(())
    }

    /// What a signal does by itself does not happen any more.
    pub(super) fn take_no_notice(signal: nix::sys::signal::Signal) {
        // Where it cannot be changed, the process is as it was.
        let _ = signal_hook::flag::register(signal as i32, Arc::default());
    }

    pub(super) struct Signals {
        signals: [Signal; 3],
        hangup: Option<Signal>,
    }

    impl Signals {
        pub(super) fn new() -> io::Result<Signals> {
            let hangup = !outlives_its_terminal();
            Ok(Signals {
                signals: [
                    signal(SignalKind::interrupt())?,
                    signal(SignalKind::terminate())?,
                    signal(SignalKind::quit())?,
                ],
                hangup: hangup.then(|| signal(SignalKind::hangup())).transpose()?,
            })
        }

        pub(super) async fn wait(&mut self) {
            let [interrupt, terminate, quit] = &mut self.signals;
            let hangup = async {
                match &mut self.hangup {
                    Some(hangup) => hangup.recv().await,
                    None => std::future::pending().await,
                }
            };
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
                _ = quit.recv() => {}
                _ = hangup => {}
            }
        }
    }

    /// Whether the process was started to ignore a hangup, as `nohup` does. Listening for the
    /// signal would undo that.
    fn outlives_its_terminal() -> bool {
        const SIGHUP: u64 = 1;
        let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
        let ignored = status.lines().find_map(|line| line.strip_prefix("SigIgn:"));
        ignored
            .and_then(|mask| u64::from_str_radix(mask.trim(), 16).ok())
            .is_some_and(|mask| mask & 1 << (SIGHUP - 1) != 0)
    }
}

#[cfg(windows)]
mod system {
    use std::io;

    use tokio::signal::windows::{CtrlBreak, CtrlC, CtrlClose, ctrl_break, ctrl_c, ctrl_close};

    pub(super) struct Signals {
        interrupt: CtrlC,
        terminate: CtrlBreak,
        closed: CtrlClose,
    }

    impl Signals {
        pub(super) fn new() -> io::Result<Signals> {
            Ok(Signals { interrupt: ctrl_c()?, terminate: ctrl_break()?, closed: ctrl_close()? })
        }

        pub(super) async fn wait(&mut self) {
            tokio::select! {
                _ = self.interrupt.recv() => {}
                _ = self.terminate.recv() => {}
                _ = self.closed.recv() => {}
            }
        }
    }
}
