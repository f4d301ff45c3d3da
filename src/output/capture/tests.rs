//! The writer against disks that are slow, full, broken or gone, and read back.

use std::sync::{Condvar, Mutex};
use std::time::Duration;

use nix::errno::Errno;

use super::piece::SyncCall;
use super::*;
use crate::source::{ReadOptions, open_reader};
use crate::wire::{Frame, StandardId, What};

/// A disk under the test's control; its contents as a file would hold them.
#[derive(Clone, Default)]
struct Disk(Arc<(Mutex<DiskState>, Condvar)>);

#[derive(Default)]
struct DiskState {
    bytes: Vec<u8>,
    /// How much of it would outlive a power cut.
    safe: usize,
    room: Option<usize>,
    stuck: bool,
    waits: bool,
    sync_stuck: bool,
    sync_waits: bool,
    sync_fails: u32,
    cut_fails: u32,
    tries: u32,
    read_only: bool,
}

impl Disk {
    fn set(&self, change: impl FnOnce(&mut DiskState)) {
        change(&mut self.0.0.lock().unwrap());
        self.0.1.notify_all();
    }

    fn get<T>(&self, read: impl FnOnce(&DiskState) -> T) -> T {
        read(&self.0.0.lock().unwrap())
    }

    /// What a reader makes of it: all records, whether the end is torn, how much was unreadable.
    fn read(&self) -> (Vec<Record>, bool, u64) {
        self.get(|s| read(&s.bytes))
    }

    /// The same of what would outlive a power cut.
    fn read_safe(&self) -> (Vec<Record>, bool, u64) {
        self.get(|s| read(&s.bytes[..s.safe]))
    }

    /// Leaves no room for more than a torn line.
    fn fill_up(&self) {
        self.set(|s| s.room = Some(s.bytes.len() + 77));
    }

    /// Waits until it holds.
    fn until(&self, holds: impl Fn(&DiskState) -> bool) {
        let state = self.0.0.lock().unwrap();
        let wait = Duration::from_secs(20);
        let (_state, late) = self.0.1.wait_timeout_while(state, wait, |s| !holds(s)).unwrap();
        assert!(!late.timed_out(), "the writer never came so far");
    }
}

impl DiskState {
    fn writable(&self) -> io::Result<()> {
        if self.read_only { Err(Errno::EROFS.into()) } else { Ok(()) }
    }
}

impl Disk {
    fn sync(&self) -> io::Result<()> {
        // Of what is written later nothing is promised.
        let length = self.get(|s| s.bytes.len());
        self.set(|s| s.sync_waits = s.sync_stuck);
        let mut state = self.0.1.wait_while(self.0.0.lock().unwrap(), |s| s.sync_stuck).unwrap();
        state.writable()?;
        if state.sync_fails > 0 {
            state.sync_fails -= 1;
            // What a failed synchronisation leaves on a disk is anybody's guess.
            let safe = state.safe;
            state.bytes[safe..].fill(0);
            return Err(io::Error::from_raw_os_error(5));
        }
        state.safe = length;
        self.0.1.notify_all();
        Ok(())
    }
}

impl Sink for Disk {
    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.set(|s| s.waits = s.stuck);
        let mut state = self.0.1.wait_while(self.0.0.lock().unwrap(), |s| s.stuck).unwrap();
        state.tries += 1;
        self.0.1.notify_all();
        state.writable()?;
        let room = state.room.unwrap_or(usize::MAX).saturating_sub(state.bytes.len());
        state.bytes.extend_from_slice(&bytes[..bytes.len().min(room)]);
        self.0.1.notify_all();
        if room < bytes.len() { Err(io::Error::from_raw_os_error(28)) } else { Ok(()) }
    }

    fn syncer(&self) -> io::Result<SyncCall> {
        let disk = self.clone();
        Ok(Box::new(move || disk.sync()))
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        let mut state = self.0.0.lock().unwrap();
        state.tries += 1;
        self.0.1.notify_all();
        state.writable()?;
        if state.cut_fails > 0 {
            state.cut_fails -= 1;
            return Err(io::Error::from_raw_os_error(5));
        }
        state.bytes.truncate(length as usize);
        Ok(())
    }
}

fn header() -> Header {
    Header {
        started: "2026-03-02T06:30:00Z".parse().unwrap(),
        bitrate: None,
        interface: Some("can0".into()),
        listen_only: Some(true),
        reports_errors: None,
        clock: None,
        tool: None,
    }
}

fn frames(t: std::ops::Range<i64>) -> Vec<Record> {
    let frame = |t: i64| Frame::data(StandardId::new(0x45D).unwrap(), &t.to_be_bytes()).unwrap();
    t.map(|t| Record { t: Nanos(t), what: What::Frame(frame(t)) }).collect()
}

fn quick() -> WriterOptions {
    WriterOptions {
        sync_every: Duration::from_millis(5),
        retry_every: Duration::from_millis(5),
        ..WriterOptions::default()
    }
}

fn start(disk: &Disk, name: &str, options: &WriterOptions) -> CaptureWriter {
    CaptureWriter::start(Path::new(name), disk.clone(), &header(), options).unwrap()
}

