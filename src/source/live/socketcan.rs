//! The live source: a SocketCAN interface, listened to. Nothing in here can send: no frame is
//! ever written to the socket, and a controller that could answer on the bus is refused.
//!
//! Times are the kernel's at reception (`SO_TIMESTAMPNS`, `CLOCK_REALTIME`), never those of
//! reading. An adapter's own stamps are not used: they count from a moment of the adapter's
//! choosing, drift against the host's clock and start anew after unplugging, and nothing in a
//! frame says by how much.
//!
//! Frames that the kernel drops on the socket are recorded as lost, exactly and in place; those
//! that no frame came after, when the watch stops. Those that the driver received and the
//! kernel dropped before the socket are recorded once a second while frames come. What an
//! adapter drops by itself shows, if at all, as an error frame with a receive overflow, without
//! a number; what passes while the link is down, not at all. Frames longer than classical ones
//! are not handed out by the kernel to a classical socket and are not seen.

use std::mem;
use std::time::Duration;

use jiff::Timestamp;

use super::LiveError;
use super::adapter::{listen_settings, set_up_command};
use super::link::{Link, LinkError};
use super::receiver::{Receiver, is_link_gone};
use super::sleep::{self, SleepMeter};
use crate::source::{LiveOptions, LiveSource, SourceError};
use crate::wire::{Clock, Header, Nanos, Record, What};
use crate::words::numbers::duration;

/// How often an interface that is down is looked at.
const LOOK_AGAIN: Duration = Duration::from_millis(100);

/// How long after the link went down the reason is looked for: the interface of an unplugged
/// adapter first goes down and then vanishes.
const SETTLE: Duration = Duration::from_millis(300);

/// A CAN interface, listened to.
#[derive(Debug)]
pub struct SocketCanSource {
    header: Header,
    options: LiveOptions,
    state: LinkState,
    /// Trunk time zero, in nanoseconds since the epoch of the kernel's clock.
    zero: i64,
    /// The time of the last record.
    last: Nanos,
    room: usize,
    /// The interface's own drop counter when it was last looked at, and when that was.
    dropped: u64,
    dropped_at: Nanos,
    sleep: SleepMeter,
    messages: Vec<String>,
}

#[derive(Debug)]
enum LinkState {
    Listening(Receiver),
    /// The link went down just now; why is not known yet.
    Falling {
        since: Nanos,
    },
    /// The link is down. The reason that it is not listened to again was recorded once.
    Down {
        refused: Option<String>,
    },
}

impl SocketCanSource {
    /// Starts to listen. Needs a tokio runtime with I/O and time.
    ///
    /// # Errors
    /// If there is no such interface, it is no CAN interface, it is down, its controller could
    /// send, or its bit rate is not the one asked for: one line that says so and what to do.
    pub fn open(options: LiveOptions) -> Result<SocketCanSource, SourceError> {
        let name = options.interface.clone();
        let link = Link::find(&name)?;
        let settings = listen_settings(&link, &options)?;
        let started = Timestamp::now();
        let zero = i64::try_from(started.as_nanosecond()).map_err(|_| LiveError::ClockTooLate)?;
        let receiver = Receiver::open(link.index, zero)
            .map_err(|error| LiveError::CannotListen { name: name.clone(), error })?;
        let header = Header {
            started,
            bitrate: settings.bitrate,
            interface: Some(name),
            listen_only: settings.listen_only,
            reports_errors: settings.reports_errors,
            clock: Some(Clock::Kernel),
            tool: Some(Header::TOOL.into()),
        };
        let trouble =
            settings.trouble.map(|state| format!("{}: the controller is {state}", link.name));
        let blind = (settings.reports_errors == Some(false)).then(|| {
            format!(
                "{}: bus errors are not reported, so that none is counted; set it with: {}",
                link.name,
                set_up_command(&link, &options)
            )
        });
        Ok(SocketCanSource {
            header,
            options,
            room: receiver.room(),
            state: LinkState::Listening(receiver),
            zero,
            last: Nanos::ZERO,
            dropped: link.dropped,
            dropped_at: Nanos::ZERO,
            sleep: SleepMeter::new(Nanos::ZERO),
            messages: trouble.into_iter().chain(blind).collect(),
        })
    }

