//! The page of a live watch, as its readers get it: over an interface that goes away, with marks, and
//! with as many readers as may be, none of which costs a frame.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use super::Absent;
use super::bus::{Pair, Virtual, ip, sent};
use super::cost::processor;
use super::flood::{Flood, wait_until_caught_up};
use super::process::PATIENCE;
use super::running::Watch;
use super::speaker::Speaker;

fn address(watch: &mut Watch) -> String {
    let line = watch.complains("the page is at");
    line.split("http://").nth(1).unwrap().trim_end_matches('/').to_owned()
}

/// A reader that follows the page.
struct Follower {
    stream: TcpStream,
    heard: String,
}

impl Follower {
    fn of(address: &str) -> Follower {
        let mut stream = TcpStream::connect(address).unwrap();
        write!(stream, "GET /events HTTP/1.1\r\nHost: {address}\r\n\r\n").unwrap();
        stream.set_read_timeout(Some(Duration::from_millis(200))).unwrap();
        Follower { stream, heard: String::new() }
    }

    /// Reads until this comes.
    fn until(&mut self, wanted: &str) {
        let deadline = Instant::now() + PATIENCE;
        let mut bytes = [0; 65536];
        self.heard.clear();
        while !self.heard.contains(wanted) {
            assert!(Instant::now() < deadline, "no {wanted:?} in {}", self.heard);
            if let Ok(count) = self.stream.read(&mut bytes) {
                assert!(count > 0, "the server ended: {}", self.heard);
                self.heard += &String::from_utf8_lossy(&bytes[..count]);
            }
        }
    }
}

fn post(address: &str, origin: &str, note: &str) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    let body = format!("note={note}");
    write!(
        stream,
        "POST /marks HTTP/1.1\r\nHost: {address}\r\nOrigin: http://{origin}\r\n\
         Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{body}",
        body.len()
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

pub fn over_an_interface_that_goes_away() -> Result<(), Absent> {
    let _pair = Pair::listen_only()?;
    let more = ["--page", "127.0.0.1:0", "--page-marks"];
    let mut watch = Watch::start(Pair::LISTENER, &more);
    let address = address(&mut watch);
    let mut follower = Follower::of(&address);
    follower.until("Listening");
    Speaker::on(Pair::SENDER).count(0..5);
    follower.until("5 good frames");
    ip(&["link", "set", Pair::LISTENER, "down"]);
    follower.until("INTERFACE DOWN");
    ip(&["link", "set", Pair::LISTENER, "up"]);
    follower.until("Listening");

    assert!(post(&address, &address, "motor+started").starts_with("HTTP/1.1 303"));
    follower.until("motor started");
    // From elsewhere nobody sets one.
    assert!(post(&address, "orchard.example", "not+ours").starts_with("HTTP/1.1 403"));
    let left = watch.stop();
    let marks = left.records().iter().filter(|record| record["mark"].is_string()).count();
    assert_eq!(marks, 1, "{:?}", left.lines);
    assert_eq!(sent(Pair::LISTENER), 0);
    left.replay_agrees();
    Ok(())
}

/// Frames a second on a full trunk at 500 kbit/s.
const RATE: u32 = 4_500;
const READERS: usize = 200;

pub fn two_hundred_readers_cost_no_frame() -> Result<(), Absent> {
    let count = RATE * 4;
    let mut costs = Vec::new();
    for readers in [0, 1, READERS] {
        let bus = Virtual::new()?;
        let mut watch = Watch::start(&bus.name, &["--page", "127.0.0.1:0"]);
        let address = address(&mut watch);
        let ending = Arc::new(AtomicBool::new(false));
        let bytes = Arc::new(AtomicU64::new(0));
        let threads: Vec<_> = (0..readers)
            .map(|number| {
                let mut follower = Follower::of(&address);
                let (ending, bytes) = (Arc::clone(&ending), Arc::clone(&bytes));
                thread::spawn(move || {
                    let mut buffer = vec![0; 65536];
                    while !ending.load(Ordering::Relaxed) {
                        // Each tenth is asleep and takes nothing.
                        if number % 10 == 9 {
                            thread::sleep(Duration::from_millis(100));
                        } else if let Ok(read) = follower.stream.read(&mut buffer) {
                            bytes.fetch_add(read as u64, Ordering::Relaxed);
                        }
                    }
                })
            })
            .collect();
        let pid = watch.process.child.id();
        let before = processor(pid);
        let sent = Flood::of_polls(&bus.name, count, RATE).done();
        wait_until_caught_up(watch.capture());
        costs.push((readers, processor(pid) - before, bytes.load(Ordering::Relaxed)));
        ending.store(true, Ordering::Relaxed);
        threads.into_iter().for_each(|thread| thread.join().unwrap());
        let left = watch.stop();
        let told = |what: &str| left.summary["source"][what].as_u64().unwrap();
        assert_eq!((told("frames"), told("lost_frames")), (sent, 0), "{readers} readers");
    }
    let alone = costs[0].1;
    for (readers, processor, bytes) in costs {
        println!(
            "  {readers} readers: {:.2} × the processor time without one, {} kB read",
            processor.as_secs_f64() / alone.as_secs_f64(),
            bytes / 1000
        );
    }
    Ok(())
}
