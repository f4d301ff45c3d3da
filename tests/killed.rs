//! A writer killed at a hundred random moments, as by a power cut: what is left of its capture is
//! readable to within the last second.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use dropline::capture::{ReadOptions, Reader, open_all};
use dropline::internal::output::capture::{CaptureWriter, Pieces, WriterOptions};
use dropline::record::{Frame, Header, StandardId, What};
use dropline::{Nanos, Record};

const CAPTURE: &str = "DROPLINE_TEST_CAPTURE";
const ROLL: &str = "DROPLINE_TEST_ROLL";
const KILLS: u64 = 100;

/// Not a test by itself: what is killed. It says what it has handed over, and when.
#[test]
fn the_writer() {
    let Some(path) = std::env::var_os(CAPTURE) else { return };
    let pieces = std::env::var(ROLL)
        .ok()
        .map(|roll| Pieces { roll: Some(roll.parse().unwrap()), ..Pieces::default() });
    let header = Header {
        started: "2026-03-02T06:30:00Z".parse().unwrap(),
        bitrate: None,
        interface: None,
        listen_only: None,
        clock: None,
        tool: None,
        reports_errors: None,
    };
    let options = WriterOptions { pieces, ..WriterOptions::default() };
    let mut writer = CaptureWriter::create(Path::new(&path), &header, options).unwrap();
    let begun = Instant::now();
    let mut number = 0_u64;
    while begun.elapsed() < Duration::from_secs(30) {
        let t = Nanos(begun.elapsed().as_nanos() as i64);
        let records: Vec<Record> = (number..number + 20)
            .map(|n| Frame::data(StandardId::new(0x45D).unwrap(), &n.to_be_bytes()).unwrap())
            .map(|frame| Record { t, what: What::Frame(frame) })
            .collect();
        writer.send(&records);
        number += 20;
        // Past the harness, which would keep it.
        writeln!(std::io::stdout(), "sent {number} {}", t.0).unwrap();
        std::thread::sleep(Duration::from_millis(2));
    }
}

/// Kills a writer after so long; gives what it had handed over: how many frames, and when.
fn kill_after(time: Duration, capture: &Path, roll: Option<&str>) -> (u64, i64) {
    let mut command = Command::new(std::env::current_exe().unwrap());
    command.args(["--exact", "the_writer", "--nocapture"]).env(CAPTURE, capture);
    if let Some(roll) = roll {
        command.env(ROLL, roll);
    }
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let sent = |line: String| {
        let (number, t) = line.strip_prefix("sent ")?.split_once(' ')?;
        Some((number.parse().ok()?, t.parse().ok()?))
    };
    let mut last = lines.by_ref().map_while(Result::ok).find_map(sent).expect("it writes");
    let reader = std::thread::spawn(move || {
        for line in lines.map_while(Result::ok) {
            last = sent(line).unwrap_or(last);
        }
        last
    });
    std::thread::sleep(time);
    child.kill().unwrap();
    child.wait().unwrap();
    reader.join().unwrap()
}

/// How many frames are there, in order from the first, and the time of the last.
fn left(files: &[PathBuf]) -> (u64, i64) {
    let mut source = open_all(files, &ReadOptions::default()).unwrap();
    let (mut count, mut last, mut batch) = (0_u64, 0, Vec::new());
    let mut more = true;
    while more {
        more = source.read(&mut batch).unwrap();
        for record in batch.drain(..) {
            if let What::Frame(frame) = &record.what {
                assert_eq!(frame.bytes(), count.to_be_bytes());
                (count, last) = (count + 1, record.t.0);
            }
            assert!(!matches!(record.what, What::End(_)), "a killed watch has no end");
        }
    }
    assert_eq!(source.unreadable(), 0);
    (count, last)
}

#[test]
fn killed_a_hundred_times() {
    if std::env::var_os(CAPTURE).is_some() {
        return;
    }
    let next = std::sync::atomic::AtomicU64::new(0);
    let seed = std::process::id();
    let one = || {
        loop {
            let number = next.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
            if number >= KILLS {
                return;
            }
            // Knuth's multiplicative hash, for moments from 0 to 1.5 s.
            let random = (number + u64::from(seed)).wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 32;
            let time = Duration::from_millis(random % 1_500);
            // In memory where that is: how fast this machine's disk is, is another matter.
            let memory = Path::new("/dev/shm");
            let place = if memory.is_dir() { memory.to_owned() } else { std::env::temp_dir() };
            let directory = tempfile::tempdir_in(place).unwrap();
            let name = if number.is_multiple_of(2) { "a.jsonl" } else { "a.jsonl.zst" };
            let roll = number.is_multiple_of(3).then_some("100kB");
            let sent = kill_after(time, &directory.path().join(name), roll);
            let mut files: Vec<PathBuf> = std::fs::read_dir(directory.path())
                .unwrap()
                .map(|entry| entry.unwrap().path())
                .collect();
            files.sort();
            let (count, last) = left(&files);
            let missing = sent.1 - last;
            assert!(
                count <= sent.0 + 20 && missing < 1_000_000_000,
                "killed after {time:?}: {count} of {} frames, the last {missing} ns short; {files:?}",
                sent.0
            );
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..6 {
            scope.spawn(one);
        }
    });
}
