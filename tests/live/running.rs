//! A running `dropline watch`, and what it leaves behind.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;
use tempfile::TempDir;

use super::process::Process;

pub struct Watch {
    pub process: Process,
    directory: TempDir,
    capture: PathBuf,
    summary: PathBuf,
}

/// What a watch that has ended left.
#[derive(Debug)]
pub struct Left {
    pub capture: PathBuf,
    pub header: Value,
    /// The records, a line of JSON each.
    pub lines: Vec<String>,
    /// The summary as written.
    pub summary_text: String,
    pub summary: Value,
    pub complaints: Vec<String>,
    _directory: TempDir,
}

impl Watch {
    /// Starts it on an interface and waits until it listens.
    pub fn start(interface: &str, more: &[&str]) -> Watch {
        let directory = TempDir::new().unwrap();
        let capture = directory.path().join("watch.jsonl");
        Watch::start_with_capture(interface, capture, directory, more)
    }

    pub fn start_with_capture(
        interface: &str,
        capture: PathBuf,
        directory: TempDir,
        more: &[&str],
    ) -> Watch {
        let mut command = dropline();
        let summary = directory.path().join("watch.summary.json");
        command.args(["watch", interface]).args(more);
        command.arg("--capture").arg(&capture).arg("--summary").arg(&summary);
        let mut process = Process::complaining(&mut command);
        process.line_with("listening");
        Watch { process, directory, capture, summary }
    }

    /// Where it writes its capture.
    pub fn capture(&self) -> &Path {
        &self.capture
    }

    /// Waits until a complaint with this text has been made.
    pub fn complains(&mut self, text: &str) -> String {
        self.process.line_with(text)
    }

    /// Ends it as a service manager does.
    pub fn stop(self) -> Left {
        self.process.signal("TERM");
        self.ended()
    }

    /// Ends it likewise; it must end with this status. What it complained of.
    pub fn stop_with(self, expected: i32) -> Vec<String> {
        self.process.signal("TERM");
        let (status, complaints) = self.process.ended();
        assert_eq!(status.code(), Some(expected), "{complaints:?}");
        complaints
    }

    /// Waits for it to end by itself; it must end well, and say by its status whether its capture
    /// lacks anything.
    pub fn ended(self) -> Left {
        let (status, complaints) = self.process.ended();
        let lacks = ["frames are missing that were heard", "the capture ends without it"];
        let lacks = complaints.iter().any(|line| lacks.iter().any(|what| line.contains(what)));
        assert_eq!(status.code(), Some(i32::from(lacks)), "{complaints:?}");
        let (header, lines) = read_capture(&self.capture);
        let summary_text = std::fs::read_to_string(&self.summary).unwrap();
        Left {
            capture: self.capture,
            header,
            lines,
            summary: serde_json::from_str(&summary_text).unwrap(),
            summary_text,
            complaints,
            _directory: self.directory,
        }
    }

    /// Kills it where it stands; gives the capture and the directory that holds it.
    pub fn kill(self) -> (PathBuf, TempDir) {
        self.process.signal("KILL");
        let (status, _) = self.process.ended();
        assert_eq!(status.code(), None);
        (self.capture, self.directory)
    }
}

impl Left {
    /// The `end` record, which must be the last, and the lines of those before it.
    pub fn end_and_lines(&self) -> (Value, &[String]) {
        let (end, lines) = self.lines.split_last().expect("an end");
        let end: Value = serde_json::from_str(end).unwrap();
        assert!(end["end"].is_object(), "{end}");
        (end["end"].clone(), lines)
    }

    /// The records before the `end`.
    pub fn records(&self) -> Vec<Value> {
        let (_, lines) = self.end_and_lines();
        lines.iter().map(|line| serde_json::from_str(line).expect(line)).collect()
    }

    /// The capture, replayed, gives the very summary that the watch gave.
    pub fn replay_agrees(&self) {
        let again = replay(&self.capture);
        assert!(again.status.success(), "{}", text(&again.stderr));
        assert_eq!(text(&again.stdout), self.summary_text);
    }
}

/// `dropline replay` with the summary on standard output.
pub fn replay(capture: &Path) -> Output {
    dropline().arg("replay").arg(capture).args(["--summary", "-"]).output().unwrap()
}

/// The program that is tried: the one of `DROPLINE_PROGRAM`, such as the one that is given away.
pub fn program() -> PathBuf {
    let built = || env!("CARGO_BIN_EXE_dropline").into();
    std::env::var_os("DROPLINE_PROGRAM").map_or_else(built, PathBuf::from)
}

pub fn dropline() -> Command {
    Command::new(program())
}

pub fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

/// The header, and the lines after it.
pub fn read_capture(path: &Path) -> (Value, Vec<String>) {
    let mut content = std::fs::read(path).unwrap();
    if path.extension().is_some_and(|extension| extension == "zst") {
        content = zstd::decode_all(&*content).unwrap();
    }
    let mut lines = text(&content).lines();
    let header = lines.next().expect("a header");
    (serde_json::from_str(header).expect(header), lines.map(String::from).collect())
}
