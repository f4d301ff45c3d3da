//! The thread that writes a capture: from the queue into the file, through outages.

use std::io::{self, ErrorKind};
use std::path::Path;
use std::sync::{Arc, mpsc};
use std::time::{Duration, Instant};

use super::WriterOptions;
use super::packer::Packer;
use super::queue::{Dropped, Queue, Taken};
use super::tail::{Sink, Tail};
use crate::source::Complaints;
use crate::wire::{Record, Tally, What, write_record};

/// How much text is gathered before it is packed and given to the system.
const GATHER: usize = 256 * 1024;

/// What may wait for the disk to confirm it, before that is forced early.
const AT_RISK: usize = 8 * 1024 * 1024;

/// The account that the thread gives when it ends.
#[derive(Debug, Default)]
pub struct Done {
    pub bytes: u64,
    pub tally: Tally,
    pub lost: u64,
    pub failures: u64,
    pub end: Option<Record>,
}

pub struct Thread<S> {
    tail: Tail<S>,
    packer: Packer,
    queue: Arc<Queue>,
    /// Text not yet packed.
    lines: Vec<u8>,
    /// What is in the text and all before it.
    tally: Tally,
    /// What is in the file.
    in_file: Tally,
    /// What is safe on the disk.
    on_disk: Tally,
    /// Frames that found no room in the queue.
    dropped: u64,
    failures: u64,
    synced: Instant,
    /// The watch has ended and the disk takes nothing: the rest is only counted.
    given_up: bool,
    options: WriterOptions,
    complaints: Complaints,
    messages: mpsc::Sender<String>,
}

impl<S: Sink> Thread<S> {
    pub fn new(
        path: &Path,
        tail: Tail<S>,
        packer: Packer,
        queue: Arc<Queue>,
        options: &WriterOptions,
        messages: mpsc::Sender<String>,
    ) -> Thread<S> {
        Thread {
            tail,
            packer,
            queue,
            lines: Vec::with_capacity(GATHER + GATHER / 4),
            tally: Tally::default(),
            in_file: Tally::default(),
            on_disk: Tally::default(),
            dropped: 0,
            failures: 0,
            synced: Instant::now(),
            given_up: false,
            options: options.clone(),
            complaints: Complaints::about(path.display()),
            messages,
        }
    }

    /// Writes until the queue is finished.
    pub fn run(mut self) -> Done {
        let end = loop {
            let due = self.synced + self.options.sync_every;
            let idle = self.lines.is_empty() && self.tail.at_risk() == 0;
            match self.queue.take((!idle).then_some(due)) {
                Taken::Records(records) => self.gather(&records),
                Taken::Dropped(dropped) => self.gather_dropped(dropped),
                Taken::Nothing => {}
                Taken::Finished(t) => {
                    break t.map(|t| Record { t, what: What::End(self.tally) });
                }
            }
            let result = if self.given_up {
                Ok(())
            } else if Instant::now() >= due || self.tail.at_risk() > AT_RISK {
                self.sync()
            } else if self.lines.len() >= GATHER {
                self.write()
            } else {
                Ok(())
            };
            if let Err(error) = result {
                self.wait_out(&error);
            }
        };
        if !self.given_up {
            if let Some(end) = &end {
                write_record(&mut self.lines, end);
            }
            if let Err(error) = self.close() {
                self.failures += 1;
                self.say(reason(&error));
                self.given_up = true;
            }
        }
        if self.given_up {
            self.say("what waited in memory is lost; the capture ends without it");
        }
        self.complaints.close();
        self.tell();
        let received = |tally: Tally| tally.frames + tally.error_frames;
        Done {
            bytes: self.tail.length(),
            tally: self.in_file,
            lost: self.dropped + received(self.tally) - received(self.in_file),
            failures: self.failures,
            end: end.filter(|_| !self.given_up),
        }
    }

    fn gather(&mut self, records: &[Record]) {
        for record in records {
            if !matches!(record.what, What::End(_)) {
                self.tally.add(&record.what);
                if !self.given_up {
                    write_record(&mut self.lines, record);
                }
            }
        }
    }

    fn gather_dropped(&mut self, dropped: Dropped) {
        let Dropped { t, here, before } = dropped;
        self.dropped += here;
        let lost = Record { t, what: What::Lost(here.saturating_add(before)) };
        self.gather(&[lost]);
        if here > 0 {
            self.say(format_args!(
                "{here} frames are missing from the capture at {:.3} s, not from the watch: the \
                 disk did not take them in time",
                t.as_secs()
            ));
        }
    }

    fn pack(&mut self) -> io::Result<()> {
        if !self.lines.is_empty() {
            self.packer.pack(&self.lines, self.tail.pending())?;
            self.lines.clear();
        }
        Ok(())
    }

    fn close(&mut self) -> io::Result<()> {
        self.pack()?;
        self.packer.end(self.tail.pending())?;
        self.sync()
    }

    fn write(&mut self) -> io::Result<()> {
        self.pack()?;
        self.tail.write()?;
        self.in_file = self.tally;
        Ok(())
    }

    fn sync(&mut self) -> io::Result<()> {
        self.synced = Instant::now();
        self.write()?;
        if let Err(error) = self.tail.sync() {
            self.in_file = self.on_disk;
            return Err(error);
        }
        self.on_disk = self.tally;
        Ok(())
    }

    /// Tries again and again, until the disk takes it or the watch ends. Meanwhile the queue
    /// fills up to its bound.
    fn wait_out(&mut self, error: &io::Error) {
        self.failures += 1;
        let megabytes = self.options.queue_bytes / 1_000_000;
        self.say(format_args!(
            "{}; the watch goes on, up to {megabytes} MB of records wait in memory",
            reason(error)
        ));
        let retry = self.options.retry_every.max(Duration::from_millis(1));
        loop {
            let last = self.queue.wait(retry);
            if self.sync().is_ok() {
                return self.say("can be written again");
            }
            if last {
                self.given_up = true;
                return;
            }
        }
    }

    fn say(&mut self, what: impl std::fmt::Display) {
        self.complaints.say(what);
        self.tell();
    }

    fn tell(&mut self) {
        for message in self.complaints.take() {
            // Nobody listens once the watch was given up.
            let _ = self.messages.send(message);
        }
    }
}

fn reason(error: &io::Error) -> String {
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded | ErrorKind::WriteZero => {
            "the disk is full: free some space".into()
        }
        _ => format!("cannot be written: {error}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_full_disk_is_named_as_such() {
        let full = io::Error::from_raw_os_error(28);
        assert_eq!(reason(&full), "the disk is full: free some space");
        assert!(reason(&io::Error::other("x")).starts_with("cannot be written"));
    }
}
