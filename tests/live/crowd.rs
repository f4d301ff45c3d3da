//! A watch among many others, and with little memory.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;

use super::Absent;
use super::bus::Virtual;
use super::flood::{Flood, wait_until_caught_up};
use super::process::{PATIENCE, Process};
use super::running::{dropline, read_capture};
use super::speaker::Speaker;

const FRAMES: u64 = 4_000;

/// So many that CI is not held up; one hundred with `DROPLINE_CROWD=100`.
const WATCHES: usize = 8;

/// The names of the captures; two of them look like pieces of the first.
fn names() -> Vec<String> {
    let count = std::env::var("DROPLINE_CROWD").ok().and_then(|count| count.parse().ok());
    let ordinary = (2..count.unwrap_or(WATCHES)).map(|number| format!("line{}.jsonl", number - 2));
    let alike = ["line0-000001.jsonl", "line0-000001-20260302T063000Z.jsonl"].map(String::from);
    ordinary.chain(alike).collect()
}

/// The pieces of a capture, in their order.
fn pieces(directory: &Path, name: &str) -> Vec<PathBuf> {
    let stem = format!("{}-", name.trim_end_matches(".jsonl"));
    let is_piece = |file: &str| {
        // Number and time, and nothing before them that belongs to another name.
        file.strip_prefix(&stem)
            .is_some_and(|rest| rest.len() == "000001-20260302T063000Z.jsonl".len())
    };
    let entries = fs::read_dir(directory).unwrap().map(|entry| entry.unwrap().path());
    let named = |path: &PathBuf| is_piece(path.file_name().unwrap().to_str().unwrap());
    let mut pieces: Vec<PathBuf> = entries.filter(named).collect();
    pieces.sort();
    pieces
}

/// Each keeps two pieces, in one directory, and serves metrics. None removes what another wrote.
pub fn many_watches_in_one_directory() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let directory = TempDir::new().unwrap();
    let names = names();
    let start = |name: &String| {
        let mut command = dropline();
        command.args(["watch", &bus.name, "--roll", "100kB", "--keep", "2"]);
        command.args(["--metrics", "127.0.0.1:0", "--capture"]).arg(directory.path().join(name));
        Process::complaining(&mut command)
    };
    let mut watches: Vec<Process> = names.iter().map(start).collect();
    for watch in &mut watches {
        watch.line_with("listening");
    }
    // Slowly enough for the kernel to hand each frame to all of them.
    let speaker = Speaker::on(&bus.name);
    for ten in (0..FRAMES - 10).step_by(10) {
        speaker.count(ten..ten + 10);
        std::thread::sleep(Duration::from_millis(20));
    }
    // The last ones when all have written what they heard: those are lost to nobody.
    let written = || {
        let newest = names.iter().filter_map(|name| pieces(directory.path(), name).pop());
        newest.map(|piece| fs::metadata(piece).map_or(0, |file| file.len())).collect::<Vec<_>>()
    };
    let mut before = Vec::new();
    while before != written() {
        before = written();
        std::thread::sleep(Duration::from_secs(2));
    }
    speaker.count(FRAMES - 10..FRAMES);
    let last = format!("{:016X}", FRAMES - 1);
    let has_all = |name: &String| {
        let newest = pieces(directory.path(), name).pop();
        newest.is_some_and(|piece| fs::read_to_string(piece).unwrap().contains(&last))
    };
    let deadline = Instant::now() + PATIENCE;
    while !names.iter().all(&has_all) {
        assert!(Instant::now() < deadline, "not all have heard the last frame");
        std::thread::sleep(Duration::from_millis(200));
    }
    watches.iter().for_each(|watch| watch.signal("TERM"));
    for (watch, name) in watches.into_iter().zip(&names) {
        let (status, complaints) = watch.ended();
        assert_eq!(status.code(), Some(0), "{name}: {complaints:?}");
        let left = pieces(directory.path(), name);
        assert_eq!(left.len(), 2, "{name}: {left:?}");
        // Whole, one after the other, up to the last frame.
        let records = |piece: &PathBuf| read_capture(piece).1;
        let ends = left.iter().map(|piece| records(piece).pop().unwrap());
        for end in ends {
            let end: Value = serde_json::from_str(&end).unwrap();
            assert!(end["end"]["frames"].is_u64(), "{name}: {end}");
        }
        let all: Vec<Value> = left
            .iter()
            .flat_map(records)
            .map(|line| serde_json::from_str(&line).unwrap())
            .collect();
        let numbers: Vec<u64> = all
            .iter()
            .filter_map(|record| u64::from_str_radix(record["data"].as_str()?, 16).ok())
            .collect();
        // What one hundred of them are too slow for is told.
        let lost: u64 = all.iter().filter_map(|record| record["lost"].as_u64()).sum();
        println!("  {name}: {} frames, {lost} lost", numbers.len());
        assert_eq!(numbers.len() as u64 + lost, FRAMES - numbers[0], "{name}: {left:?}");
        assert!(lost == 0 || names.len() > WATCHES, "{name}: {lost} lost");
    }
    Ok(())
}

