//! The view on a live trunk, in a real terminal: it shows what comes in, and a moment that is
//! marked in it goes into the capture.

use serde_json::Value;
use tempfile::TempDir;

use super::Absent;
use super::bus::{Pair, sent};
use super::frames::Sender;
use super::running::{program, read_capture, replay, text};
use super::tmux::{Terminal, quoted};

pub fn a_marked_moment() -> Result<(), Absent> {
    let _pair = Pair::listen_only()?;
    let Some(terminal) = Terminal::open("live", 80, 24) else {
        return Err(Absent("tmux is missing".into()));
    };
    let directory = TempDir::new().unwrap();
    let capture = directory.path().join("line3.jsonl");
    let summary = directory.path().join("line3.summary.json");
    terminal.run(&format!(
        "{} watch {} --capture {} --summary {}; a=$?; clear; echo status $a",
        quoted(&program()),
        Pair::LISTENER,
        quoted(&capture),
        quoted(&summary)
    ));
    terminal.wait_for("Who is there");
    let mut sender = Sender::on(Pair::SENDER);
    sender.send("465 01020304");
    sender.send("3CC 05060708");
    terminal.wait_for("node 12 heard for the first time");
    terminal.press("m");
    terminal.run("conveyor drive started");
    terminal.wait_for("mark: conveyor drive started");
    sender.send("465 01020304");
    sender.send("3CC 05060708");
    std::thread::sleep(std::time::Duration::from_millis(500));
    terminal.press("q");
    terminal.wait_for("status 0");
    terminal.assert_restored();
    assert_eq!(sent(Pair::LISTENER), 0, "the watch sent something");

    let (_, lines) = read_capture(&capture);
    let records: Vec<Value> =
        lines.iter().map(|line| serde_json::from_str(line).expect(line)).collect();
    let [_, _, mark, _, _, end] = &records[..] else { panic!("{lines:?}") };
    assert_eq!(mark["mark"], "conveyor drive started");
    assert_eq!(end["end"]["frames"], 4);
    let again = replay(&capture);
    assert_eq!(text(&again.stdout), std::fs::read_to_string(&summary).unwrap());
    Ok(())
}
