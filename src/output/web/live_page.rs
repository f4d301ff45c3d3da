//! The page as it is now: made anew at most once a second for all readers together, and to those that
//! follow only what changed is sent. Without a reader nothing is made.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, OnceLock};
use std::time::{Duration, Instant};

use hyper::body::Bytes;
use jiff::tz::TimeZone;
use serde_json::json;
use tokio::sync::{Mutex, mpsc, oneshot, watch};
use tokio::task::spawn_blocking;
use tokio::time::{MissedTickBehavior, interval, timeout};

use super::Ask;
use crate::analysis::Finished;
use crate::output::event_log::EventDigest;
use crate::output::report::{PagePart, PageState, PlotError, Report, live_page};
use crate::trunk::ScanRecorder;

/// How often the page is made anew while somebody follows it.
const EVERY: Duration = Duration::from_secs(1);
/// How often its plots are: they are most of its bytes and change slowly.
const PLOTS_EVERY: Duration = Duration::from_secs(5);
/// The longest that the watch may take for its answer.
const READING: Duration = Duration::from_secs(5);

/// Everything that the page is made of.
#[derive(Debug)]
pub struct PageSnapshot {
    /// The analysis so far.
    pub finished: Finished,
    /// What happened.
    pub log: EventDigest,
    /// Scans, for the report.
    pub scans: Option<ScanRecorder>,
    /// Where times of day are told.
    pub zone: TimeZone,
    /// What stands beside the report's sections.
    pub state: PageState,
}

impl PageSnapshot {
    fn report(&self) -> Report<'_> {
        Report {
            finished: &self.finished,
            log: &self.log,
            scans: self.scans.as_ref(),
            baseline: None,
            trend: None,
            site: None,
            by: None,
            zone: &self.zone,
            files: &[],
        }
    }
}

/// The parts of the page, each with the number of the making in which it last changed.
#[derive(Debug, Clone, Default)]
pub(super) struct Made {
    pub(super) making: u64,
    title: String,
    state: PageState,
    parts: Vec<(u64, PagePart)>,
    /// What is sent to those that have nothing yet, and to those that have the making before; the same
    /// bytes for all of them.
    all: OnceLock<Bytes>,
    newest: OnceLock<Bytes>,
}

impl Made {
    fn next(&self, snapshot: &PageSnapshot, with_plots: bool) -> Result<Made, PlotError> {
        let report = snapshot.report();
        let making = self.making + 1;
        let mut new = report.text_parts(&snapshot.state);
        if with_plots {
            new.extend(report.plot_parts()?);
        }
        let mut parts = self.parts.clone();
        for part in new {
            match parts.iter_mut().find(|(_, old)| old.id == part.id) {
                Some((_, old)) if *old == part => {}
                Some(place) => *place = (making, part),
                None => parts.push((making, part)),
            }
        }
        let title = report.live_title(&snapshot.state);
        let state = snapshot.state.clone();
        Ok(Made { making, title, state, parts, ..Made::default() })
    }

    pub(super) fn page(&self) -> String {
        let parts: Vec<PagePart> = self.parts.iter().map(|(_, part)| part.clone()).collect();
        live_page(&self.title, &self.state, &parts)
    }

    /// What changed after a making, as server-sent events (HTML standard, section 9.2).
    pub(super) fn since(&self, making: u64) -> Bytes {
        let events = || Bytes::from(self.events_since(making));
        match making {
            0 => self.all.get_or_init(events).clone(),
            _ if making + 1 == self.making => self.newest.get_or_init(events).clone(),
            // Whoever was slow.
            _ => events(),
        }
    }

    fn events_since(&self, making: u64) -> String {
        if making == self.making {
            // A comment: the server is there, but nothing is newer than what was sent.
            return ":\n\n".to_owned();
        }
        let title = json!(self.title);
        let mut events = format!("event: alive\ndata: {}\n\n", self.making);
        events += &format!("event: title\ndata: {title}\n\n");
        for (_, part) in self.parts.iter().filter(|(changed, _)| *changed > making) {
            // JSON has no line breaks, which would end the event.
            let data = json!({ "id": part.id, "html": part.html });
            events += &format!("event: part\ndata: {data}\n\n");
        }
        events
    }
}

/// The page, and who follows it.
#[derive(Debug)]
pub(super) struct LivePage {
    asks: mpsc::Sender<Ask>,
    times: Mutex<Times>,
    made: watch::Sender<Arc<Made>>,
    followers: AtomicUsize,
}

/// When it was last made.
#[derive(Debug, Default)]
struct Times {
    all: Option<Instant>,
    plots: Option<Instant>,
}

impl LivePage {
    pub(super) fn new(asks: mpsc::Sender<Ask>) -> LivePage {
        LivePage {
            asks,
            times: Mutex::default(),
            made: watch::Sender::new(Arc::default()),
            followers: AtomicUsize::new(0),
        }
    }

