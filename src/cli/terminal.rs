//! What a command shows: its result on standard output, messages and diagnostics on standard error,
//! and its exit status.

use std::io::{self, ErrorKind, Write};
use std::sync::{Mutex, MutexGuard, PoisonError};

use anyhow::anyhow;

use super::bar;
use crate::words::excerpt;

/// How a command that could do its work came out; the exit status says it to scripts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CommandOutcome {
    /// Done: exit 0.
    Done,
    /// What was asked for does not hold: exit 1.
    DoesNotHold,
}

/// Writes a message to standard error. The terminal that a command was started in may go away,
/// which is no error: the work goes on. Messages hold what is in files and their names, so
/// control characters are replaced and long lines cut.
pub(super) fn say(message: &str) {
    /// The most characters of a line.
    const LONGEST: usize = 2000;
    let lines = message.split('\n').map(|line| excerpt(line, LONGEST));
    let message = lines.collect::<Vec<_>>().join("\n");
    bar::above(|| {
        let _ = writeln!(io::stderr(), "dropline: {message}");
    });
}

/// Prints to standard output. A reader that has seen enough, such as `head`, is no error.
pub(super) fn print(text: &str) -> anyhow::Result<()> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            Err(anyhow!("cannot write to standard output: {error}"))
        }
        _ => Ok(()),
    }
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
