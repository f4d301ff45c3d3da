//! A real terminal for a test: tmux, started and ended with it.

use std::path::PathBuf;
use std::process::{Command, Output};
use std::thread::sleep;
use std::time::{Duration, Instant};

/// A terminal of its own, with a shell in it.
pub struct Terminal {
    socket: String,
}

impl Terminal {
    /// Opens one; `None`, and a line that says so, where tmux is missing. Under CI that fails.
    pub fn open(name: &str, width: u16, height: u16) -> Option<Terminal> {
        let found = Command::new("tmux").arg("-V").output();
        if let Err(error) = found {
            let ci = std::env::var("CI").is_ok_and(|ci| ci == "true");
            assert!(!ci, "tmux is needed: {error}");
            eprintln!("NOT TESTED: the view in a real terminal, as tmux is missing ({error})");
            return None;
        }
        let terminal = Terminal { socket: format!("dropline-{name}-{}", std::process::id()) };
        let (width, height) = (width.to_string(), height.to_string());
        let started = terminal.tmux(&[
            "-f",
            "/dev/null",
            "new-session",
            "-d",
            "-x",
            &width,
            "-y",
            &height,
            "sh",
        ]);
        assert!(started.status.success(), "{}", String::from_utf8_lossy(&started.stderr));
        Some(terminal)
    }

    fn tmux(&self, args: &[&str]) -> Output {
        let mut command = Command::new("tmux");
        command.args(["-u", "-L", &self.socket]).args(args);
        command.env("LC_ALL", "C.UTF-8").env("PS1", "$ ").env_remove("TMUX");
        command.output().unwrap()
    }

    /// Types text, and Enter.
    pub fn run(&self, line: &str) {
        self.tmux(&["send-keys", "-l", line]);
        self.press("Enter");
    }

    /// Presses a key, by its tmux name.
    pub fn press(&self, key: &str) {
        self.tmux(&["send-keys", key]);
    }

    /// What is on the screen.
    pub fn screen(&self) -> String {
        String::from_utf8_lossy(&self.tmux(&["capture-pane", "-p"]).stdout).into_owned()
    }

    /// What tmux says of the terminal, such as `alternate_on`.
    pub fn is(&self, flag: &str) -> bool {
        let format = format!("#{{{flag}}}");
        let said = self.tmux(&["display-message", "-p", &format]).stdout;
        String::from_utf8_lossy(&said).trim() == "1"
    }

    /// Waits until this is on the screen.
    pub fn wait_for(&self, text: &str) -> String {
        let begun = Instant::now();
        loop {
            let screen = self.screen();
            if screen.contains(text) {
                return screen;
            }
            assert!(begun.elapsed() < Duration::from_secs(60), "no {text:?} in\n{screen}");
            sleep(Duration::from_millis(50));
        }
    }

    /// Whether the terminal is as a shell needs it: no second screen, a cursor, and it shows
    /// what is typed.
    pub fn assert_restored(&self) {
        assert!(!self.is("alternate_on"), "the second screen is still on");
        assert!(self.is("cursor_flag"), "the cursor is still hidden");
        self.run("stty -a | grep -c ' -echo\\b'; echo lines are re\"\"stored");
        let screen = self.wait_for("lines are restored");
        assert!(screen.contains("0\nlines are restored"), "typing is not shown\n{screen}");
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        self.tmux(&["kill-server"]);
    }
}

/// A path as a shell takes it.
pub fn quoted(path: &std::path::Path) -> String {
    format!("'{}'", PathBuf::from(path).display())
}
