//! Faults of the computer itself: a disk that is full and free again, slow or read-only; an
//! interface that comes and goes, is renamed or set otherwise; a clock that is set. Nothing is
//! lost beyond what is said, and nothing in the summary is wrong.

use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;

use super::Absent;
use super::adapter::{Adapter, NAME};
use super::block_disk::ServedDisk;
use super::bus::{Pair, Virtual, ip, is_emulated, sent};
use super::ending::SmallDisk;
use super::running::{Left, Watch, dropline, text};
use super::speaker::Speaker;

/// Long enough for a watch that is idle to have read all.
const MOMENT: Duration = Duration::from_millis(400);

/// The numbers of the frames in a capture.
fn numbers(left: &Left) -> Vec<u64> {
    let records = left.records();
    let data = records.iter().filter_map(|record| record["data"].as_str());
    data.map(|data| u64::from_str_radix(data, 16).unwrap()).collect()
}

fn count_of(left: &Left, key: &str, value: &str) -> usize {
    left.records().iter().filter(|record| record[key] == value).count()
}

pub fn disk_full_and_free_again() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let disk = SmallDisk::mount()?;
    let filler = disk.path().join("filler");
    std::fs::write(&filler, vec![0; 90_000]).unwrap();
    let capture = disk.path().join("watch.jsonl");
    let mut watch = Watch::start_with_capture(&bus.name, capture, TempDir::new().unwrap(), &[]);
    let speaker = Speaker::on(&bus.name);
    speaker.count(0..1_200);
    watch.complains("disk is full");
    std::fs::remove_file(filler).unwrap();
    watch.complains("can be written again");
    speaker.count(1_200..1_300);
    std::thread::sleep(MOMENT);
    let left = watch.stop();
    assert!(numbers(&left).into_iter().eq(0..1_300));
    assert_eq!(left.summary["source"]["lost_frames"], 0);
    left.replay_agrees();
    Ok(())
}

/// The disk takes a quarter of a second for a write, and for making it safe: the watch does not wait
/// for it.
pub fn slow_disk() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let mut disk = ServedDisk::mount()?;
    disk.slow(Duration::from_millis(250));
    let begun = Instant::now();
    let mut probe = File::create(disk.path().join("probe")).unwrap();
    probe.write_all(b"slow?").and_then(|()| probe.sync_data()).unwrap();
    assert!(begun.elapsed() > Duration::from_millis(250), "the disk is not slow");
    let capture = disk.path().join("watch.jsonl");
    let watch = Watch::start_with_capture(&bus.name, capture, TempDir::new().unwrap(), &[]);
    let speaker = Speaker::on(&bus.name);
    for part in 0..20 {
        speaker.count(part * 200..(part + 1) * 200);
        std::thread::sleep(Duration::from_millis(100));
    }
    std::thread::sleep(MOMENT);
    let left = watch.stop();
    disk.slow(Duration::ZERO);
    assert!(numbers(&left).into_iter().eq(0..4_000));
    assert_eq!(left.summary["source"]["lost_frames"], 0);
    left.replay_agrees();
    Ok(())
}

pub fn read_only_disk_and_none_at_all() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let disk = SmallDisk::mount()?;
    disk.read_only();
    let capture = disk.path().join("watch.jsonl");
    let full = Path::new("/dev/full");
    for (capture, more, said) in [
        (&*capture, &[][..], "Read-only file system"),
        (&*capture, &["--roll", "1h"], "Read-only file system"),
        (&*capture, &["--on-finding"], "Read-only file system"),
        (full, &["--overwrite"], "the disk is full; free some space"),
    ] {
        let mut watch = dropline();
        let output = watch.args(["watch", &bus.name, "--capture"]).arg(capture).args(more);
        let output = output.output().unwrap();
        assert_eq!(output.status.code(), Some(2));
        let stderr = text(&output.stderr);
        assert!(stderr.contains(said) && stderr.lines().count() == 1, "{stderr}");
    }
    Ok(())
}