/// A writer that has made the first 500 frames safe.
fn with_500_safe(name: &str) -> (Disk, CaptureWriter) {
    let disk = Disk::default();
    let mut writer = start(&disk, name, &quick());
    writer.send(&frames(0..500));
    disk.until(|s| s.safe > 1000 && s.safe == s.bytes.len());
    (disk, writer)
}

fn read(bytes: &[u8]) -> (Vec<Record>, bool, u64) {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), bytes).unwrap();
    let mut reader = open_reader(file.path(), &ReadOptions::default()).unwrap();
    assert_eq!(reader.header(), &header());
    let mut records = Vec::new();
    while reader.read(&mut records).unwrap() {}
    (records, reader.torn(), reader.unreadable())
}

const NAMES: [&str; 2] = ["a.jsonl", "a.jsonl.zst"];

#[test]
fn what_is_sent_is_read_back() {
    for name in NAMES {
        let disk = Disk::default();
        let mut writer = start(&disk, name, &quick());
        let mut sent = frames(0..20_000);
        sent.push(Record { t: Nanos(20_000), what: What::Mark("conveyor started".into()) });
        for part in sent.chunks(777) {
            writer.send(part);
        }
        let other_end = What::End(Box::default());
        writer.send(&[Record { t: Nanos(20_000), what: other_end }]);
        let written = writer.finish(Nanos(20_001));
        let tally = Tally { frames: 20_000, ..Tally::default() };
        assert_eq!((written.tally, written.lost_by_writer, written.failures), (tally, 0, 0));
        assert_eq!(written.messages, [""; 0]);
        assert_eq!(written.bytes, disk.get(|s| s.safe) as u64);
        let end = Record { t: Nanos(20_001), what: What::End(Box::new(tally)) };
        assert_eq!(written.end.as_ref(), Some(&end));
        sent.push(end);
        assert_eq!(disk.read(), (sent, false, 0));
    }
}

#[test]
fn a_slow_disk_costs_nothing_while_memory_lasts_and_then_what_is_counted() {
    for name in NAMES {
        let disk = Disk::default();
        let batch = 100 * size_of::<Record>() + 64;
        let mut writer = start(&disk, name, &WriterOptions { queue_bytes: 10 * batch, ..quick() });
        disk.set(|s| s.stuck = true);
        writer.send(&frames(0..100));
        disk.until(|s| s.waits);
        // However long the disk is stuck, handing over never waits.
        let mut t = 100;
        while t < 5000 {
            writer.send(&frames(t..t + 100));
            t += 100;
        }
        disk.set(|s| s.stuck = false);
        let written = writer.finish(Nanos(t));
        let Tally { frames: kept, lost_frames: lost, .. } = written.tally;
        assert_eq!((kept, lost), (1100, 3900), "there was memory for ten batches");
        assert_eq!(written.lost_by_writer, lost);
        assert_eq!(written.messages.len(), 1);
        assert!(written.messages[0].starts_with(&format!("{name}: {lost} frames are missing")));
        let (records, torn, _) = disk.read();
        assert!(!torn);
        // The loss stands between the frames that are there.
        let mut next = 0;
        for record in &records {
            match record.what {
                What::Lost(n) => next += n as i64,
                What::Frame(_) => {
                    assert_eq!(record.t, Nanos(next));
                    next += 1;
                }
                _ => {}
            }
        }
        assert_eq!(next, 5000);
    }
}

/// Whoever kills the process finds what was written until then.
#[test]
fn a_disk_that_takes_long_to_be_safe_holds_up_no_writing() {
    for name in NAMES {
        let (disk, mut writer) = with_500_safe(name);
        disk.set(|s| s.sync_stuck = true);
        for t in 1..20 {
            let before = disk.get(|s| s.bytes.len());
            writer.send(&frames(t * 500..(t + 1) * 500));
            disk.until(|s| s.bytes.len() > before);
        }
        disk.until(|s| s.sync_waits);
        let (written, safe) = (disk.read().0, disk.read_safe().0);
        assert_eq!((&written[..9500], &safe[..]), (&frames(0..9500)[..], &frames(0..500)[..]));
        disk.set(|s| s.sync_stuck = false);
        let written = writer.finish(Nanos(10_000));
        assert_eq!((written.tally.frames, written.lost_by_writer), (10_000, 0));
        let end = written.end.into_iter();
        let all: Vec<Record> = frames(0..10_000).into_iter().chain(end).collect();
        assert_eq!(disk.read_safe(), (all, false, 0));
    }
}

/// What came after the disk had begun, and was in the file already, is written again as well.
#[test]
fn a_disk_that_fails_while_more_is_written_loses_nothing() {
    for name in NAMES {
        let (disk, mut writer) = with_500_safe(name);
        disk.set(|s| s.sync_stuck = true);
        writer.send(&frames(500..1000));
        disk.until(|s| s.sync_waits);
        let before = disk.get(|s| s.bytes.len());
        writer.send(&frames(1000..1500));
        disk.until(|s| s.bytes.len() > before);
        disk.set(|s| (s.sync_stuck, s.sync_fails) = (false, 1));
        let written = writer.finish(Nanos(1500));
        assert_eq!((written.tally.frames, written.lost_by_writer), (1500, 0));
        assert_eq!(disk.read_safe().0[..1500], frames(0..1500));
    }
}

