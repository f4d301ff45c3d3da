//! What the service manager is told, where there is one: that the watch is ready, that it is
//! alive, that it stops. Without one nothing is said.

use std::time::{Duration, Instant};

use sd_notify::NotifyState;

use crate::wire::Tally;

/// How often the state is told where no watchdog asks for it sooner.
const SELDOM: Duration = Duration::from_secs(10);

pub(super) struct Notify {
    every: Duration,
    watchdog: bool,
    last: Instant,
    /// Why it could not be told, which was said.
    failed: bool,
}

impl Notify {
    /// That the watch listens.
    pub(super) fn ready(interface: &str) -> (Notify, Option<String>) {
        let watchdog = sd_notify::watchdog_enabled();
        // Twice in the time given is what systemd's sd_watchdog_enabled(3) advises.
        let every = watchdog.map_or(SELDOM, |limit| (limit / 2).min(SELDOM));
        let mut notify =
            Notify { every, watchdog: watchdog.is_some(), last: Instant::now(), failed: false };
        let status = format!("{interface}: listening");
        let told = notify.tell(&[NotifyState::Ready, NotifyState::Status(&status)]);
        (notify, told)
    }

    /// How often [`Notify::alive`] is to be called.
    pub(super) fn every(&self) -> Duration {
        (self.every / 2).max(Duration::from_millis(1))
    }

    /// That the watch is alive: called from the very loop that reads, so that a reader that hangs
    /// is found out.
    pub(super) fn alive(&mut self, interface: &str, tally: Tally) -> Option<String> {
        if self.last.elapsed() < self.every / 2 {
            return None;
        }
        self.last = Instant::now();
        let Tally { frames, error_frames, lost_frames } = tally;
        let status = format!(
            "{interface}: {frames} frames, {error_frames} error frames, {lost_frames} lost"
        );
        let status = NotifyState::Status(&status);
        if self.watchdog {
            self.tell(&[NotifyState::Watchdog, status])
        } else {
            self.tell(&[status])
        }
    }

    /// That the watch is about to end.
    pub(super) fn stopping(&mut self) -> Option<String> {
        self.tell(&[NotifyState::Stopping])
    }

    fn tell(&mut self, state: &[NotifyState]) -> Option<String> {
        let error = sd_notify::notify(state).err()?;
        let first = !std::mem::replace(&mut self.failed, true);
        first.then(|| format!("the service manager cannot be told anything: {error}"))
    }
}
