//! Frames as an independent program sent them, exactly, and when.

use serde_json::{Value, json};

use super::Absent;
use super::bus::{Pair, Virtual, sent};
use super::process::{Process, python};
use super::running::{Left, Watch};

/// A Python program that sends frames.
pub struct Sender(Process);

impl Sender {
    pub fn on(interface: &str) -> Sender {
        let mut process = Process::speaking(&mut python("sender.py", &[interface]));
        assert_eq!(process.next_line(), "ready");
        Sender(process)
    }

    /// Sends one frame; gives the times before and after, in nanoseconds since 1970.
    pub fn send(&mut self, frame: &str) -> (i128, i128) {
        self.0.say(frame);
        let line = self.0.next_line();
        let (before, after) = line.split_once(' ').expect(&line);
        (before.parse().unwrap(), after.parse().unwrap())
    }
}

/// What is sent and what the capture must say of it.
fn frames() -> Vec<(&'static str, Value)> {
    vec![
        ("45D 01020304", json!({"id": "45D", "data": "01020304"})),
        ("000 -", json!({"id": "000", "data": ""})),
        ("7FF FFFFFFFFFFFFFFFF", json!({"id": "7FF", "data": "FFFFFFFFFFFFFFFF"})),
        ("18FF10AA -", json!({"id": "18FF10AA", "data": ""})),
        ("00000001 A0B1C2", json!({"id": "00000001", "data": "A0B1C2"})),
        ("1FFFFFFF 00", json!({"id": "1FFFFFFF", "data": "00"})),
        ("45D remote 4", json!({"id": "45D", "rtr": 4})),
        ("18FF10AA remote 0", json!({"id": "18FF10AA", "rtr": 0})),
        ("5AF 00840307856341", json!({"id": "5AF", "data": "00840307856341"})),
    ]
}

/// Sends the frames and checks that the capture has just these, each with a time between the
/// moments before and after it was sent.
fn exactly(listener: &str, sender: &str, expected: Vec<(&str, Value)>) -> Left {
    let watch = Watch::start(listener, &[]);
    let mut process = Sender::on(sender);
    let times: Vec<_> = expected.iter().map(|(frame, _)| process.send(frame)).collect();
    std::thread::sleep(std::time::Duration::from_millis(300));
    let left = watch.stop();
    let started: jiff::Timestamp = left.header["started"].as_str().unwrap().parse().unwrap();
    let records = left.records();
    assert_eq!(records.len(), expected.len(), "{records:?}");
    for ((record, (_, mut frame)), (before, after)) in records.iter().zip(expected).zip(times) {
        let t = &record["t_ns"];
        frame["t_ns"] = t.clone();
        assert_eq!(record, &frame);
        let at = started.as_nanosecond() + i128::from(t.as_i64().unwrap());
        assert!(before <= at, "{record} is {} ns early", before - at);
        if listener == sender {
            assert!(at <= after, "{record} is {} ns late", at - after);
        }
    }
    left
}

pub fn every_kind_in_order_with_its_time() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let mut frames = frames();
    let error = json!({"error": "00000088", "data": "0000040000000000"});
    frames.push(("error 00000088 0000040000000000", error));
    let left = exactly(&bus.name, &bus.name, frames);
    assert_eq!(left.header["clock"], "kernel");
    assert_eq!(left.header["interface"], *bus.name);
    assert_eq!(left.header["bitrate"], Value::Null);
    assert_eq!(left.header["listen_only"], Value::Null);
    assert_eq!(left.summary["source"]["error_frames"], 1);
    left.replay_agrees();
    Ok(())
}

pub fn a_controller_that_only_listens() -> Result<(), Absent> {
    let _pair = Pair::listen_only()?;
    let mut frames = frames();
    // The emulated controller garbles what comes after a remote frame.
    frames.retain(|(frame, _)| !frame.contains("remote"));
    let count = sent(Pair::SENDER) + frames.len() as u64;
    let left = exactly(Pair::LISTENER, Pair::SENDER, frames);
    assert_eq!(left.header["bitrate"], 125_000);
    assert_eq!(left.header["listen_only"], true);
    assert_eq!(sent(Pair::LISTENER), 0);
    assert_eq!(sent(Pair::SENDER), count);
    left.replay_agrees();
    Ok(())
}

/// A master that polls, a node that misses some, one that is not there, an address check: what
/// the watch says of it and what the replay of its capture says must not differ by one byte.
pub fn the_capture_gives_the_same_summary() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let directory = tempfile::TempDir::new().unwrap();
    let capture = directory.path().join("line.jsonl.zst");
    let more = ["--bitrate", "125000"];
    let watch = Watch::start_with_capture(&bus.name, capture, directory, &more);
    let mut sender = Sender::on(&bus.name);
    // Address check of node 12 (IEC 62026-3), vendor 900, serial 19088743.
    sender.send("467 00840367452301");
    for round in 0..50 {
        sender.send("465 01020304"); // poll command to 12
        if round % 10 != 3 {
            sender.send("3CC 05060708"); // poll response of 12
        }
        sender.send("46D 00"); // poll command to 13, which is silent
    }
    let left = watch.stop();
    left.replay_agrees();
    let summary = &left.summary;
    assert_eq!(summary["source"]["kind"], "capture");
    assert_eq!(summary["source"]["name"], "line.jsonl.zst");
    assert_eq!(summary["source"]["complete"], true);
    let node = summary["nodes"].as_array().unwrap().iter().find(|node| node["mac_id"] == 12);
    let poll = &node.expect("node 12")["poll"];
    assert_eq!(poll["commands"], 50);
    assert_eq!(poll["responses"], 45);
    assert_eq!(poll["missed"], 5);
    Ok(())
}

/// A driver that restarts its controller after bus-off tells so in an error frame of its own
/// (linux/can/error.h, CAN_ERR_RESTARTED). No driver of the emulated kernel can be brought to,
/// so that an independent program puts on a virtual bus what one says.
pub fn a_controller_that_restarts() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let frames = [
        ("error 00000204 0004000000000C60", "00000204", "0004000000000C60"), // warning
        ("error 00000204 0020000000008C80", "00000204", "0020000000008C80"), // passive
        ("error 00000040 0000000000000000", "00000040", "0000000000000000"), // bus-off
        ("error 00000100 0000000000000000", "00000100", "0000000000000000"), // restarted
    ];
    let mut expected: Vec<_> =
        frames.map(|(frame, class, data)| (frame, json!({"error": class, "data": data}))).into();
    expected.push(("45D 01", json!({"id": "45D", "data": "01"})));
    let left = exactly(&bus.name, &bus.name, expected);
    let errors = &left.summary["errors"];
    for count in ["warnings", "passives", "bus_offs", "restarts"] {
        assert_eq!(errors[count], 1, "{count}: {errors}");
    }
    left.replay_agrees();
    Ok(())
}
