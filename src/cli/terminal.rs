//! What the terminal is told: messages, the progress bar, diagnostics, results.

use std::io::{self, ErrorKind, IsTerminal, Write, stderr, stdout};
use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use anyhow::anyhow;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::source::Progress;
use crate::words::excerpt;

/// How a command that could do its work came out; the exit status says it to scripts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CommandOutcome {
    /// Done: exit 0.
    Done,
    /// What was asked for does not hold: exit 1.
    DoesNotHold,
}

impl CommandOutcome {
    /// The same, unless something else does not hold either.
    pub(super) fn unless(self, fails: bool) -> CommandOutcome {
        if fails { CommandOutcome::DoesNotHold } else { self }
    }
}

/// Writes a message to standard error. The terminal that a command was started in may go away,
/// which is no error: the work goes on. Messages hold what is in files and their names, so
/// control characters are replaced and long lines cut.
pub(super) fn say(message: &str) {
    /// The most characters of a line.
    const LONGEST: usize = 2000;
    let lines = message.split('\n').map(|line| excerpt(line, LONGEST));
    let message = lines.collect::<Vec<_>>().join("\n");
    above(|| {
        let _ = writeln!(io::stderr(), "dropline: {message}");
    });
}

/// Prints to standard output. A reader that has seen enough, such as `head`, is no error.
pub(super) fn print(text: &str) -> anyhow::Result<()> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if !is_reader_gone(&error) => {
            Err(anyhow!("cannot write to standard output: {error}"))
        }
        _ => Ok(()),
    }
}

/// Whether nobody reads the pipe any more that is written to. Windows has a second name for it,
/// `ERROR_PIPE_NOT_CONNECTED`.
pub(super) fn is_reader_gone(error: &io::Error) -> bool {
    error.kind() == ErrorKind::BrokenPipe || cfg!(windows) && error.raw_os_error() == Some(233)
}

/// The most diagnostics that are kept for the view.
const MOST: usize = 200;

/// Diagnostics that wait for the view; `None`: the view does not have the terminal.
static KEPT: Mutex<Option<Vec<String>>> = Mutex::new(None);

fn kept() -> MutexGuard<'static, Option<Vec<String>>> {
    // The list is whole even if a thread panicked while it held the lock.
    KEPT.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Shows what is traced from now on, as warnings of a server that ends, on standard error.
pub(super) fn show_diagnostics() {
    // It fails only where there is a subscriber already.
    let _ = tracing::subscriber::set_global_default(subscriber());
}

fn subscriber() -> impl tracing::Subscriber + Send + Sync {
    tracing_subscriber::fmt()
        .with_max_level(tracing::Level::WARN)
        .with_writer(|| DiagnosticLine)
        .with_ansi(false)
        .with_level(false)
        .without_time()
        .with_target(false)
        .log_internal_errors(false)
        .finish()
}

/// Keeps diagnostics from now on: the view has the terminal.
pub(super) fn keep_diagnostics() {
    kept().get_or_insert_default();
}

/// Takes the diagnostics that were kept since the last call.
pub(super) fn take_diagnostics() -> Vec<String> {
    kept().as_mut().map(std::mem::take).unwrap_or_default()
}

/// Shows diagnostics at once again, and returns those that were kept.
pub(super) fn release_diagnostics() -> Vec<String> {
    kept().take().unwrap_or_default()
}

/// Takes a line at a time.
struct DiagnosticLine;

