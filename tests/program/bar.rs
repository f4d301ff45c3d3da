//! The bar of work that takes long, in a real terminal.

use std::path::Path;

use crate::common::tmux::{Terminal, quoted};

#[test]
fn a_simulation_says_how_far_it_is() {
    let Some(terminal) = Terminal::open("bar", 100, 24) else { return };
    let directory = tempfile::tempdir().unwrap();
    let demo = include_str!("../../src/sim/demo.toml");
    let scenario = directory.path().join("day.toml");
    std::fs::write(&scenario, demo.replace("duration_s = 60", "duration_s = 86400")).unwrap();
    let program = quoted(Path::new(env!("CARGO_BIN_EXE_dropline")));
    let output = quoted(&directory.path().join("day.jsonl.zst"));
    terminal.run(&format!("{program} simulate {} -o {output}", quoted(&scenario)));
    let screen = terminal.wait_for(" s of 86400 s, ");
    let line = screen.lines().find(|line| line.contains("86400")).unwrap();
    assert!(line.contains(" % [") && line.contains("/s, ") && line.contains(" left"), "{line}");
    terminal.press("C-c");
}