/// A group of processes with a limit to their memory.
struct MemoryGroup {
    hierarchy: TempDir,
}

impl MemoryGroup {
    fn of(limit: &str) -> Result<MemoryGroup, Absent> {
        let hierarchy = TempDir::new().unwrap();
        let mounted =
            Command::new("mount").args(["-t", "cgroup2", "none"]).arg(hierarchy.path()).output();
        let mounted = mounted.unwrap();
        if !mounted.status.success() {
            let said = String::from_utf8_lossy(&mounted.stderr).trim().to_owned();
            return Err(Absent(format!("no control groups can be made here: {said}")));
        }
        let group = MemoryGroup { hierarchy };
        let control = group.hierarchy.path().join("cgroup.subtree_control");
        let limited = fs::write(control, "+memory")
            .and_then(|()| fs::create_dir(group.path()))
            .and_then(|()| fs::write(group.path().join("memory.max"), limit));
        match limited {
            Ok(()) => Ok(group),
            Err(error) => Err(Absent(format!("memory cannot be limited here: {error}"))),
        }
    }

    fn path(&self) -> PathBuf {
        self.hierarchy.path().join("dropline-test")
    }

    fn told(&self, file: &str) -> String {
        fs::read_to_string(self.path().join(file)).unwrap_or_default()
    }
}

impl Drop for MemoryGroup {
    fn drop(&mut self) {
        let _ = fs::remove_dir(self.path());
        let _ = Command::new("umount").arg(self.hierarchy.path()).status();
    }
}

/// As a service manager may limit it, the pages of the files that it writes counted in: a full trunk at
/// 500 kbit/s.
pub fn within_32_megabytes() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let group = MemoryGroup::of("32M")?;
    let directory = TempDir::new().unwrap();
    let capture = directory.path().join("watch.jsonl");
    let summary = directory.path().join("watch.json");
    let mut command = Command::new("sh");
    let script = "echo $$ > \"$1\"; shift; exec \"$@\"";
    command.args(["-c", script, "sh"]).arg(group.path().join("cgroup.procs"));
    command.arg(dropline().get_program()).args(["watch", &bus.name, "--page", "127.0.0.1:0"]);
    command.arg("--capture").arg(&capture).arg("--summary").arg(&summary);
    let mut watch = Process::complaining(&mut command);
    watch.line_with("listening");
    let sent = Flood::of_polls(&bus.name, 18_000, 4_500).done();
    wait_until_caught_up(&capture);
    watch.signal("TERM");
    let (status, complaints) = watch.ended();
    assert_eq!(status.code(), Some(0), "{complaints:?}");
    let events = group.told("memory.events");
    assert!(events.lines().any(|line| line == "oom_kill 0"), "{events}");
    println!("  at most {} bytes, files and all", group.told("memory.peak").trim());
    let summary: Value = serde_json::from_str(&fs::read_to_string(summary).unwrap()).unwrap();
    assert_eq!(summary["source"]["frames"], sent);
    assert_eq!(summary["source"]["lost_frames"], 0);
    Ok(())
}
