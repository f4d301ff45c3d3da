//! Plays a capture through the view: in its own time or faster, paused, on to an event or a time.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use anyhow::anyhow;
use jiff::tz::TimeZone;
use tokio::time::sleep;

use super::stop::Stop;
use super::view::View;
use crate::analysis::{Analysis, Given};
use crate::fieldbus::MacId;
use crate::health::Context;
use crate::output::view::{Playback, Seen, Subject, Wish};
use crate::source::{self, ReadAhead, ReadOptions, Reader};
use crate::trunk::Trunk;
use crate::wire::{Nanos, Record};

/// Speeds to choose from: seconds of the trunk in one.
const SPEEDS: [f64; 12] = [0.01, 0.1, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0, 100.0, 300.0, 1000.0];
const REAL_TIME: usize = 4;
/// The longest time of work before keys are read.
const AT_A_STRETCH: Duration = Duration::from_millis(20);
/// How often the view gets new numbers while nothing is due.
const LOOK: Duration = Duration::from_millis(100);

/// A capture being played, or all pieces of one.
struct ReplayView {
    captures: Vec<PathBuf>,
    options: ReadOptions,
    source: ReadAhead,
    analysis: Analysis,
    batch: std::vec::IntoIter<Record>,
    next: Option<Record>,
    more: bool,
    view: View,
    /// The time up to which the capture has been played, and when that was.
    at: Nanos,
    since: Instant,
    paused: bool,
    speed: usize,
    goal: Option<SeekTarget>,
    /// The trunk at the end of the capture.
    ended: Option<Trunk>,
    end: Option<Nanos>,
    /// Something has changed since the view was last updated.
    news: bool,
    shown_page: Option<MacId>,
}

/// What the replay runs ahead to.
#[derive(Debug, Clone, Copy, PartialEq)]
enum SeekTarget {
    Time(Nanos),
    Event,
}

/// Plays a capture until the user ends it.
pub(super) async fn play(
    captures: Vec<PathBuf>,
    options: ReadOptions,
    name: String,
    given: Given,
    zone: TimeZone,
) -> anyhow::Result<()> {
    let source = open(&captures, &options)?;
    let subject = Subject { name, header: source.header().clone(), live: false, zone };
    let no_terminal = |error| anyhow!("cannot use the terminal: {error}");
    let analysis = Analysis::new(source.header()).with(given);
    // Before the terminal is taken: whatever ends it gives it back.
    let stop = Stop::new(None)?;
    let view = View::start(subject).map_err(no_terminal)?;
    let replay = ReplayView {
        captures,
        options,
        source,
        analysis,
        batch: Vec::new().into_iter(),
        next: None,
        more: true,
        view,
        at: Nanos::ZERO,
        since: Instant::now(),
        paused: false,
        speed: REAL_TIME,
        goal: None,
        ended: None,
        end: None,
        news: true,
        shown_page: None,
    };
    replay.run(stop).await
}

fn open(captures: &[PathBuf], options: &ReadOptions) -> anyhow::Result<ReadAhead> {
    Ok(source::open_all(captures, options)?)
}

impl ReplayView {
    async fn run(mut self, mut stop: Stop) -> anyhow::Result<()> {
        loop {
            while let Some(wish) = self.view.wish_now() {
                if self.grant(wish)? {
                    return self.close();
                }
            }
            let busy = self.work();
            self.show();
            let wait = if busy { Duration::ZERO } else { LOOK.min(self.until_next()) };
            let wish = tokio::select! {
                biased;
                () = stop.wait() => Some(Wish::Quit),
                wish = self.view.wish() => match wish {
                    Some(wish) => Some(wish),
                    None => return self.close(),
                },
                () = sleep(wait) => None,
            };
            if let Some(wish) = wish
                && self.grant(wish)?
            {
                return self.close();
            }
        }
    }

    fn close(self) -> anyhow::Result<()> {
        self.view.close().map_err(|error| anyhow!("the view ended: {error}"))
    }

    /// Plays what is due, for a stretch at most. `true`: there is more to do at once.
    fn work(&mut self) -> bool {
        let until = match self.goal {
            Some(SeekTarget::Time(t)) => t,
            Some(SeekTarget::Event) => Nanos(i64::MAX),
            None if self.paused || self.ended.is_some() => return false,
            None => self.due(),
        };
        let begun = Instant::now();
        loop {
            // Reading the clock for every record would cost more than the record.
            for _ in 0..256 {
                let Some(t) = self.peek() else {
                    self.reach_end();
                    return false;
                };
                if t > until {
                    self.arrive(until);
                    return false;
                }
                self.take_next();
                if self.goal == Some(SeekTarget::Event) && self.view.narrator().has_lines() {
                    self.paused = true;
                    self.arrive(t);
                    return false;
                }
            }
            if begun.elapsed() > AT_A_STRETCH {
                // Slower than the speed that was chosen: show the time of the records.
                self.at = self.analysis.trunk().now();
                self.since = Instant::now();
                return true;
            }
        }
    }

