//! A replay in the browser: the page while the capture is read, and after that until Ctrl-C.

use super::analyse::CaptureSet;
use super::page::PageRecorder;
use super::stop::Stop;
use super::terminal::say;
use crate::analysis::{Analysis, Finished, Given};
use crate::health::Summary;
use crate::health::summary::SourceKind;
use crate::output::web::{Ask, WebServer};
use crate::source::Reader;

/// Reads the capture and serves its page. `deliver` gets the summary as soon as all is read; then
/// the page stays until a signal.
///
/// # Errors
/// What `deliver` or the end of several captures says.
pub(super) async fn serve<T>(
    mut source: CaptureSet,
    (name, given): (&str, Given),
    mut recorder: PageRecorder,
    mut server: WebServer,
    deliver: impl FnOnce(&Summary) -> anyhow::Result<T>,
) -> anyhow::Result<T> {
    let mut stop = Stop::new(None)?;
    for line in server.places() {
        say(&line);
    }
    let mut analysis = Analysis::new(source.header()).with(given);
    let mut batch = Vec::new();
    let mut stopped = false;
    loop {
        // Whoever asks is answered between two batches.
        tokio::select! {
            biased;
            () = stop.wait() => {
                stopped = true;
                break;
            }
            ask = server.asked() => {
                answer(ask, &recorder, || analysis.so_far(SourceKind::Capture, name), "Being read");
                continue;
            }
            () = std::future::ready(()) => {}
        }
        let more = source.read(&mut batch);
        for record in batch.drain(..) {
            analysis.take(&record, &mut |t, event| recorder.event(t, &event));
            recorder.record(&record);
        }
        source.messages().iter().for_each(|message| say(message));
        match more {
            Ok(true) => {}
            Ok(false) => break,
            Err(error) => {
                say(&error.to_string());
                break;
            }
        }
    }
    let mut events = |t, event| recorder.event(t, &event);
    let unreadable = source.unreadable();
    let finished = analysis.finish_with_state(SourceKind::Capture, name, unreadable, &mut events);
    source.finish()?;
    let delivered = deliver(&finished.summary)?;
    if !stopped {
        say("all is read; the page stays until Ctrl-C");
        loop {
            tokio::select! {
                biased;
                () = stop.wait() => break,
                ask = server.asked() => answer(ask, &recorder, || finished.clone(), "Read"),
            }
        }
    }
    Ok(delivered)
}

/// An error of sending means that the client is gone. A capture takes no marks, and has no metrics.
fn answer(ask: Ask, recorder: &PageRecorder, now: impl FnOnce() -> Finished, going: &str) {
    if let Ask::Page(send) = ask {
        let _ = send.send(recorder.snapshot(now(), going));
    }
}
