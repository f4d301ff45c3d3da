//! What ends or stops the program from outside while it has the terminal.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use crate::common::tmux::{Terminal, quoted};

#[test]
fn signals_leave_the_terminal_as_it_was() {
    let Some(terminal) = Terminal::open("signals", 80, 24) else { return };
    let directory = tempfile::tempdir().unwrap();
    let number = directory.path().join("number");
    let program = quoted(Path::new(env!("CARGO_BIN_EXE_dropline")));
    let capture = quoted(&Path::new(env!("CARGO_MANIFEST_DIR")).join("captures/healthy.jsonl.zst"));
    let script = directory.path().join("start.sh");
    let line = format!("echo $$ > {}; exec {program} replay {capture} --view", quoted(&number));
    fs::write(&script, line).unwrap();
    for signal in ["INT", "QUIT", "TERM", "HUP"] {
        terminal.run(&format!("clear; sh {}; echo \"{signal} status $?\"", quoted(&script)));
        terminal.wait_for("Who is there");
        assert!(terminal.is("alternate_on"), "{signal}");
        let process = fs::read_to_string(&number).unwrap();
        let send = |signal: &str| {
            let sent = Command::new("kill").args(["-s", signal, process.trim()]).status().unwrap();
            assert!(sent.success());
        };
        // Stopped, it would leave the shell with a terminal that is not set up for it.
        send("TSTP");
        std::thread::sleep(Duration::from_millis(300));
        assert!(terminal.is("alternate_on"), "{signal}");
        send(signal);
        terminal.wait_for(&format!("{signal} status 0"));
        terminal.assert_restored();
        fs::remove_file(&number).unwrap();
    }
}
