//! `dropline frames --live`: each frame with its meaning while it goes by.

use std::process::Stdio;

use serde_json::Value;

use super::Absent;
use super::bus::{Pair, Virtual, ip, sent};
use super::frames::Sender;
use super::process::Process;
use super::running::{dropline, text};

/// Starts it and waits until it listens: the first frame that it must show is sent until then.
fn follow(interface: &str, more: &[&str]) -> Process {
    let mut command = dropline();
    command.args(["frames", interface, "--live"]).args(more).stderr(Stdio::inherit());
    Process::speaking(&mut command)
}

/// Sends a frame again and again until it is shown, since nothing else tells that it listens.
fn first(process: &mut Process, sender: &mut Sender, frame: &str) -> String {
    loop {
        sender.send(frame);
        if let Some(line) = process.line_within(std::time::Duration::from_millis(500)) {
            return line;
        }
    }
}

/// Lines come while the trunk goes on, requests are paired with responses, filters narrow; both
/// signals end it well.
pub fn every_frame_with_its_meaning_as_it_goes_by() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let mut sender = Sender::on(&bus.name);
    let mut process = follow(&bus.name, &["--bitrate", "125000", "--kind", "explicit"]);
    // Not sure to be answered: whether one or several of these are shown depends on the moment.
    let mut line = first(&mut process, &mut sender, "42C 010E010107");
    assert!(line.contains("get identity 1 product name"), "{line}");
    // Bytes as in a published device manual: slave 05 tells its vendor.
    sender.send("42D 0000"); // a poll, which is not asked for
    sender.send("42C 410E010101");
    sender.send("42B 418E3600");
    while !line.contains("vendor id is 54") {
        line = process.next_line();
        assert!(!line.contains("poll command"), "{line}");
    }
    assert!(line.starts_with("node  5 -> 1 "), "{line}");
    assert!(line.contains(", after ") && line.contains("[42B 418E3600, "), "{line}");
    process.signal("INT");
    let (status, rest) = process.ended();
    assert_eq!((status.code(), rest), (Some(0), Vec::<String>::new()));

    let mut process = follow(&bus.name, &["--json", "--node", "12"]);
    let line = first(&mut process, &mut sender, "465 01020304");
    let frame: Value = serde_json::from_str(&line).unwrap();
    assert_eq!((&frame["node"], &frame["way"]), (&12.into(), &"in".into()));
    process.signal("TERM");
    let (status, _) = process.ended();
    assert_eq!(status.code(), Some(0));
    Ok(())
}

/// A controller that is able to send is refused, as by a watch; one that only listens is
/// followed, and sends nothing.
pub fn it_refuses_what_a_watch_refuses() -> Result<(), Absent> {
    let _pair = Pair::new()?;
    ip(&["link", "set", Pair::LISTENER, "type", "can", "bitrate", "125000", "listen-only", "off"]);
    ip(&["link", "set", Pair::LISTENER, "up"]);
    let output = dropline().args(["frames", Pair::LISTENER, "--live"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("listen-only"), "{}", text(&output.stderr));
    assert_eq!(text(&output.stderr).lines().count(), 1);
    ip(&["link", "set", Pair::LISTENER, "down"]);
    ip(&["link", "set", Pair::LISTENER, "type", "can", "bitrate", "125000", "listen-only", "on"]);
    ip(&["link", "set", Pair::LISTENER, "up"]);
    let mut sender = Sender::on(Pair::SENDER);
    let mut process = follow(Pair::LISTENER, &[]);
    let line = first(&mut process, &mut sender, "465 01020304");
    assert!(line.contains("poll command"), "{line}");
    process.signal("INT");
    assert_eq!(process.ended().0.code(), Some(0));
    assert_eq!(sent(Pair::LISTENER), 0);
    Ok(())
}