#[test]
fn a_full_disk_is_told_once_and_the_capture_goes_on_when_there_is_room() {
    for name in NAMES {
        let (disk, mut writer) = with_500_safe(name);
        disk.fill_up();
        writer.send(&frames(500..1000));
        let tries = disk.get(|s| s.tries);
        disk.until(|s| s.tries > tries + 5);
        // Cut back to what is whole: it reads without a torn end, or as a cut frame.
        let (records, torn, unreadable) = disk.read_safe();
        assert_eq!((records, torn, unreadable), (frames(0..500), name.ends_with("zst"), 0));
        writer.send(&frames(1000..1500));
        disk.set(|s| s.room = None);
        let written = writer.finish(Nanos(1500));
        assert_eq!((written.tally.frames, written.lost_by_writer), (1500, 0));
        assert_eq!(written.failures, 1);
        assert_eq!(written.messages.len(), 2);
        assert!(written.messages[0].contains("the disk is full: free some space; the watch"));
        let (records, torn, _) = disk.read();
        assert_eq!((&records[..1500], torn), (&frames(0..1500)[..], false));
    }
}

#[test]
fn a_disk_that_is_read_only_for_a_while_costs_what_memory_does_not_hold() {
    for name in NAMES {
        let batch = 100 * size_of::<Record>() + 64;
        let disk = Disk::default();
        let mut writer = start(&disk, name, &WriterOptions { queue_bytes: 5 * batch, ..quick() });
        writer.send(&frames(0..500));
        disk.until(|s| s.safe > 1000 && s.safe == s.bytes.len());
        disk.set(|s| s.read_only = true);
        writer.send(&frames(500..600));
        let tries = disk.get(|s| s.tries);
        disk.until(|s| s.tries > tries + 5);
        (6..50).for_each(|t| writer.send(&frames(t * 100..(t + 1) * 100)));
        assert_eq!(disk.read_safe().0, frames(0..500));
        assert!(writer.is_failing());
        disk.set(|s| s.read_only = false);
        let written = writer.finish(Nanos(5000));
        let Tally { frames: kept, lost_frames: lost, .. } = written.tally;
        assert_eq!((kept, lost), (1100, 3900));
        assert_eq!((written.lost_by_writer, written.failures), (lost, 1));
        let said = &written.messages;
        assert_eq!(said.len(), 3, "{said:?}");
        assert!(said[0].contains("the disk has become read-only: ") && said[1].contains("again"));
        assert!(said[2].contains("3900 frames are missing"), "{said:?}");
        let (records, torn, _) = disk.read();
        let gap = records.iter().position(|record| record.what == What::Lost(lost));
        assert_eq!((gap, torn), (Some(1100), false));
    }
}

#[test]
fn a_disk_full_to_the_end_leaves_what_it_took() {
    for name in NAMES {
        let (disk, mut writer) = with_500_safe(name);
        disk.fill_up();
        for t in 1..100 {
            writer.send(&frames(t * 500..(t + 1) * 500));
        }
        let written = writer.finish(Nanos(50_000));
        assert_eq!((written.tally.frames, written.lost_by_writer), (500, 49_500));
        assert_eq!(written.end, None);
        assert!(written.messages.len() <= 2, "{:?}", written.messages);
        let (records, torn, unreadable) = disk.read();
        assert_eq!((records, torn, unreadable), (frames(0..500), name.ends_with("zst"), 0));
    }
}

#[test]
fn what_the_disk_took_and_did_not_keep_is_written_again() {
    for name in NAMES {
        let disk = Disk::default();
        let mut writer = start(&disk, name, &quick());
        disk.set(|s| (s.sync_fails, s.cut_fails) = (2, 3));
        writer.send(&frames(0..500));
        disk.until(|s| s.sync_fails == 0);
        let written = writer.finish(Nanos(500));
        assert_eq!((written.tally.frames, written.failures), (500, 1));
        assert_eq!(disk.read().0[..500], frames(0..500));
    }
}

#[test]
fn a_power_cut_costs_only_what_came_last() {
    for name in NAMES {
        let (disk, writer) = with_500_safe(name);
        let (records, _, unreadable) = disk.read_safe();
        assert_eq!((records, unreadable), (frames(0..500), 0));
        drop(writer);
        let (records, torn, _) = disk.read();
        assert_eq!((records, torn), (frames(0..500), false));
    }
}

#[test]
fn on_a_disk_that_is_full_at_once_there_is_no_capture() {
    let overwrite = WriterOptions { overwrite: true, ..WriterOptions::default() };
    let full = Path::new("/dev/full");
    let error = CaptureWriter::create(full, &header(), overwrite).err().unwrap();
    assert_eq!(error.to_string(), "/dev/full: the disk is full; free some space");
    let error = CaptureWriter::create(full, &header(), WriterOptions::default()).err().unwrap();
    assert!(error.to_string().contains("exists already"));
}
