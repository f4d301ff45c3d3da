//! A disk that turns read-only under way, as ext4 does after an error, or fails after it took all:
//! what was written stays, the rest waits in memory, and what is missing in the end is told.

use std::path::{Path, PathBuf};
use std::time::Duration;

use serde_json::Value;
use tempfile::TempDir;

use super::Absent;
use super::block_disk::BlockDisk;
use super::bus::{Virtual, is_emulated};
use super::ending::SmallDisk;
use super::running::{Left, Watch, dropline, read_capture, replay, text};
use super::speaker::Speaker;

/// Long enough for a watch that is idle to have made all safe.
const MOMENT: Duration = Duration::from_millis(1_500);

fn numbers<'a>(lines: impl IntoIterator<Item = &'a String>) -> Vec<u64> {
    let records = lines.into_iter().map(|line| serde_json::from_str::<Value>(line).expect(line));
    let data = records.filter_map(|record| record["data"].as_str().map(str::to_owned));
    data.map(|data| u64::from_str_radix(&data, 16).unwrap()).collect()
}

/// A watch that writes to this disk, has heard 500 frames and made them safe.
fn watching(bus: &Virtual, disk: &BlockDisk) -> (Watch, Speaker, PathBuf) {
    let capture = disk.path().join("watch.jsonl");
    let watch = Watch::start_with_capture(&bus.name, capture.clone(), TempDir::new().unwrap(), &[]);
    let speaker = Speaker::on(&bus.name);
    speaker.count(0..500);
    std::thread::sleep(MOMENT);
    (watch, speaker, capture)
}

/// The capture, once the disk was taken out and put in again, holds these frames and no more.
fn is_on(disk: &BlockDisk, capture: &Path, frames: u64) {
    disk.put_in_again();
    assert!(numbers(&read_capture(capture).1).into_iter().eq(0..frames));
}

/// All was captured and nothing lost; the replay agrees.
fn lost_nothing(left: &Left, disk: &BlockDisk, frames: u64) {
    is_on(disk, &left.capture, frames);
    assert_eq!(left.summary["source"]["frames"], frames);
    assert_eq!(left.summary["source"]["lost_frames"], 0);
    left.replay_agrees();
}

/// One message of it, however many frames it concerns; it names the file and what to do.
fn is_told_once(left: &Left) {
    let told: Vec<_> = left.complaints.iter().filter(|line| line.contains("read-only")).collect();
    assert_eq!(told.len(), 0, "after the first: {told:?}");
}

fn is_clear(said: &str, capture: &Path) {
    let place = format!("dropline: {}: the disk has become read-only: ", capture.display());
    assert!(said.starts_with(&place), "{said}");
    assert!(said.contains("dmesg") && said.contains("remount it for writing"), "{said}");
    assert!(said.contains("the watch goes on"), "{said}");
}

/// Made read-only in an emergency, where the kernel still takes what is written and says that it
/// is safe, and writable again: nothing is lost.
pub fn for_a_while() -> Result<(), Absent> {
    if !is_emulated() {
        return Err(Absent("only the emulated kernel's disks may be made read-only".into()));
    }
    let bus = Virtual::new()?;
    let disk = BlockDisk::mount()?;
    let (mut watch, speaker, capture) = watching(&bus, &disk);
    // All file systems on block devices: here there is no other.
    std::fs::write("/proc/sysrq-trigger", "u").unwrap();
    let is_read_only = || {
        let mounts = std::fs::read_to_string("/proc/mounts").unwrap();
        let line = mounts.lines().find(|line| line.contains(disk.path().to_str().unwrap()));
        line.unwrap().contains(" ext4 ro,")
    };
    while !is_read_only() {
        std::thread::sleep(Duration::from_millis(20));
    }
    speaker.count(500..800);
    is_clear(&watch.complains("read-only"), &capture);
    speaker.count(800..1_200);
    std::thread::sleep(MOMENT);
    disk.remount("rw");
    watch.complains("can be written again");
    speaker.count(1_200..1_300);
    std::thread::sleep(MOMENT);
    let left = watch.stop();
    is_told_once(&left);
    lost_nothing(&left, &disk, 1_300);
    Ok(())
}

/// Read-only after an error until it is taken out and checked: what was written until then is
/// there and replays, the watch goes on to its end and says what is missing.
pub fn for_good() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let disk = BlockDisk::mount()?;
    let (mut watch, speaker, capture) = watching(&bus, &disk);
    disk.remount("abort");
    speaker.count(500..800);
    is_clear(&watch.complains("read-only"), &capture);
    speaker.count(800..1_000);
    std::thread::sleep(MOMENT);
    let left = watch.stop();
    is_told_once(&left);
    let said = |text: &str| left.complaints.iter().any(|line| line.contains(text));
    assert!(said("500 frames are missing that were heard"), "{:?}", left.complaints);
    // The watch has heard what its capture does not hold.
    assert_eq!(left.summary["source"]["kind"], "live");
    assert_eq!(left.summary["source"]["frames"], 1_000);
    assert_eq!(left.summary["source"]["lost_frames"], 0);
    is_on(&disk, &capture, 500);
    let again = replay(&capture);
    assert!(again.status.success(), "{}", text(&again.stderr));
    let summary: Value = serde_json::from_slice(&again.stdout).unwrap();
    assert_eq!(summary["source"]["frames"], 500);
    assert_eq!(summary["source"]["complete"], false);
    Ok(())
}

/// The device takes nothing more, which shows only when what was written is made safe; and again.
pub fn a_device_that_fails_for_a_while() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let small = SmallDisk::mount_of("1m")?;
    let disk = BlockDisk::mount_thin(small.path())?;
    let (mut watch, speaker, _) = watching(&bus, &disk);
    let filler = small.path().join("filler");
    let mut zeros = std::io::repeat(0);
    let full = std::io::copy(&mut zeros, &mut std::fs::File::create(&filler).unwrap());
    assert_eq!(full.unwrap_err().kind(), std::io::ErrorKind::StorageFull);
    speaker.count(500..5_000);
    watch.complains("the watch goes on");
    speaker.count(5_000..6_000);
    std::fs::remove_file(filler).unwrap();
    watch.complains("can be written again");
    speaker.count(6_000..6_100);
    std::thread::sleep(MOMENT);
    let left = watch.stop();
    lost_nothing(&left, &disk, 6_100);
    Ok(())
}

/// The summary was to go to the same disk: it is printed, and the exit status says that it is not
/// where it should be.
pub fn with_the_summary_on_it() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let disk = BlockDisk::mount()?;
    let kept = disk.path().join("watch.summary.json");
    let mut command = dropline();
    command.args(["watch", &bus.name, "--json", "--for", "3s", "--summary"]).arg(&kept);
    command.arg("--capture").arg(disk.path().join("watch.jsonl"));
    let child = command.stdout(std::process::Stdio::piped()).stderr(std::process::Stdio::piped());
    let child = child.spawn().unwrap();
    std::thread::sleep(Duration::from_millis(1_500));
    disk.remount("abort");
    Speaker::on(&bus.name).count(0..10);
    let output = child.wait_with_output().unwrap();
    let said = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("watch.summary.json: cannot be written: Read-only"), "{said}");
    let summary: Value = serde_json::from_slice(&output.stdout).expect(said);
    assert_eq!(summary["source"]["frames"], 10);
    Ok(())
}
