//! The clock of the machine is set while a watch goes on: ten years ahead for a moment, and a year back
//! for good. No piece of its capture goes for that, and it goes on rolling.

use std::process::Command;
use std::thread::sleep;
use std::time::{Duration, Instant};

use tempfile::TempDir;

use super::Absent;
use super::bus::{Virtual, is_emulated};
use super::process::Process;
use super::running::{dropline, read_capture};
use super::speaker::Speaker;

/// A clock that is put right again when this is dropped.
struct WrongClock {
    right: Instant,
    right_s: i64,
}

impl WrongClock {
    /// Only in the test kernel: nobody else's clock is touched.
    fn new() -> Result<WrongClock, Absent> {
        if !is_emulated() {
            return Err(Absent("the clock is set only in the test kernel".into()));
        }
        let right_s = jiff::Timestamp::now().as_second();
        Ok(WrongClock { right: Instant::now(), right_s })
    }

    /// Sets it so many seconds off.
    fn set(&self, off_s: i64) {
        let now = self.right_s + self.right.elapsed().as_secs() as i64 + off_s;
        let set = Command::new("date").args(["-s", &format!("@{now}")]).output().unwrap();
        assert!(set.status.success(), "{}", String::from_utf8_lossy(&set.stderr));
    }
}

impl Drop for WrongClock {
    fn drop(&mut self) {
        self.set(0);
    }
}

const YEAR_S: i64 = 365 * 86_400;

pub fn no_piece_goes_and_pieces_go_on() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let clock = WrongClock::new()?;
    let directory = TempDir::new().unwrap();
    let mut command = dropline();
    command.args(["watch", &bus.name, "--roll", "1s", "--keep", "30d"]);
    command.arg("--capture").arg(directory.path().join("line3.jsonl"));
    let mut watch = Process::complaining(&mut command);
    watch.line_with("listening");
    let speaker = Speaker::on(&bus.name);
    let mut sent = 0;
    let mut speak = |seconds: u64| {
        for _ in 0..seconds * 10 {
            speaker.count(sent..sent + 1);
            sent += 1;
            sleep(Duration::from_millis(100));
        }
    };
    speak(3);
    clock.set(10 * YEAR_S);
    speak(2);
    clock.set(0);
    speak(2);
    clock.set(-YEAR_S);
    speak(5);
    drop(clock);
    watch.signal("TERM");
    let (status, complaints) = watch.ended();
    assert_eq!(status.code(), Some(0), "{complaints:?}");
    assert!(!complaints.iter().any(|line| line.contains("not to be kept")), "{complaints:?}");

    let mut names: Vec<_> = std::fs::read_dir(directory.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    let number = |name: &String| name.split('-').nth(1).unwrap().parse::<u64>().unwrap();
    let numbers: Vec<u64> = names.iter().map(number).collect();
    assert_eq!(numbers, (1..=names.len() as u64).collect::<Vec<_>>(), "{names:?}");
    let frames = |name: &String| {
        let (_, lines) = read_capture(&directory.path().join(name));
        lines.iter().filter(|line| line.contains("\"id\"")).count() as u64
    };
    assert_eq!(names.iter().map(frames).sum::<u64>(), sent, "{names:?}");
    // Of the five seconds a year ago.
    let last_year = (jiff::Timestamp::now() - jiff::SignedDuration::from_secs(YEAR_S)).to_string();
    let back = names.iter().filter(|name| name.contains(&format!("-{}", &last_year[..4]))).count();
    assert!(back >= 3, "{names:?}");
    Ok(())
}
