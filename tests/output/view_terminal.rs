//! The view in a real terminal: a capture is replayed, steered and left.

use std::path::Path;

use crate::common::scene::Scene;
use crate::common::tmux::{Terminal, quoted};
use dropline::Nanos;
use dropline::internal::wire::{write_header, write_record};

fn capture(path: &Path) {
    let mut scene = Scene::new();
    scene.scans(100, &[5, 9, 12], &[]);
    scene.wait(Nanos::from_millis(400_000));
    scene.scans(100, &[5, 9, 12], &[]);
    scene.scans(100, &[5, 9, 12], &[9]);
    scene.end();
    let mut bytes = Vec::new();
    write_header(&mut bytes, &scene.header());
    for record in &scene.records {
        write_record(&mut bytes, record);
    }
    std::fs::write(path, bytes).unwrap();
}

/// Starts a replay in the view and gives its process.
fn replay_in(terminal: &Terminal, dir: &Path) -> String {
    let file = dir.join("line3.jsonl");
    capture(&file);
    let program = quoted(Path::new(env!("CARGO_BIN_EXE_dropline")));
    let pid = dir.join("pid");
    terminal.run(&format!(
        "sh -c 'echo $$ > {}; exec {program} replay {} --view'; echo status $?",
        pid.display(),
        file.display()
    ));
    terminal.wait_for("Who is there");
    std::fs::read_to_string(&pid).unwrap()
}

#[test]
fn a_replay_is_steered_in_a_real_terminal() {
    let Some(terminal) = Terminal::open("replay", 80, 24) else { return };
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("line3.jsonl");
    capture(&file);
    let program = quoted(Path::new(env!("CARGO_BIN_EXE_dropline")));
    terminal.run(&format!("{program} replay {} --view; echo status $?", quoted(&file)));

    let screen = terminal.wait_for("heard for the first time");
    assert!(screen.contains("Who is there") && terminal.is("alternate_on"), "{screen}");
    terminal.press("Space");
    terminal.wait_for("paused");
    terminal.press("g");
    terminal.run("6:41");
    terminal.wait_for("6:41.0");
    terminal.press("n");
    let screen = terminal.wait_for("node 9 fell silent");
    assert!(screen.contains("NOT WELL   node 9 gone") && screen.contains("paused"), "{screen}");
    terminal.press("Enter");
    terminal.wait_for("How fast does it answer");
    terminal.press("?");
    terminal.wait_for("Which key does what");
    terminal.press("End");
    terminal.wait_for("at the end");
    terminal.press("Home");
    terminal.wait_for("0:00.0 of 6:46");
    terminal.press("q");
    terminal.wait_for("status 0");
    terminal.assert_restored();
}

#[test]
fn a_terminal_is_restored_when_the_program_is_ended_from_outside() {
    let Some(terminal) = Terminal::open("ended", 100, 30) else { return };
    let dir = tempfile::tempdir().unwrap();
    let pid = replay_in(&terminal, dir.path());
    let ended = std::process::Command::new("sh").args(["-c", "kill -TERM $0", pid.trim()]).status();
    assert!(ended.unwrap().success());
    terminal.wait_for("status 0");
    terminal.assert_restored();
}

#[test]
fn a_program_whose_terminal_goes_away_ends() {
    let Some(terminal) = Terminal::open("gone", 100, 30) else { return };
    let dir = tempfile::tempdir().unwrap();
    let pid = replay_in(&terminal, dir.path());
    drop(terminal);
    let process = Path::new("/proc").join(pid.trim());
    let deadline = std::time::Instant::now() + std::time::Duration::from_secs(20);
    while process.exists() && std::time::Instant::now() < deadline {
        std::thread::sleep(std::time::Duration::from_millis(100));
    }
    assert!(!process.exists(), "it still runs");
}

/// Where nothing is a terminal, the same comes as plain lines.
#[test]
fn without_a_terminal_there_are_plain_lines() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("line3.jsonl");
    capture(&file);
    let mut command = assert_cmd::Command::cargo_bin("dropline").unwrap();
    let output = command.args(["replay", "--view"]).arg(&file).output().unwrap();
    assert!(output.status.success());
    let text = String::from_utf8(output.stdout).unwrap();
    assert!(text.starts_with("   0:00.0  node 5 heard for the first time\n"), "{text}");
    assert!(text.contains("  node 9 fell silent\n") && text.contains("\nNOT WELL: "), "{text}");
    assert!(!text.contains('\x1b'), "{text}");
}