impl Write for DiagnosticLine {
    fn write(&mut self, line: &[u8]) -> io::Result<usize> {
        let text = String::from_utf8_lossy(line).trim().to_string();
        let mut kept = kept();
        match &mut *kept {
            Some(kept) if kept.len() >= MOST => {}
            Some(kept) => kept.push(text),
            None => {
                drop(kept);
                say(&text);
            }
        }
        Ok(line.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// What is done within this time needs no bar.
const PATIENCE: Duration = Duration::from_secs(1);
/// How often it is drawn.
const REDRAW: Duration = Duration::from_millis(250);

/// Over bytes of files.
const BYTES: &str =
    "{percent:>3} % [{bar:30}] {bytes} of {total_bytes}, {bytes_per_sec}, {eta} left";
/// Over seconds of a trunk.
const SECONDS: &str = "{percent:>3} % [{bar:30}] {pos} s of {len} s, {per_sec}, {eta} left";

/// The bar on the terminal now, so that a message can be said above it.
static SHOWN: Mutex<Option<ProgressBar>> = Mutex::new(None);

/// A bar that is there while this lives.
pub(super) struct Bar {
    /// `None`: nobody would see one.
    drawing: Option<(Sender<()>, JoinHandle<()>)>,
}

impl Bar {
    /// Shows how far the reading of files is, if it takes long and a person looks on.
    pub(super) fn over(progress: &Arc<Progress>) -> Bar {
        Bar::with_look(progress, BYTES)
    }

    /// The same for work that goes through the time of a trunk.
    pub(super) fn over_seconds(progress: &Arc<Progress>) -> Bar {
        Bar::with_look(progress, SECONDS)
    }

    fn with_look(progress: &Arc<Progress>, look: &'static str) -> Bar {
        Bar { drawing: if stderr().is_terminal() { start(progress, look) } else { None } }
    }

    /// The same for a command that prints while it reads: lines and a bar on one terminal would
    /// spoil each other.
    pub(super) fn beside_lines(progress: &Arc<Progress>) -> Bar {
        if stdout().is_terminal() { Bar { drawing: None } } else { Bar::over(progress) }
    }
}

impl Drop for Bar {
    fn drop(&mut self) {
        if let Some((stop, thread)) = self.drawing.take() {
            drop(stop);
            // It panics only where the bar cannot be drawn, and the work is done all the same.
            let _ = thread.join();
        }
    }
}

fn start(progress: &Arc<Progress>, look: &'static str) -> Option<(Sender<()>, JoinHandle<()>)> {
    let progress = Arc::clone(progress);
    let (stop, stopped) = mpsc::channel::<()>();
    let draw = move || {
        let waits = |time| matches!(stopped.recv_timeout(time), Err(RecvTimeoutError::Timeout));
        if !waits(PATIENCE) {
            return;
        }
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
        // The look is our own text; were it wrong, the usual look would do.
        if let Ok(style) = ProgressStyle::with_template(look) {
            bar.set_style(style.progress_chars("#- "));
        }
        // What was done while nobody looked counts for the rate, too.
        let bar = bar.with_elapsed(PATIENCE);
        *SHOWN.lock().unwrap_or_else(PoisonError::into_inner) = Some(bar.clone());
        loop {
            bar.set_length(progress.total());
            bar.set_position(progress.done());
            if !waits(REDRAW) {
                break;
            }
        }
        *SHOWN.lock().unwrap_or_else(PoisonError::into_inner) = None;
        bar.finish_and_clear();
    };
    let thread = thread::Builder::new().name("bar".into()).spawn(draw).ok()?;
    Some((stop, thread))
}

/// Writes above the bar, if one is there.
pub(super) fn above(write: impl FnOnce()) {
    let shown = SHOWN.lock().unwrap_or_else(PoisonError::into_inner).clone();
    match shown {
        Some(bar) => bar.suspend(write),
        None => write(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn they_wait_while_somebody_has_the_terminal() {
        tracing::subscriber::with_default(subscriber(), || {
            keep_diagnostics();
            tracing::warn!("the server ended: {}", "no more sockets");
            assert_eq!(take_diagnostics(), ["the server ended: no more sockets"]);
            (0..2 * MOST).for_each(|_| tracing::warn!("again"));
            assert_eq!(release_diagnostics().len(), MOST);
            tracing::warn!("shown at once, by this test");
            assert_eq!((take_diagnostics(), release_diagnostics()), (Vec::new(), Vec::new()));
        });
    }
}
