//! The bar that says how far work that takes long is, at which rate and how long it will take.
//! It is for a person at a terminal; the work does not know of it.

use std::io::{IsTerminal, stderr, stdout};
use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::source::Progress;

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
