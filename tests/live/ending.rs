//! How a watch ends: told to, by itself, killed, and with no room on the disk.

use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;

use super::Absent;
use super::bus::Virtual;
use super::flood::Flood;
use super::frames::Sender;
use super::running::{Watch, read_capture, replay, text};

pub fn by_signal_and_by_itself() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    for way in ["INT", "TERM", "HUP", "--for"] {
        let more: &[&str] = if way == "--for" { &["--for", "2s"] } else { &[] };
        let begun = Instant::now();
        let watch = Watch::start(&bus.name, more);
        if way != "--for" {
            Sender::on(&bus.name).send("45D 01020304");
            watch.process.signal(way);
        }
        let left = watch.ended();
        if way == "--for" {
            assert!(begun.elapsed() >= Duration::from_secs(2));
        } else {
            assert_eq!(left.records().len(), 1, "{way}");
        }
        let (end, lines) = left.end_and_lines();
        assert_eq!(end["frames"], lines.len(), "{way}");
        assert_eq!(left.summary["source"]["complete"], true, "{way}");
        left.replay_agrees();
    }
    Ok(())
}

/// A power cut, as far as a process can suffer one.
pub fn killed() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let watch = Watch::start(&bus.name, &[]);
    let flood = Flood::start(&bus.name, 4_000, 1_000);
    std::thread::sleep(Duration::from_secs(3));
    let killed = jiff::Timestamp::now();
    let (capture, directory) = watch.kill();
    assert_eq!(flood.done(), 4_000);

    // The last line may be torn; every one before it is whole.
    let content = std::fs::read_to_string(&capture).unwrap();
    let whole = directory.path().join("whole.jsonl");
    std::fs::write(&whole, &content[..content.rfind('\n').unwrap() + 1]).unwrap();
    let (header, lines) = read_capture(&whole);
    let records: Vec<Value> =
        lines.iter().map(|line| serde_json::from_str(line).unwrap()).collect();
    let started: jiff::Timestamp = header["started"].as_str().unwrap().parse().unwrap();
    let last = records.last().expect("records")["t_ns"].as_i64().unwrap();
    let saved_until = started.as_nanosecond() + i128::from(last);
    let missing = killed.as_nanosecond() - saved_until;
    assert!(missing < 1_000_000_000, "{missing} ns before the end are missing");
    for (number, record) in records.iter().enumerate() {
        assert_eq!(record["data"], format!("{number:016X}"));
    }

    let again = replay(&capture);
    assert!(again.status.success(), "{}", text(&again.stderr));
    let summary: Value = serde_json::from_slice(&again.stdout).unwrap();
    assert_eq!(summary["source"]["complete"], false);
    assert_eq!(summary["source"]["frames"], records.len());
    Ok(())
}

/// A disk with room for some 2,000 frames.
pub struct SmallDisk(TempDir);

impl SmallDisk {
    pub fn mount() -> Result<SmallDisk, Absent> {
        SmallDisk::mount_of("128k")
    }

    pub fn mount_of(size: &str) -> Result<SmallDisk, Absent> {
        let directory = TempDir::new().unwrap();
        let output = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={size}"), "tmpfs"])
            .arg(directory.path())
            .output()
            .unwrap();
        if !output.status.success() {
            let said = String::from_utf8_lossy(&output.stderr).trim().to_owned();
            return Err(Absent(format!("no small disk can be mounted here: {said}")));
        }
        Ok(SmallDisk(directory))
    }

    pub fn path(&self) -> &Path {
        self.0.path()
    }

    /// Nothing can be written any more.
    pub fn read_only(&self) {
        let status =
            Command::new("mount").args(["-o", "remount,ro"]).arg(self.0.path()).status().unwrap();
        assert!(status.success());
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let status = Command::new("umount").arg(self.0.path()).status();
        assert!(status.is_ok_and(|status| status.success()) || std::thread::panicking());
    }
}

pub fn disk_full() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let disk = SmallDisk::mount()?;
    let capture = disk.0.path().join("watch.jsonl");
    let watch = Watch::start_with_capture(&bus.name, capture, TempDir::new().unwrap(), &[]);
    let flood = Flood::start(&bus.name, 10_000, 4_000);
    assert_eq!(flood.done(), 10_000);
    std::thread::sleep(Duration::from_millis(500));
    let left = watch.stop();
    let full = left.complaints.iter().filter(|line| line.contains("disk is full")).count();
    assert_eq!(full, 1, "{:?}", left.complaints);
    // The watch has heard what its capture has no room for.
    assert_eq!(left.summary["source"]["kind"], "live");
    assert_eq!(left.summary["source"]["frames"], 10_000);
    assert_eq!(left.summary["source"]["lost_frames"], 0);
    let in_capture = left.lines.iter().filter(|line| line.contains("\"id\"")).count();
    assert!(0 < in_capture && in_capture < 10_000, "{in_capture}");
    Ok(())
}
