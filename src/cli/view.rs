//! The thread of the live view: draws what it is given, hands on what the person wants.
//!
//! Whoever analyses never waits for it: numbers are left for it to take, and made only when it
//! has taken the last ones.

use std::io::{self, IsTerminal, Write};
use std::panic;
use std::sync::atomic::{AtomicBool, AtomicU8, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use ratatui::DefaultTerminal;
use ratatui::crossterm::event::{self, Event as TerminalEvent, KeyEventKind};
use tokio::sync::mpsc;

use super::stop::stay_running;
use super::terminal::{keep_diagnostics, release_diagnostics, say};
use crate::fieldbus::MacId;
use crate::health::Context;
use crate::health::compare::Acceptance;
use crate::output::event_log::{LatestLines, LogLine, Narrator};
use crate::output::view::{self, Playback, Screen, Seen, Snapshot, Subject, Theme, Update, Wish};
use crate::wire::Nanos;
use crate::words::printable;

/// The shortest time from one drawing to the next.
const REDRAW: Duration = Duration::from_millis(100);
/// How often new numbers are taken.
const RENEW: Duration = Duration::from_millis(250);
/// The name of the thread.
const THREAD: &str = "view";
/// No node's page is open.
const NO_PAGE: u8 = u8::MAX;

/// A view on the terminal.
pub(super) struct View {
    shared: Arc<Shared>,
    wishes: mpsc::UnboundedReceiver<Wish>,
    thread: Option<JoinHandle<io::Result<()>>>,
    narrator: Narrator,
    /// Lines that were told and not shown yet.
    held: Vec<LogLine>,
    anew: bool,
    /// What was said while the terminal was taken, for standard error afterwards.
    messages: Vec<String>,
}

struct Shared {
    update: Mutex<Option<Update>>,
    page: AtomicU8,
    closing: AtomicBool,
    closed: AtomicBool,
}

/// Whether there is a terminal to draw on and a keyboard to be steered by.
pub(super) fn is_possible() -> bool {
    let dumb = std::env::var_os("TERM").is_none_or(|term| term.is_empty() || term == "dumb");
    io::stdout().is_terminal() && io::stdin().is_terminal() && !dumb
}

/// What the terminal can show, by its environment.
fn theme() -> Theme {
    let set = |name: &str| std::env::var(name).ok().filter(|value| !value.is_empty());
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().find_map(set).unwrap_or_default();
    let locale = locale.to_lowercase();
    Theme {
        colour: set("NO_COLOR").is_none(),
        unicode: locale.contains("utf-8") || locale.contains("utf8"),
    }
}

impl View {
    /// Takes the terminal.
    ///
    /// # Errors
    /// If the terminal cannot be set up.
    pub(super) fn start(subject: Subject) -> io::Result<View> {
        let shared = Arc::new(Shared {
            update: Mutex::new(None),
            page: AtomicU8::new(NO_PAGE),
            closing: AtomicBool::new(false),
            closed: AtomicBool::new(false),
        });
        stay_running();
        let terminal = ratatui::try_init()?;
        keep_diagnostics();
        restore_on_panic(&shared);
        let (send, wishes) = mpsc::unbounded_channel();
        let screen = Screen::new(subject, theme());
        let of_thread = Arc::clone(&shared);
        let thread = thread::Builder::new().name(THREAD.into()).spawn(move || {
            let _closed = Closed(&of_thread);
            run(terminal, &of_thread, screen, &send)
        });
        if thread.is_err() {
            ratatui::restore();
            release_diagnostics().iter().for_each(|message| say(message));
        }
        Ok(View {
            shared,
            wishes,
            thread: Some(thread?),
            narrator: Narrator::default(),
            held: Vec::new(),
            anew: false,
            messages: Vec::new(),
        })
    }

    /// What is to be told of the records that are analysed.
    pub(super) fn narrator(&mut self) -> &mut Narrator {
        &mut self.narrator
    }

    /// Begins the log anew: the analysis starts from the beginning.
    pub(super) fn start_anew(&mut self) {
        self.narrator = Narrator::default();
        self.held.clear();
        self.anew = true;
    }

    /// Lays aside the lines told so far, so that the next one can be told from them.
    pub(super) fn hold_lines(&mut self) {
        self.held.extend(self.narrator.take());
        let old = self.held.len().saturating_sub(LatestLines::KEPT);
        self.held.drain(..old);
    }

    /// Whether new numbers would be drawn.
    pub(super) fn wants(&self) -> bool {
        self.slot().is_none()
    }

    /// The node of which more is wanted.
    pub(super) fn page(&self) -> Option<MacId> {
        MacId::new(self.shared.page.load(Ordering::Relaxed))
    }

    /// Leaves new numbers for the view, if it has taken the last ones.
    pub(super) fn show(
        &mut self,
        seen: Seen,
        context: &Context,
        ended: bool,
        playback: Option<Playback>,
        newcomers: &[Acceptance],
    ) {
        if !self.wants() {
            return;
        }
        self.hold_lines();
        let update = Update {
            snapshot: Snapshot::of(seen, context, ended, self.page()),
            lines: std::mem::take(&mut self.held),
            anew: std::mem::take(&mut self.anew),
            playback,
            newcomers: newcomers.to_vec(),
        };
        *self.slot() = Some(update);
    }

    fn slot(&self) -> std::sync::MutexGuard<'_, Option<Update>> {
        // What lies there is whole even if the other side panicked.
        self.shared.update.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Says something in the log, and on standard error once the terminal is free again.
    pub(super) fn say(&mut self, t: Nanos, message: &str) {
        /// Enough to see what it was about.
        const MOST: usize = 200;
        self.narrator.message(t, message);
        if self.messages.len() < MOST {
            self.messages.push(message.to_string());
        }
    }

    /// Waits for what the person wants; `None` if the view broke down. Losing the future loses
    /// nothing.
    pub(super) async fn wish(&mut self) -> Option<Wish> {
        self.wishes.recv().await
    }

    /// What the person wants already, if anything.
    pub(super) fn wish_now(&mut self) -> Option<Wish> {
        self.wishes.try_recv().ok()
    }

    /// Gives the terminal back.
    ///
    /// # Errors
    /// Why the view broke down, if it did.
    pub(super) fn close(mut self) -> io::Result<()> {
        self.end()
    }

    fn end(&mut self) -> io::Result<()> {
        self.shared.closing.store(true, Ordering::Release);
        // A thread that asks a terminal which is gone for keys may never come back; the process
        // ends soon and takes it along.
        let gone = !io::stdin().is_terminal();
        let ended = match self.thread.take() {
            None => Ok(()),
            Some(thread) if gone && !thread.is_finished() => {
                Err(io::Error::other("the terminal is gone"))
            }
            Some(thread) => match thread.join() {
                Ok(result) => result,
                Err(_) => Err(io::Error::other("the view broke down")),
            },
        };
        for message in self.messages.drain(..).chain(release_diagnostics()) {
            // Standard error may be gone as well.
            let _ = writeln!(io::stderr(), "dropline: {}", printable(&message));
        }
        ended
    }
}

impl Drop for View {
    fn drop(&mut self) {
        if self.thread.is_some() {
            // Whoever wants to know how it ended closes it.
            let _ = self.end();
        }
    }
}

/// Says that the thread has ended, also if it panicked.
struct Closed<'a>(&'a Shared);