    fn keep_last(&mut self, first: usize, batch: &[Record]) {
        if let Some(record) = batch[first..].last() {
            self.last = record.t;
        }
    }

    /// Records the frames that the interface counts as received and dropped since the last call.
    fn dropped_before_the_socket(&mut self, now: Nanos, batch: &mut Vec<Record>) {
        self.dropped_at = now;
        let Ok(link) = Link::read(&self.options.interface) else {
            return; // going down; the socket says so itself
        };
        let t = batch.last().map_or(now, |record| record.t.max(now));
        if let Some(lost @ 1..) = link.dropped.checked_sub(self.dropped) {
            batch.push(Record { t, what: What::Lost(lost) });
        }
        self.dropped = link.dropped;
    }

    async fn listen(&mut self, batch: &mut Vec<Record>) -> Result<(), SourceError> {
        let LinkState::Listening(receiver) = &mut self.state else { return Ok(()) };
        let first = batch.len();
        let result = tokio::select! {
            result = receiver.receive(batch) => result,
            () = tokio::time::sleep(sleep::LOOK) => Ok(()),
        };
        self.look_for_sleep(first, batch);
        self.keep_last(first, batch);
        let now = self.now();
        match result {
            Ok(()) => {
                if now.since(self.dropped_at).is_none_or(|span| span >= Nanos::SECOND) {
                    self.dropped_before_the_socket(now, batch);
                }
            }
            Err(error) if is_link_gone(&error) => {
                let LinkState::Listening(receiver) = &mut self.state else { return Ok(()) };
                receiver.drain(now, batch);
                self.keep_last(first, batch);
                self.state = LinkState::Falling { since: now.max(self.last) };
            }
            Err(error) => {
                let name = self.options.interface.clone();
                return Err(LiveError::Interrupted { name, error }.into());
            }
        }
        self.keep_last(first, batch);
        Ok(())
    }

    /// Records that the computer slept, if it did.
    fn look_for_sleep(&mut self, first: usize, batch: &mut Vec<Record>) {
        let Some(slept) = self.sleep.look(self.now(), first, batch) else { return };
        self.messages.push(format!(
            "{}: the computer slept for {}; nothing was heard meanwhile. To keep it awake as long as \
             it listens: systemd-inhibit --what=sleep:idle:handle-lid-switch dropline watch …",
            self.options.interface,
            duration(slept.as_secs())
        ));
    }

    /// Records that the link went down, and why.
    fn fell(&mut self, since: Nanos, batch: &mut Vec<Record>) {
        let name = &self.options.interface;
        let (why, link) = match Link::read(name) {
            Err(LinkError::Missing) => ("adapter unplugged", Link::absent(name)),
            Ok(link) if !link.is_up => ("interface set down", link),
            Ok(link) => ("interface was down for a moment", link),
            Err(LinkError::Netlink(_)) => ("interface down", Link::absent(name)),
        };
        batch.push(Record { t: since, what: What::LinkDown(Some(why.into())) });
        self.state = LinkState::Down { refused: None };
        if !link.is_up {
            let command = set_up_command(&link, &self.resumed());
            self.messages
                .push(format!("{name}: {why}; waiting for it. When it is there again: {command}"));
        }
    }

