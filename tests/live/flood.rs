//! More frames than any trunk carries: nothing is lost, or every loss is told, in its place.

use std::path::Path;
use std::time::Duration;

use super::Absent;
use super::bus::Virtual;
use super::frames::Sender;
use super::process::{Process, python};
use super::running::{Left, Watch};

/// More frames than the kernel keeps for a watch that does not read: it has room for some 87,000.
const TOO_MANY: u32 = 120_000;

/// A Python program that sends numbered frames.
pub struct Flood(Process);

impl Flood {
    pub fn start(interface: &str, count: u32, per_second: u32) -> Flood {
        Flood::of("numbers", interface, count, per_second)
    }

    /// Polls of 32 nodes and their responses instead.
    pub fn of_polls(interface: &str, count: u32, per_second: u32) -> Flood {
        Flood::of("polls", interface, count, per_second)
    }

    fn of(what: &str, interface: &str, count: u32, per_second: u32) -> Flood {
        let (count, per_second) = (count.to_string(), per_second.to_string());
        let arguments = [interface, "flood", &count, &per_second, what];
        let mut process = Process::speaking(&mut python("sender.py", &arguments));
        assert_eq!(process.next_line(), "ready");
        Flood(process)
    }

    /// Waits until all are sent, or as many as this machine can in three times the time; gives
    /// how many, and prints how long it took.
    pub fn done(mut self) -> u64 {
        let line = self.0.next_line();
        let words: Vec<&str> = line.split(' ').collect();
        let ["done", count, seconds] = words[..] else { panic!("{line}") };
        println!("{count} frames sent in {seconds} s");
        count.parse().unwrap()
    }
}

/// What matters of a record here.
#[derive(serde::Deserialize)]
struct Numbered<'a> {
    data: Option<&'a str>,
    lost: Option<u64>,
}

/// Follows the numbers in the frames: each gap is told by a `lost` record that stands in it and
/// is as long as it says. Gives frames and lost frames.
fn account(left: &Left) -> (u64, u64) {
    let (end, lines) = left.end_and_lines();
    let (mut frames, mut lost, mut next) = (0_u64, 0_u64, 0_u64);
    for line in lines {
        let record: Numbered = serde_json::from_str(line).expect(line);
        if let Some(count) = record.lost {
            lost += count;
            next += count;
        } else {
            let number = u64::from_str_radix(record.data.unwrap(), 16).unwrap();
            assert_eq!(number, next, "after {frames} frames and {lost} lost");
            frames += 1;
            next += 1;
        }
    }
    assert_eq!(end["frames"], frames);
    assert_eq!(end["lost_frames"], lost);
    assert_eq!(left.summary["source"]["frames"], frames);
    assert_eq!(left.summary["source"]["lost_frames"], lost);
    (frames, lost)
}

pub fn forty_thousand_frames_a_second() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let watch = Watch::start(&bus.name, &[]);
    let sent = Flood::start(&bus.name, 400_000, 40_000).done();
    let left = watch.stop();
    let (frames, lost) = account(&left);
    println!("{frames} frames received, {lost} lost");
    assert_eq!(frames + lost, sent);
    left.replay_agrees();
    Ok(())
}

/// A watch that is held up loses frames: those before a frame that came later, and at the end
/// those that no frame came after.
pub fn every_loss_is_counted_in_its_place() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let watch = Watch::start(&bus.name, &[]);
    let mut sender = Sender::on(&bus.name);
    watch.process.signal("STOP");
    let first = Flood::start(&bus.name, TOO_MANY, 12_000).done();
    watch.process.signal("CONT");
    wait_until_caught_up(watch.capture());
    sender.send(&format!("45D {first:016X}"));
    std::thread::sleep(Duration::from_millis(500));
    let left = watch.stop();
    let (frames, lost) = account(&left);
    println!("{frames} frames received, {lost} lost");
    assert!(lost > 0, "the kernel had room for all of {first} frames");
    assert_eq!(frames + lost, first + 1);
    left.replay_agrees();

    let watch = Watch::start(&bus.name, &[]);
    watch.process.signal("STOP");
    let sent = Flood::start(&bus.name, TOO_MANY, 12_000).done();
    watch.process.signal("TERM");
    watch.process.signal("CONT");
    let left = watch.ended();
    let (frames, lost) = account(&left);
    assert_eq!(frames + lost, sent);
    let (_, lines) = left.end_and_lines();
    assert!(lines.last().unwrap().ends_with(&format!("\"lost\":{lost}}}")), "{:?}", lines.last());
    left.replay_agrees();
    Ok(())
}

/// The capture is written within a second of reading: it grows no more once all is read.
pub fn wait_until_caught_up(capture: &Path) {
    let size = |path: &Path| std::fs::metadata(path).map_or(0, |file| file.len());
    let mut before = 0;
    loop {
        std::thread::sleep(Duration::from_millis(1_500));
        let now = size(capture);
        if now == before {
            return;
        }
        before = now;
    }
}
