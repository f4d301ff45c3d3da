//! What a watch costs: its processor time beside that of a reader that throws away what it reads,
//! and its memory; with the view and without, on a full trunk and at ten times that.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use socketcan::{CanSocket, Socket};
use tempfile::TempDir;

use super::Absent;
use super::bus::Virtual;
use super::flood::{Flood, wait_until_caught_up};
use super::running::{Watch, dropline};
use super::tmux::{Terminal, quoted};

/// What a full trunk carries at 500 kbit/s (the simulated one of the benches), and ten times as much,
/// in frames a second.
const RATES: [u32; 2] = [4_500, 45_000];

/// How long each is listened to. In CI only whether it works is asked.
fn seconds() -> u32 {
    std::env::var("DROPLINE_COST_SECONDS").map_or(2, |text| text.parse().expect("a number"))
}

/// So much of a processor for so many frames.
struct Cost {
    processor: Duration,
    frames: u64,
    peak_kb: Option<u64>,
}

impl Cost {
    fn tell(&self, who: &str, empty: &Cost) {
        let each = |cost: &Cost| cost.processor.as_secs_f64() * 1e6 / cost.frames as f64;
        let share = 100.0 * self.processor.as_secs_f64() / f64::from(seconds());
        let memory = self
            .peak_kb
            .map_or(String::new(), |kb| format!(", {:.1} MB at most", kb as f64 * 1024.0 / 1e6));
        println!(
            "  {who}: {:.1} µs a frame, {:.2} × the empty reader, {share:.1} % of a processor{memory}",
            each(self),
            each(self) / each(empty)
        );
    }
}

pub fn beside_an_empty_reader() -> Result<(), Absent> {
    for rate in RATES {
        let sent = rate * seconds();
        println!("{rate} frames a second, {sent} frames:");
        let empty = empty_reader(sent, rate)?;
        empty.tell("empty reader", &empty);
        without_view(sent, rate)?.tell("watch, capture", &empty);
        with_view(sent, rate)?.tell("watch, capture and view", &empty);
    }
    Ok(())
}

fn empty_reader(count: u32, rate: u32) -> Result<Cost, Absent> {
    let bus = Virtual::new()?;
    let socket = CanSocket::open(&bus.name).expect("opens");
    socket.set_read_timeout(Duration::from_secs(1)).expect("takes a time limit");
    let all_sent = Arc::new(AtomicBool::new(false));
    let no_more = all_sent.clone();
    let reader: JoinHandle<Cost> = thread::spawn(move || {
        let mut frames = 0;
        loop {
            match socket.read_raw_frame() {
                Ok(_) => frames += 1,
                Err(_) if no_more.load(Ordering::Relaxed) => break,
                // The sender makes its frames first.
                Err(_) => {}
            }
        }
        let text = std::fs::read_to_string("/proc/thread-self/schedstat").expect("is there");
        let nanos = text.split(' ').next().unwrap().parse().expect("nanoseconds");
        Cost { processor: Duration::from_nanos(nanos), frames, peak_kb: None }
    });
    Flood::of_polls(&bus.name, count, rate).done();
    all_sent.store(true, Ordering::Relaxed);
    let cost = reader.join().expect("has not panicked");
    assert!(cost.frames > 0);
    Ok(cost)
}

fn without_view(count: u32, rate: u32) -> Result<Cost, Absent> {
    let bus = Virtual::new()?;
    let watch = Watch::start(&bus.name, &[]);
    let pid = watch.process.child.id();
    let before = processor(pid);
    let sent = Flood::of_polls(&bus.name, count, rate).done();
    wait_until_caught_up(watch.capture());
    let (processor, peak_kb) = (processor(pid) - before, peak_kb(pid));
    let left = watch.stop();
    Ok(Cost { processor, frames: all_told(&left.summary, sent), peak_kb: Some(peak_kb) })
}

fn with_view(count: u32, rate: u32) -> Result<Cost, Absent> {
    let bus = Virtual::new()?;
    let Some(terminal) = Terminal::open("cost", 120, 40) else {
        return Err(Absent("tmux is missing".into()));
    };
    let directory = TempDir::new().unwrap();
    let file = |name| directory.path().join(name);
    let (capture, summary, pid) = (file("c.jsonl"), file("s.json"), file("pid"));
    let program = dropline();
    terminal.run(&format!(
        "sh -c 'echo $$ > {}; exec {} watch {} --capture {} --summary {}'; a=$?; clear; echo status $a",
        quoted(&pid),
        quoted(Path::new(program.get_program())),
        bus.name,
        quoted(&capture),
        quoted(&summary)
    ));
    terminal.wait_for("Who is there");
    let pid = std::fs::read_to_string(pid).unwrap().trim().parse().expect("a process id");
    let before = processor(pid);
    let sent = Flood::of_polls(&bus.name, count, rate).done();
    wait_until_caught_up(&capture);
    let (processor, peak_kb) = (processor(pid) - before, peak_kb(pid));
    terminal.press("q");
    terminal.wait_for("status 0");
    let summary = serde_json::from_str(&std::fs::read_to_string(summary).unwrap()).unwrap();
    Ok(Cost { processor, frames: all_told(&summary, sent), peak_kb: Some(peak_kb) })
}

/// Frames received; none may be missing that is not told.
fn all_told(summary: &serde_json::Value, sent: u64) -> u64 {
    let count = |what: &str| summary["source"][what].as_u64().unwrap();
    assert_eq!(count("frames") + count("lost_frames"), sent);
    count("frames")
}

/// Processor time of a process with all its threads so far, to a hundredth of a second (proc(5):
/// fields 14 and 15 of stat).
pub fn processor(pid: u32) -> Duration {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).expect("it runs");
    let after_name = stat.rsplit(") ").next().unwrap();
    let fields: Vec<&str> = after_name.split(' ').collect();
    let ticks: u64 = fields[11..13].iter().map(|field| field.parse::<u64>().unwrap()).sum();
    Duration::from_millis(10 * ticks)
}

fn peak_kb(pid: u32) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{pid}/status")).expect("it runs");
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("is told");
    line.trim().trim_end_matches(" kB").parse().expect("kilobytes")
}