    /// The time of the next record.
    fn peek(&mut self) -> Option<Nanos> {
        while self.next.is_none() {
            self.next = self.batch.next();
            if self.next.is_some() || !self.more {
                break;
            }
            let mut records = Vec::new();
            let more = self.source.read(&mut records);
            let now = self.analysis.trunk().now();
            for message in self.source.messages() {
                self.view.say(now, &message);
            }
            self.more = match more {
                Ok(more) => more,
                Err(error) => {
                    self.view.say(now, &error.to_string());
                    false
                }
            };
            self.batch = records.into_iter();
        }
        self.next.as_ref().map(|record| record.t)
    }

    fn take_next(&mut self) {
        let Some(record) = self.next.take() else { return };
        let narrator = self.view.narrator();
        self.analysis.take(&record, &mut |t, event| narrator.event(t, event));
        narrator.record(&record);
        self.news = true;
    }

    fn arrive(&mut self, at: Nanos) {
        self.goal = None;
        self.at = at;
        self.since = Instant::now();
    }

    fn reach_end(&mut self) {
        let end = self.analysis.trunk().now();
        self.arrive(end);
        // Decide what is still open, as the summary does.
        let mut trunk = self.analysis.trunk().clone();
        let narrator = self.view.narrator();
        trunk.finish(&mut |t, event| narrator.event(t, event));
        self.ended = Some(trunk);
        self.end = Some(end);
        self.news = true;
    }

    /// The time up to which records are due now.
    fn due(&self) -> Nanos {
        let elapsed = self.since.elapsed().as_secs_f64() * SPEEDS[self.speed];
        self.at.plus(Nanos((elapsed * 1e9) as i64))
    }

    fn until_next(&self) -> Duration {
        match &self.next {
            Some(record) if !self.paused && self.goal.is_none() => {
                let ahead = record.t.0.saturating_sub(self.due().0).max(0) as f64;
                // Take records together that follow closely.
                let wait = Duration::from_secs_f64(ahead / 1e9 / SPEEDS[self.speed]);
                wait.max(Duration::from_millis(20))
            }
            _ => LOOK,
        }
    }

    fn show(&mut self) {
        let playing = !self.paused && self.ended.is_none();
        let page = self.view.page();
        if !(self.view.wants() && (self.news || playing || page != self.shown_page)) {
            return;
        }
        let now = match (playing, self.goal) {
            (_, Some(_)) => self.analysis.trunk().now(),
            (true, None) => self.due(),
            (false, None) => self.at,
        };
        let playback = Playback {
            paused: self.paused,
            speed: SPEEDS[self.speed],
            seeking: self.goal.is_some(),
            ended: self.ended.is_some(),
            at: now,
            end: self.end,
        };
        let context = Context::new(self.source.header(), self.source.unreadable());
        let trunk = self.ended.as_ref().unwrap_or(self.analysis.trunk());
        let seen = Seen { trunk, ..Seen::from(&self.analysis) };
        self.view.show(seen, &context, self.ended.is_some(), Some(playback), &[]);
        self.shown_page = page;
        self.news = false;
    }

    /// Does what the user wants. `true`: end the replay.
    fn grant(&mut self, wish: Wish) -> anyhow::Result<bool> {
        let now = if self.paused || self.ended.is_some() { self.at } else { self.due() };
        self.news = true;
        match wish {
            Wish::Quit => return Ok(true),
            Wish::Pause if self.ended.is_some() => {
                self.paused = false;
                self.restart()?;
            }
            Wish::Pause => {
                self.arrive(now);
                self.paused = !self.paused;
            }
            Wish::NextEvent => {
                // What has happened already is not the next event.
                self.goal = self.ended.is_none().then_some(SeekTarget::Event);
                self.view.hold_lines();
            }
            Wish::Faster | Wish::Slower => {
                self.arrive(now);
                let faster = (self.speed + 1).min(SPEEDS.len() - 1);
                self.speed =
                    if wish == Wish::Faster { faster } else { self.speed.saturating_sub(1) };
            }
            Wish::GoTo(t) => self.go_to(t)?,
            Wish::Skip(span) => self.go_to(Nanos(now.plus(span).0.max(0)))?,
            // Only a live trunk can be marked; the screen says so.
            Wish::Mark(_) => {}
        }
        Ok(false)
    }

    fn go_to(&mut self, t: Nanos) -> anyhow::Result<()> {
        if t < self.at || t < self.analysis.trunk().now() {
            self.restart()?;
        }
        self.goal = self.ended.is_none().then_some(SeekTarget::Time(t));
        Ok(())
    }

    /// Starts again from the beginning, since the analysis cannot run backwards.
    fn restart(&mut self) -> anyhow::Result<()> {
        self.source = open(&self.captures, &self.options)?;
        let anew = Analysis::new(self.source.header());
        let given = std::mem::replace(&mut self.analysis, anew).into_given();
        self.analysis = Analysis::new(self.source.header()).with(given);
        self.batch = Vec::new().into_iter();
        self.next = None;
        self.more = true;
        self.ended = None;
        self.view.start_anew();
        self.arrive(Nanos::ZERO);
        Ok(())
    }
}
