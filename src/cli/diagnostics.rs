//! What goes wrong beside the work, such as a server that ends: told on standard error as any
//! message, or kept for the view while that has the terminal.

use std::io::{self, Write};
use std::sync::{Mutex, MutexGuard, PoisonError};

use super::listen::say;

/// So many are kept; more of them would say no more.
const MOST: usize = 200;

/// What waits for the view; `None`: nobody has the terminal for himself.
static KEPT: Mutex<Option<Vec<String>>> = Mutex::new(None);

fn kept() -> MutexGuard<'static, Option<Vec<String>>> {
    // What lies there is whole even if somebody panicked.
    KEPT.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Begins to listen for diagnostics.
pub(super) fn listen() {
    // It fails only where somebody listens already.
    let _ = tracing::subscriber::set_global_default(listener());
}

fn listener() -> impl tracing::Subscriber + Send + Sync {
    tracing_subscriber::fmt()
        .with_max_level(tracing::Level::WARN)
        .with_writer(|| Line)
        .with_ansi(false)
        .with_level(false)
        .without_time()
        .with_target(false)
        .log_internal_errors(false)
        .finish()
}

/// From now on they are kept.
pub(super) fn keep() {
    kept().get_or_insert_default();
}

/// Takes those that were kept since last asked.
pub(super) fn take() -> Vec<String> {
    kept().as_mut().map(std::mem::take).unwrap_or_default()
}

/// From now on they are told at once again; gives those that were kept.
pub(super) fn tell() -> Vec<String> {
    kept().take().unwrap_or_default()
}

/// Gets a line at a time.
struct Line;

impl Write for Line {
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
        tracing::subscriber::with_default(listener(), || {
            keep();
            tracing::warn!("the server ended: {}", "no more sockets");
            assert_eq!(take(), ["the server ended: no more sockets"]);
            (0..2 * MOST).for_each(|_| tracing::warn!("again"));
            assert_eq!(tell().len(), MOST);
            tracing::warn!("told at once, by this test");
            assert_eq!((take(), tell()), (Vec::new(), Vec::new()));
        });
    }
}