/// The interface vanishes and comes back, as with an adapter that is pulled and put back.
pub fn pulled_and_put_back_twenty_times() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    // As often as there are minutes in a day, with `DROPLINE_PULLS=1440`.
    let pulls = std::env::var("DROPLINE_PULLS").ok().and_then(|pulls| pulls.parse().ok());
    let pulls: u64 = pulls.unwrap_or(20);
    let mut watch = Watch::start(&bus.name, &[]);
    let held = watch.process.held();
    for round in 0..pulls {
        Speaker::on(&bus.name).count(round * 10..(round + 1) * 10);
        std::thread::sleep(Duration::from_millis(50));
        ip(&["link", "delete", &bus.name]);
        watch.complains("unplugged");
        ip(&["link", "add", &bus.name, "type", "vcan"]);
        ip(&["link", "set", &bus.name, "up"]);
        watch.complains("up again, listening");
    }
    let frames = pulls * 10 + 10;
    Speaker::on(&bus.name).count(pulls * 10..frames);
    std::thread::sleep(MOMENT);
    assert_eq!(watch.process.held(), held, "descriptors and threads");
    let left = watch.stop();
    assert!(numbers(&left).into_iter().eq(0..frames));
    assert_eq!(left.summary["source"]["frames"], frames);
    assert_eq!(left.summary["source"]["link_downs"], pulls);
    let links = (count_of(&left, "link", "down") as u64, count_of(&left, "link", "up") as u64);
    assert_eq!(links, (pulls, pulls));
    left.replay_agrees();
    Ok(())
}

/// Down and up faster than anybody can look: every gap that there was is told, and after it all
/// goes on.
pub fn link_flapping() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let mut watch = Watch::start(&bus.name, &[]);
    for _ in 0..20 {
        ip(&["link", "set", &bus.name, "down"]);
        ip(&["link", "set", &bus.name, "up"]);
    }
    std::thread::sleep(Duration::from_millis(1_500));
    Speaker::on(&bus.name).count(0..10);
    std::thread::sleep(MOMENT);
    watch.complains("up again, listening");
    let left = watch.stop();
    assert!(numbers(&left).into_iter().eq(0..10));
    let (downs, ups) = (count_of(&left, "link", "down"), count_of(&left, "link", "up"));
    assert!(downs >= 1 && downs == ups, "{downs} {ups}");
    assert_eq!(left.summary["source"]["link_downs"], downs);
    left.replay_agrees();
    Ok(())
}

/// The driver lets go of the controller and takes it again: another interface, down, with no setting
/// left. One of them comes back able to send, and is not listened to.
pub fn driver_reset_again_and_again() -> Result<(), Absent> {
    let _pair = Pair::listen_only()?;
    let device = std::fs::canonicalize(format!("/sys/class/net/{}/device", Pair::LISTENER));
    let device = device.unwrap().file_name().unwrap().to_owned();
    let driver = |what: &str| {
        let file = Path::new("/sys/bus/pci/drivers/kvaser_pci").join(what);
        std::fs::write(file, device.as_encoded_bytes()).unwrap();
    };
    let mut watch = Watch::start(Pair::LISTENER, &[]);
    let held = watch.process.held();
    for round in 0..10 {
        Speaker::on(Pair::SENDER).count(round * 5..(round + 1) * 5);
        std::thread::sleep(MOMENT);
        driver("unbind");
        watch.complains("unplugged");
        driver("bind");
        if round == 3 {
            ip(&["link", "set", Pair::LISTENER, "type", "can", "bitrate", "125000"]);
            ip(&["link", "set", Pair::LISTENER, "up"]);
            watch.complains("listen-only");
            ip(&["link", "set", Pair::LISTENER, "down"]);
        }
        Pair::set_listener();
        watch.complains("up again, listening");
        assert_eq!(sent(Pair::LISTENER), 0);
    }
    Speaker::on(Pair::SENDER).count(50..55);
    std::thread::sleep(MOMENT);
    assert_eq!(watch.process.held(), held, "descriptors and threads");
    let left = watch.stop();
    assert!(numbers(&left).into_iter().eq(0..55), "{:?}", numbers(&left));
    assert_eq!(left.summary["source"]["link_downs"], 10);
    left.replay_agrees();
    Ok(())
}