    /// The page, made anew if it is not of this second; `None`: the watch gave no answer in time.
    pub(super) async fn current(&self) -> Option<Arc<Made>> {
        let mut times = self.times.lock().await;
        let is_older = |made: Option<Instant>, than| made.is_none_or(|made| made.elapsed() >= than);
        if is_older(times.all, EVERY * 9 / 10) {
            let with_plots = is_older(times.plots, PLOTS_EVERY);
            let snapshot = self.snapshot().await?;
            let before = Arc::clone(&self.made.borrow());
            let made = spawn_blocking(move || before.next(&snapshot, with_plots)).await.ok()?;
            let made = made.inspect_err(|error| tracing::warn!("{error}")).ok()?;
            self.made.send_replace(Arc::new(made));
            times.all = Some(Instant::now());
            if with_plots {
                times.plots = times.all;
            }
        }
        Some(Arc::clone(&self.made.borrow()))
    }

    /// The report as it would be if the watch ended now.
    pub(super) async fn report(&self) -> Option<(String, String)> {
        let snapshot = self.snapshot().await?;
        spawn_blocking(move || {
            let html = snapshot.report().to_html().ok()?;
            Some((snapshot.state.name.clone(), html))
        })
        .await
        .ok()?
    }

    async fn snapshot(&self) -> Option<Box<PageSnapshot>> {
        let (send, answer) = oneshot::channel();
        let asked = async {
            self.asks.send(Ask::Page(send)).await.ok()?;
            answer.await.ok()
        };
        timeout(READING, asked).await.ok()?
    }

    /// Makes the page anew for as long as somebody follows it. Does not end.
    pub(super) async fn keep_current(&self) {
        let mut tick = interval(EVERY);
        tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
        loop {
            tick.tick().await;
            if self.followers.load(Ordering::Relaxed) > 0 {
                self.current().await;
            }
        }
    }

    /// Counts somebody who follows the page, for as long as what is returned is kept.
    pub(super) fn followed(&self) -> Followed<'_> {
        self.followers.fetch_add(1, Ordering::Relaxed);
        Followed { page: self, made: self.made.subscribe() }
    }
}

/// The page, followed by somebody.
#[derive(Debug)]
pub(super) struct Followed<'a> {
    page: &'a LivePage,
    made: watch::Receiver<Arc<Made>>,
}

impl Followed<'_> {
    /// The page as it is now.
    pub(super) fn now(&mut self) -> Arc<Made> {
        Arc::clone(&self.made.borrow_and_update())
    }

    /// Waits until it is made anew; false: it is not any more.
    pub(super) async fn changed(&mut self) -> bool {
        self.made.changed().await.is_ok()
    }
}

impl Drop for Followed<'_> {
    fn drop(&mut self) {
        self.page.followers.fetch_sub(1, Ordering::Relaxed);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::Analysis;
    use crate::health::summary::SourceKind;
    use crate::sim::SimSource;

    fn snapshot(seconds: f64) -> PageSnapshot {
        let mut source = SimSource::demo();
        let mut analysis = Analysis::new(source.header());
        let mut log = EventDigest::default();
        let mut batch = Vec::new();
        while source.next_records(&mut batch) {
            for record in batch.drain(..).filter(|record| record.t.as_secs() < seconds) {
                analysis.take(&record, &mut |t, event| log.event(t, &event));
            }
        }
        PageSnapshot {
            finished: analysis.so_far(SourceKind::Live, "can0"),
            log,
            scans: None,
            zone: TimeZone::UTC,
            state: PageState { name: "can0".into(), going: "listening".into(), marks: false },
        }
    }

    #[test]
    fn only_what_changed_is_sent() {
        let first = Made::default().next(&snapshot(5.0), true).unwrap();
        let all = first.events_since(0);
        assert_eq!(all.matches("event: part\n").count(), 11);
        // The same trunk, the same page.
        let again = first.next(&snapshot(5.0), true).unwrap();
        assert_eq!(again.events_since(first.making).matches("event: part\n").count(), 0);
        assert!(again.events_since(first.making).contains("event: alive\n"));
        // A watch that gives no answer must not look alive.
        assert_eq!(again.since(again.making), ":\n\n");
        // Whoever is up to date gets the same bytes as all others that are.
        let newest = again.since(first.making);
        assert_eq!(newest.as_ptr(), again.since(first.making).as_ptr());
        // Time goes on; without new plots.
        let later = again.next(&snapshot(8.0), false).unwrap();
        let changed = later.events_since(again.making);
        assert!(changed.contains("\"id\":\"now\"") && !changed.contains("\"id\":\"load-part\""));
        assert!(changed.lines().all(|line| line.is_empty() || line.contains(": ")), "{changed}");
        // A slow follower gets all of it at once.
        assert!(later.since(0).len() > changed.len());
        assert_eq!(later.since(first.making), later.events_since(first.making));
    }

    #[test]
    fn the_page_stands_without_its_script() {
        let made = Made::default().next(&snapshot(8.0), true).unwrap();
        let page = made.page();
        for (_, part) in &made.parts {
            assert!(page.contains(&part.html), "{}", part.id);
        }
        assert!(page.contains("not a safety device") && page.contains("Before any check"));
        let before = page.find("Before any check").unwrap();
        assert!(before < page.find("class=\"checks\"").unwrap(), "cautions come first");
        // Nothing that the policy of the page forbids.
        assert!(
            !page.contains(" style=") && !page.contains("<style") && !page.contains(" onclick")
        );
    }
}