impl Drop for Closed<'_> {
    fn drop(&mut self) {
        self.0.closed.store(true, Ordering::Release);
    }
}

/// Whoever panics, the view stops drawing first, then the terminal is restored, then the panic
/// is reported, where it can be read.
fn restore_on_panic(shared: &Arc<Shared>) {
    let shared = Arc::clone(shared);
    let restore_and_report = panic::take_hook();
    panic::set_hook(Box::new(move |info| {
        shared.closing.store(true, Ordering::Release);
        let begun = Instant::now();
        while thread::current().name() != Some(THREAD)
            && !shared.closed.load(Ordering::Acquire)
            && begun.elapsed() < Duration::from_secs(1)
        {
            thread::sleep(Duration::from_millis(5));
        }
        restore_and_report(info);
    }));
}

fn run(
    mut terminal: DefaultTerminal,
    shared: &Shared,
    mut screen: Screen,
    wishes: &mpsc::UnboundedSender<Wish>,
) -> io::Result<()> {
    let result = draw_and_listen(&mut terminal, shared, &mut screen, wishes);
    // Both are tried; what was wrong first is what is told.
    let restored = ratatui::try_restore();
    result.and(restored)
}

fn draw_and_listen(
    terminal: &mut DefaultTerminal,
    shared: &Shared,
    screen: &mut Screen,
    wishes: &mpsc::UnboundedSender<Wish>,
) -> io::Result<()> {
    let mut drawn: Option<Instant> = None;
    let mut renewed: Option<Instant> = None;
    let mut stale = true;
    let due = |last: Option<Instant>, every: Duration| match last {
        Some(last) => every.saturating_sub(last.elapsed()),
        None => Duration::ZERO,
    };
    while !shared.closing.load(Ordering::Acquire) {
        // A terminal that went away would be asked for keys without end.
        if !io::stdin().is_terminal() {
            return Err(io::Error::other("the terminal is gone"));
        }
        if due(renewed, RENEW).is_zero() {
            let update = shared.update.lock().unwrap_or_else(PoisonError::into_inner).take();
            if let Some(update) = update {
                screen.update(update);
                renewed = Some(Instant::now());
                stale = true;
            }
        }
        if stale && due(drawn, REDRAW).is_zero() {
            terminal.draw(|frame| view::draw(screen, frame))?;
            drawn = Some(Instant::now());
            stale = false;
        }
        let wait = if stale { due(drawn, REDRAW) } else { due(renewed, RENEW) };
        // Short enough to close promptly, long enough to cost nothing.
        let mut wait = wait.clamp(Duration::from_millis(5), REDRAW);
        while event::poll(wait)? {
            wait = Duration::ZERO;
            match event::read()? {
                TerminalEvent::Key(key) if key.kind != KeyEventKind::Release => {
                    if let Some(wish) = screen.key(key) {
                        // It fails only when nobody listens any more.
                        let _ = wishes.send(wish);
                    }
                }
                TerminalEvent::Resize(..) => {}
                _ => continue,
            }
            stale = true;
            let page = screen.wants_detail().map_or(NO_PAGE, MacId::get);
            shared.page.store(page, Ordering::Relaxed);
        }
    }
    Ok(())
}

#[cfg(test)]
#[path = "view_tests.rs"]
mod tests;
