//! What the user sees of a watch, in the view or as plain lines on standard error; and what is
//! reported to the service manager, where there is one.

use std::io;
use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use sd_notify::NotifyState;

use crate::analysis::Analysis;
use crate::cli::view::{self, View};
use crate::health::Context;
use crate::health::compare::Acceptance;
use crate::output::event_log::Narrator;
use crate::output::view::{Seen, Subject, Wish};
use crate::wire::{Nanos, Tally};

/// The most plain lines for one second of the trunk, so that a node that comes and goes all night
/// does not fill a disk.
const LINES_A_SECOND: u32 = 20;

/// The view, if there is one; else plain lines, and on a terminal a status line that is renewed
/// every second. If the terminal goes away, the watch goes on.
pub(super) struct WatchDisplay {
    view: Option<View>,
    /// Puts events into words, where there is no view.
    narrator: Narrator,
    is_terminal: bool,
    context: Context,
    now: Nanos,
    second: i64,
    lines: u32,
}

impl WatchDisplay {
    /// Takes the terminal for the view, unless plain lines are asked for or there is none.
    pub(super) fn new(subject: Subject, plain: bool) -> WatchDisplay {
        let context = Context::new(&subject.header, 0);
        let mut display = WatchDisplay {
            view: None,
            narrator: Narrator::default(),
            is_terminal: io::stderr().is_terminal(),
            context,
            now: Nanos::ZERO,
            second: i64::MIN,
            lines: 0,
        };
        if !plain && view::is_possible() {
            match View::start(subject) {
                Ok(view) => display.view = Some(view),
                Err(error) => display.line(&format!("no view on this terminal: {error}")),
            }
        }
        display
    }

    /// Whether the view has the terminal.
    pub(super) fn has_view(&self) -> bool {
        self.view.is_some()
    }

    /// Takes the records and events, and puts them into words.
    pub(super) fn narrator(&mut self) -> &mut Narrator {
        match &mut self.view {
            Some(view) => view.narrator(),
            None => &mut self.narrator,
        }
    }

    /// Shows a message.
    pub(super) fn line(&mut self, message: &str) {
        if let Some(view) = &mut self.view {
            return view.say(self.now, message);
        }
        let clear = if self.is_terminal { "\r\x1b[K" } else { "" };
        let _ = writeln!(io::stderr(), "{clear}dropline: {message}");
    }

    /// Shows what happened in the batch of records that was analysed.
    pub(super) fn analysed(&mut self, analysis: &Analysis) {
        self.now = analysis.trunk().now();
        for line in self.narrator.take() {
            let second = line.t.0.div_euclid(Nanos::SECOND.0);
            if second != self.second {
                (self.second, self.lines) = (second, 0);
            }
            self.lines = self.lines.saturating_add(1);
            match self.lines {
                ..=LINES_A_SECOND => {
                    let name = line.mac_id.and_then(|mac_id| analysis.name(mac_id));
                    self.line(line.line(name.as_deref()).trim_start());
                }
                lines if lines == LINES_A_SECOND + 1 => self.line("more happened in this second"),
                _ => {}
            }
        }
    }

    /// Shows the state now, in the view or as the status line.
    pub(super) fn status(&mut self, analysis: &Analysis, newcomers: &[Acceptance]) {
        if let Some(view) = &mut self.view {
            view.show(Seen::from(analysis), &self.context, false, None, newcomers);
        } else if self.is_terminal {
            let tally = analysis.trunk().tally();
            let _ = write!(
                io::stderr(),
                "\r\x1b[K{:.0} s: {} frames, {} error frames, {} lost; Ctrl-C ends",
                analysis.trunk().now().as_secs(),
                tally.frames,
                tally.error_frames,
                tally.lost_frames
            );
        }
    }

    /// Waits for what the user wants. If the view fails, plain lines take its place.
    pub(super) async fn wish(&mut self) -> Wish {
        if let Some(view) = &mut self.view {
            if let Some(wish) = view.wish().await {
                return wish;
            }
            self.end_view();
        }
        std::future::pending().await
    }

    /// Gives the terminal back: messages from here on are plain lines.
    pub(super) fn end_view(&mut self) {
        if let Some(view) = self.view.take()
            && let Err(error) = view.close()
        {
            self.line(&format!("the view ended: {error}"));
        }
    }
}

/// How often the state is reported where no watchdog asks for it sooner.
const SELDOM: Duration = Duration::from_secs(10);

pub(super) struct ServiceManager {
    every: Duration,
    watchdog: bool,
    last: Instant,
    /// A report failed, and a message said so.
    failed: bool,
}

impl ServiceManager {
    /// Reports that the watch listens. Returns a message if that fails.
    pub(super) fn ready(interface: &str) -> (ServiceManager, Option<String>) {
        let watchdog = sd_notify::watchdog_enabled();
        // sd_watchdog_enabled(3) advises twice in the time given.
        let every = watchdog.map_or(SELDOM, |limit| (limit / 2).min(SELDOM));
        let mut manager = ServiceManager {
            every,
            watchdog: watchdog.is_some(),
            last: Instant::now(),
            failed: false,
        };
        let status = format!("{interface}: listening");
        let problem = manager.report(&[NotifyState::Ready, NotifyState::Status(&status)]);
        (manager, problem)
    }

    /// How often [`ServiceManager::alive`] is to be called.
    pub(super) fn every(&self) -> Duration {
        (self.every / 2).max(Duration::from_millis(1))
    }

    /// Reports that the watch is alive. Called from the loop that reads, so that the watchdog
    /// notices a reader that hangs.
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
            self.report(&[NotifyState::Watchdog, status])
        } else {
            self.report(&[status])
        }
    }

    /// Reports that the watch is about to end.
    pub(super) fn stopping(&mut self) -> Option<String> {
        self.report(&[NotifyState::Stopping])
    }

    fn report(&mut self, state: &[NotifyState]) -> Option<String> {
        let error = sd_notify::notify(state).err()?;
        let first = !std::mem::replace(&mut self.failed, true);
        first.then(|| format!("the service manager cannot be told anything: {error}"))
    }
}