    /// Listens again if the interface is there and fit for it. A reason against is recorded once.
    fn rise(&mut self, batch: &mut Vec<Record>) {
        let LinkState::Down { refused } = &self.state else { return };
        let link = match Link::read(&self.options.interface) {
            Ok(link) if link.is_up => link,
            _ => return,
        };
        let refusal = match self.fit_to_resume(&link) {
            Ok(()) => match Receiver::open(link.index, self.zero) {
                Ok(receiver) => {
                    // The socket is bound: frames are received from here on.
                    batch.push(Record { t: self.now(), what: What::LinkUp });
                    // Whatever it slept before, the link was down.
                    self.sleep = SleepMeter::new(self.now());
                    self.dropped = link.dropped;
                    self.state = LinkState::Listening(receiver);
                    self.messages.push(format!("{}: up again, listening", link.name));
                    return;
                }
                Err(error) if is_link_gone(&error) => return,
                Err(error) => LiveError::CannotListen { name: link.name, error }.to_string(),
            },
            Err(refusal) => refusal.to_string(),
        };
        if refused.as_ref() != Some(&refusal) {
            self.messages.push(refusal.clone());
            let mark = format!("not listened to again: {refusal}");
            batch.push(Record { t: self.now(), what: What::Mark(mark.into()) });
            self.state = LinkState::Down { refused: Some(refusal) };
        }
    }

    /// Whether the interface that came back may be listened to: it may be set differently now.
    fn fit_to_resume(&self, link: &Link) -> Result<(), LiveError> {
        let settings = listen_settings(link, &self.resumed())?;
        if settings.bitrate.is_some() && self.header.bitrate.is_none() {
            return Err(LiveError::BitrateAppeared(link.name.clone()));
        }
        Ok(())
    }

    /// The options for the interface when it comes back: the bit rate is that of the header.
    fn resumed(&self) -> LiveOptions {
        LiveOptions { bitrate: self.header.bitrate, ..self.options.clone() }
    }
}

impl LiveSource for SocketCanSource {
    fn header(&self) -> &Header {
        &self.header
    }

    async fn receive(&mut self, batch: &mut Vec<Record>) -> Result<(), SourceError> {
        let first = batch.len();
        while batch.len() == first {
            match &self.state {
                LinkState::Listening(_) => self.listen(batch).await?,
                &LinkState::Falling { since } => {
                    tokio::time::sleep(SETTLE).await;
                    self.fell(since, batch);
                }
                LinkState::Down { .. } => {
                    tokio::time::sleep(LOOK_AGAIN).await;
                    self.rise(batch);
                }
            }
        }
        self.keep_last(first, batch);
        Ok(())
    }

    fn stop(&mut self, batch: &mut Vec<Record>) -> Nanos {
        let first = batch.len();
        let now = self.now();
        match mem::replace(&mut self.state, LinkState::Down { refused: None }) {
            LinkState::Listening(mut receiver) => {
                receiver.drain(now, batch);
                self.look_for_sleep(first, batch);
                self.dropped_before_the_socket(now, batch);
            }
            LinkState::Falling { since } => self.fell(since, batch),
            down @ LinkState::Down { .. } => self.state = down,
        }
        self.keep_last(first, batch);
        self.now()
    }

    /// A clock that was set back since the last record does not move what is recorded now.
    fn now(&self) -> Nanos {
        let now = i64::try_from(Timestamp::now().as_nanosecond()).unwrap_or(i64::MAX);
        Nanos(now.saturating_sub(self.zero)).max(self.last)
    }

    fn buffer_bytes(&self) -> usize {
        self.room
    }

    fn messages(&mut self) -> Vec<String> {
        mem::take(&mut self.messages)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn open(interface: &str) -> String {
        let options =
            LiveOptions { interface: interface.into(), bitrate: None, allow_active: false };
        SocketCanSource::open(options).unwrap_err().to_string()
    }

    #[test]
    fn an_interface_that_is_not_there_or_not_can_is_one_clear_line() {
        let missing = open("no-such-if0");
        assert!(missing.starts_with("no interface is named \"no-such-if0\"; "), "{missing}");
        assert_eq!(missing.lines().count(), 1);
        assert_eq!(open("lo"), "lo is not a CAN interface");
        assert_eq!(open("a\nb").lines().count(), 1);
    }
}
