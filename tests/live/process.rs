//! A process that is talked to by lines, with a limit to every wait.

use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, ChildStdin, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::thread;
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

/// No wait takes longer, on an emulated machine at a tenth of the speed.
pub const PATIENCE: Duration = Duration::from_secs(60);

pub struct Process {
    pub child: Child,
    input: Option<ChildStdin>,
    lines: Receiver<String>,
}

impl Process {
    /// Starts it and listens to its standard output.
    pub fn speaking(command: &mut Command) -> Process {
        let mut child =
            command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("starts");
        let lines = lines_of(child.stdout.take().unwrap());
        Process { input: child.stdin.take(), child, lines }
    }

    /// Starts it and listens to its standard error; its standard output is thrown away.
    pub fn complaining(command: &mut Command) -> Process {
        let mut child = command
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("starts");
        let lines = lines_of(child.stderr.take().unwrap());
        Process { input: None, child, lines }
    }

    /// Says one line to it.
    pub fn say(&mut self, line: &str) {
        let input = self.input.as_mut().expect("open");
        writeln!(input, "{line}").and_then(|()| input.flush()).expect("it listens");
    }

    /// Its next line.
    pub fn next_line(&mut self) -> String {
        self.lines.recv_timeout(PATIENCE).expect("a line in time")
    }

    /// Its next line, if there is one within this time.
    pub fn line_within(&mut self, limit: Duration) -> Option<String> {
        match self.lines.recv_timeout(limit) {
            Ok(line) => Some(line),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => panic!("it has ended"),
        }
    }

    /// Waits for a line with this text in it; gives that line.
    pub fn line_with(&mut self, text: &str) -> String {
        loop {
            let line = self.next_line();
            if line.contains(text) {
                return line;
            }
        }
    }

    /// How many descriptors and threads it has.
    pub fn held(&self) -> (usize, usize) {
        let count = |what: &str| {
            std::fs::read_dir(format!("/proc/{}/{what}", self.child.id())).unwrap().count()
        };
        (count("fd"), count("task"))
    }

    /// Sends it a signal by name.
    pub fn signal(&self, name: &str) {
        let signal: Signal = format!("SIG{name}").parse().unwrap();
        kill(Pid::from_raw(self.child.id() as i32), signal).unwrap();
    }

    /// Waits until it has ended; gives what it had still to say.
    pub fn ended(mut self) -> (ExitStatus, Vec<String>) {
        drop(self.input.take());
        let deadline = Instant::now() + PATIENCE;
        let mut rest = Vec::new();
        loop {
            match self.lines.recv_timeout(deadline.saturating_duration_since(Instant::now())) {
                Ok(line) => rest.push(line),
                Err(RecvTimeoutError::Disconnected) => break,
                Err(RecvTimeoutError::Timeout) => panic!("it has not ended; it said: {rest:?}"),
            }
        }
        (self.child.wait().unwrap(), rest)
    }
}

impl Drop for Process {
    /// Nothing outlives its test, also one that failed.
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn lines_of(stream: impl Read + Send + 'static) -> Receiver<String> {
    let (send, lines) = channel();
    thread::spawn(move || {
        for line in BufReader::new(stream).lines().map_while(Result::ok) {
            if send.send(line).is_err() {
                break;
            }
        }
    });
    lines
}

/// One of the Python programs beside this file.
pub fn python(program: &str, arguments: &[&str]) -> Command {
    // The system's own: another one on the path may take seconds to start where it is emulated.
    let system = "/usr/bin/python3";
    let python = if std::path::Path::new(system).exists() { system } else { "python3" };
    let mut command = Command::new(python);
    command.args(["-I", "-S"]).arg(format!("{}/tests/live/{program}", env!("CARGO_MANIFEST_DIR")));
    command.args(arguments);
    command
}