/// Renamed, it is not there for a watch, which does not follow it: it could be another one.
pub fn interface_renamed() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let other = format!("{}x", bus.name);
    let mut watch = Watch::start(&bus.name, &[]);
    Speaker::on(&bus.name).count(0..5);
    std::thread::sleep(MOMENT);
    let rename = |from: &str, to: &str| {
        ip(&["link", "set", from, "down"]);
        ip(&["link", "set", from, "name", to]);
        ip(&["link", "set", to, "up"]);
    };
    rename(&bus.name, &other);
    watch.complains("waiting for it");
    Speaker::on(&other).count(100..105);
    rename(&other, &bus.name);
    watch.complains("up again, listening");
    Speaker::on(&bus.name).count(5..10);
    std::thread::sleep(MOMENT);
    let left = watch.stop();
    assert!(numbers(&left).into_iter().eq(0..10));
    assert_eq!(left.summary["source"]["link_downs"], 1);
    left.replay_agrees();
    Ok(())
}

/// The kernel's clock is set back by an hour and forward by two, and back by a second.
pub fn clock_set_back_and_forward() -> Result<(), Absent> {
    if !is_emulated() {
        return Err(Absent("only the emulated kernel's clock may be set".into()));
    }
    let bus = Virtual::new()?;
    let watch = Watch::start(&bus.name, &[]);
    let speaker = Speaker::on(&bus.name);
    let poll = |number: u8| {
        speaker.say(0x465, &[number]);
        speaker.say(0x3CC, &[number]);
        std::thread::sleep(Duration::from_millis(60));
    };
    (0..10).for_each(poll);
    // The last as a leap second is put in.
    for (step, rounds) in [("-3600", 10..20), ("7200", 20..30), ("-3600", 30..40), ("-1", 40..50)] {
        std::thread::sleep(MOMENT);
        let now = jiff::Timestamp::now().as_second() + step.parse::<i64>().unwrap();
        let set = Command::new("date").args(["-s", &format!("@{now}")]).output().unwrap();
        assert!(set.status.success(), "{}", text(&set.stderr));
        rounds.for_each(poll);
    }
    std::thread::sleep(MOMENT);
    let left = watch.stop();
    assert_eq!(left.summary["source"]["frames"], 100);
    assert_eq!(left.summary["source"]["clock_steps"], 3, "{}", left.summary["source"]);
    let node = &left.summary["nodes"].as_array().unwrap().iter().find(|n| n["mac_id"] == 12);
    let poll = &node.unwrap()["poll"];
    assert_eq!((&poll["commands"], &poll["responses"]), (&Value::from(50), &Value::from(50)));
    // No latency spans a step.
    assert!(poll["latency_us"]["max"].as_f64().unwrap() < 1e6, "{poll}");
    left.replay_agrees();
    Ok(())
}

/// The bit rate is changed under way: it is not listened to at another than the header tells.
pub fn bit_rate_changed_under_way() -> Result<(), Absent> {
    let _pair = Pair::listen_only()?;
    let mut watch = Watch::start(Pair::LISTENER, &[]);
    let set = |bitrate: &str| {
        ip(&["link", "set", Pair::LISTENER, "down"]);
        let mode = ["type", "can", "bitrate", bitrate, "listen-only", "on"];
        ip(&[&["link", "set", Pair::LISTENER][..], &mode].concat());
        ip(&["link", "set", Pair::LISTENER, "up"]);
    };
    set("250000");
    let said = watch.complains("set to 250 kbit/s");
    assert!(said.contains("125"), "{said}");
    set("125000");
    watch.complains("up again, listening");
    Speaker::on(Pair::SENDER).count(0..5);
    std::thread::sleep(MOMENT);
    let left = watch.stop();
    assert!(numbers(&left).into_iter().eq(0..5));
    assert_eq!(left.header["bitrate"], 125_000);
    let marks = left.records().iter().filter(|record| record["mark"].is_string()).count();
    assert_eq!(marks, 1, "{:?}", left.records());
    left.replay_agrees();
    Ok(())
}

pub fn bus_off_storm() -> Result<(), Absent> {
    let mut adapter = Adapter::plug_in(&["listen-only"])?;
    let watch = Watch::start(NAME, &[]);
    for _ in 0..40 {
        adapter.does("state bus-off 248 0");
        adapter.does("frame 45D 01");
        adapter.does("state active 0 0");
    }
    std::thread::sleep(MOMENT);
    let left = watch.stop();
    assert_eq!(left.summary["errors"]["bus_offs"], 40, "{}", left.summary["errors"]);
    assert_eq!(left.summary["source"]["frames"], 40);
    assert_eq!(left.summary["source"]["error_frames"], 80);
    left.replay_agrees();
    adapter.unplug();
    Ok(())
}
