//! The program that is run when something happens: given the finding on its standard input as one
//! line of JSON, limited in how often and how long, on a thread of its own, so that nobody waits for
//! it.
//!
//! It is started as it is named, without a shell: no word of it is split, expanded or looked at.
//! It leads a process group of its own; what it started and left running ends with it.

use std::ffi::OsString;
use std::io::{self, Read, Write};
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::process::{Child, ChildStderr, Command, ExitStatus, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, SyncSender, channel, sync_channel};
use std::thread;
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use jiff::SignedDuration;
use nix::fcntl::{FcntlArg, OFlag, fcntl};
use nix::sys::signal::{Signal, killpg};
use nix::sys::wait::{Id, WaitPidFlag, WaitStatus, waitid};
use nix::unistd::Pid;
use serde::Serialize;

use crate::health::summary::FindingSummary;
use crate::health::{Onset, json};
use crate::output::metrics::HookState;
use crate::wire::{Header, Nanos};
use crate::words::{CAUTIONS, one_line};

/// The most findings that wait for a run; further ones are passed over.
const WAITING: usize = 16;

/// How often is checked whether the program has ended.
const LOOK: Duration = Duration::from_millis(20);

/// The most bytes of a failed program's standard error that are shown.
const COMPLAINT: usize = 2000;

/// How long the end of the watch waits for a run that goes on. A service manager gives a minute in
/// all (`TimeoutStopSec` in `dropline@.service`).
const ENDING: Duration = Duration::from_secs(20);

/// Only a run that takes longer is said to be waited for.
const SOON: Duration = Duration::from_millis(300);

/// What to run, and its limits.
#[derive(Debug, Clone)]
pub(super) struct HookOptions {
    /// The program, then its arguments.
    pub(super) command: Vec<OsString>,
    /// The shortest time from one start to the next.
    pub(super) every: Duration,
    /// The longest time that the program may run.
    pub(super) limit: Duration,
}

/// What became of the findings handed over so far.
#[derive(Debug, Default)]
struct HookCounts {
    runs: AtomicU64,
    failures: AtomicU64,
    passed_over: AtomicU64,
}

/// The thread that runs the program.
pub(super) struct Hook {
    name: String,
    findings: Option<SyncSender<String>>,
    messages: Receiver<String>,
    counts: Arc<HookCounts>,
    /// The run that goes on is to be ended.
    abort: Arc<AtomicBool>,
    /// Dropped at the end of the watch.
    going_on: Option<Sender<()>>,
    thread: Option<JoinHandle<()>>,
}

impl Hook {
    pub(super) fn new(options: HookOptions) -> io::Result<Hook> {
        let name = options.command.first().map(|name| name.to_string_lossy().into_owned());
        let name = one_line(&name.unwrap_or_default());
        let (findings, to_run) = sync_channel::<String>(WAITING);
        let (say, messages) = channel();
        let counts = Arc::new(HookCounts::default());
        let of_thread = Arc::clone(&counts);
        let called = name.clone();
        let (going_on, ending) = channel();
        let abort = Arc::new(AtomicBool::new(false));
        let aborted = Arc::clone(&abort);
        let thread = thread::Builder::new().name("run on finding".into()).spawn(move || {
            let mut runner = HookRunner { options, name: called, failed: false, aborted };
            let mut next = Instant::now();
            while let Ok(finding) = to_run.recv() {
                let wait = next.saturating_duration_since(Instant::now());
                if !wait.is_zero() && ending.recv_timeout(wait) != Err(RecvTimeoutError::Timeout) {
                    // Findings that wait do not hold up the end of the watch.
                    of_thread.passed_over.fetch_add(1, Ordering::Relaxed);
                    continue;
                }
                next = Instant::now() + runner.options.every;
                of_thread.runs.fetch_add(1, Ordering::Relaxed);
                if let Err(why) = runner.run(&finding) {
                    of_thread.failures.fetch_add(1, Ordering::Relaxed);
                    if let Some(line) = runner.report(&why) {
                        // It fails once the watch has ended.
                        let _ = say.send(line);
                    }
                }
            }
        })?;
        Ok(Hook {
            name,
            findings: Some(findings),
            messages,
            counts,
            abort,
            going_on: Some(going_on),
            thread: Some(thread),
        })
    }

    /// Hands a finding over. It neither waits nor fails.
    pub(super) fn send(&mut self, finding: String) {
        if let Some(findings) = &self.findings
            && findings.try_send(finding).is_err()
        {
            self.counts.passed_over.fetch_add(1, Ordering::Relaxed);
        }
    }

    pub(super) fn messages(&mut self) -> Vec<String> {
        self.messages.try_iter().collect()
    }

    pub(super) fn state(&self) -> HookState {
        let count = |counter: &AtomicU64| counter.load(Ordering::Relaxed);
        let HookCounts { runs, failures, passed_over } = &*self.counts;
        HookState { runs: count(runs), failures: count(failures), passed_over: count(passed_over) }
    }

    /// Waits for the run that goes on, up to its limit, [`ENDING`] or until it is to be given up,
    /// and reports what became of all findings. `say`: that it waits.
    pub(super) async fn finish(
        mut self,
        give_up: impl Future<Output = ()>,
        mut say: impl FnMut(&str),
    ) -> Vec<String> {
        self.findings = None;
        self.going_on = None;
        let thread = self.thread.take();
        let runs = || thread.as_ref().is_some_and(|thread| !thread.is_finished());
        let ended = async |within: Duration| {
            let deadline = Instant::now() + within;
            while runs() && Instant::now() < deadline {
                tokio::time::sleep(LOOK).await;
            }
        };
        ended(SOON).await;
        if runs() {
            let name = &self.name;
            say(&format!("waiting for {name}, at most {ENDING:?}; a further Ctrl-C ends it"));
            tokio::select! {
                () = give_up => {}
                () = ended(ENDING) => {}
            }
        }
        self.thread = thread;
        self.end();
        let mut messages = self.messages();
        let count = |counter: &AtomicU64| counter.load(Ordering::Relaxed);
        let name = &self.name;
        match (count(&self.counts.failures), count(&self.counts.runs)) {
            (0, _) => {}
            (failures, runs) => messages.push(format!("{name}: {failures} of {runs} runs failed")),
        }
        match count(&self.counts.passed_over) {
            0 => {}
            more => messages.push(format!(
                "{name}: not run for {more} more findings, which came too close upon each other"
            )),
        }
        messages
    }

    fn end(&mut self) {
        self.abort.store(true, Ordering::Relaxed);
        self.findings = None;
        self.going_on = None;
        if let Some(thread) = self.thread.take() {
            // A panic of the thread was reported by the thread.
            let _ = thread.join();
        }
    }
}

impl Drop for Hook {
    fn drop(&mut self) {
        self.end();
    }
}

/// Why a run of the program failed; `said` is what it wrote to standard error.
#[derive(Debug, thiserror::Error)]
enum HookError {
    #[error("cannot be run: {0}")]
    NotStarted(io::Error),
    #[error("cannot be waited for: {error}{complaint_text}")]
    NotWaitedFor { error: io::Error, complaint_text: String },
    #[error("not done when the watch ended, and ended with it{complaint_text}")]
    Aborted { complaint_text: String },
    #[error("not done after {limit:?} and ended{complaint_text}")]
    TooSlow { limit: Duration, complaint_text: String },
    #[error("failed with status {code}{complaint_text}")]
    Status { code: i32, complaint_text: String },
    #[error("ended by signal {signal}{complaint_text}")]
    Signal { signal: i32, complaint_text: String },
}

struct HookRunner {
    options: HookOptions,
    name: String,
    /// Whether the last run failed, which was reported.
    failed: bool,
    aborted: Arc<AtomicBool>,
}

impl HookRunner {
    /// The message for a failure; only for the first since the program last worked.
    fn report(&mut self, why: &HookError) -> Option<String> {
        let first = !std::mem::replace(&mut self.failed, true);
        first.then(|| {
            let name = &self.name;
            one_line(&format!("{name}: {why}; the watch goes on, further failures are counted"))
        })
    }

    fn run(&mut self, finding: &str) -> Result<(), HookError> {
        let [program, arguments @ ..] = &self.options.command[..] else { return Ok(()) };
        let mut child = Command::new(program)
            .args(arguments)
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .process_group(0)
            .spawn()
            .map_err(HookError::NotStarted)?;
        let mut complaint = Complaint::of(&mut child);
        if let Some(mut input) = child.stdin.take() {
            // It fits into the pipe. An error means that the program does not read it.
            let _ = input.write_all(finding.as_bytes());
        }
        let ended = self.wait(&mut child, &mut complaint);
        complaint.read();
        let complaint = String::from_utf8_lossy(&complaint.text);
        let complaint_text = match complaint.trim() {
            "" => String::new(),
            complaint => format!(": {complaint}"),
        };
        match ended {
            Err(error) => Err(HookError::NotWaitedFor { error, complaint_text }),
            Ok(None) if self.aborted.load(Ordering::Relaxed) => {
                Err(HookError::Aborted { complaint_text })
            }
            Ok(None) => Err(HookError::TooSlow { limit: self.options.limit, complaint_text }),
            Ok(Some(status)) if status.success() => {
                self.failed = false;
                Ok(())
            }
            Ok(Some(status)) => Err(match status.code() {
                Some(code) => HookError::Status { code, complaint_text },
                None => HookError::Signal {
                    signal: status.signal().unwrap_or_default(),
                    complaint_text,
                },
            }),
        }
    }

    /// Waits for it up to its limit, then ends what is left of its process group. `None`: it was
    /// not done.
    fn wait(&self, child: &mut Child, complaint: &mut Complaint) -> io::Result<Option<ExitStatus>> {
        let group = Pid::from_raw(child.id() as i32);
        let deadline = Instant::now() + self.options.limit;
        // Not reaped before its group is ended: until then no other process gets its number.
        let flags = WaitPidFlag::WEXITED | WaitPidFlag::WNOWAIT | WaitPidFlag::WNOHANG;
        let done = loop {
            match waitid(Id::Pid(group), flags) {
                Ok(WaitStatus::StillAlive) => {}
                Ok(_) => break true,
                Err(error) => {
                    let _ = killpg(group, Signal::SIGKILL);
                    return Err(error.into());
                }
            }
            if Instant::now() >= deadline || self.aborted.load(Ordering::Relaxed) {
                break false;
            }
            complaint.read();
            thread::sleep(LOOK);
        };
        // An error means that the group is empty.
        let _ = killpg(group, Signal::SIGKILL);
        let status = child.wait()?;
        Ok(done.then_some(status))
    }
}

/// What the program writes to standard error: read while it runs, so that it never blocks on a full
/// pipe, and closed with it. What it left running costs nothing, for as long as that may live.
struct Complaint {
    errors: Option<ChildStderr>,
    /// The first of it.
    text: Vec<u8>,
}

impl Complaint {
    fn of(child: &mut Child) -> Complaint {
        let errors = child.stderr.take().filter(|errors| {
            // If it cannot be read without waiting, it is not read.
            fcntl(errors, FcntlArg::F_SETFL(OFlag::O_NONBLOCK)).is_ok()
        });
        Complaint { errors, text: Vec::new() }
    }

    /// Reads what is there.
    fn read(&mut self) {
        // No more at a time, so that one that writes without end is ended at its limit.
        const AT_A_TIME: usize = 64;
        let Some(errors) = &mut self.errors else { return };
        let mut bytes = [0; 65536];
        for _ in 0..AT_A_TIME {
            let Ok(count @ 1..) = errors.read(&mut bytes) else { return };
            let room = COMPLAINT.saturating_sub(self.text.len());
            self.text.extend_from_slice(&bytes[..count.min(room)]);
        }
    }
}

#[derive(Serialize)]
struct HookPayload<'a> {
    format: &'a str,
    version: u32,
    /// The interface that is listened to.
    interface: Option<&'a str>,
    /// When it was found, in UTC.
    time: String,
    /// When the watch began; the times of the finding count from there.
    started: String,
    /// Whether it had happened before, and had been quiet since.
    again: bool,
    /// As in a summary.
    finding: FindingSummary,
    cautions: [&'a str; CAUTIONS.len()],
}

/// The finding as a line of JSON, with its line feed.
pub(super) fn payload(header: &Header, now: Nanos, onset: &Onset) -> String {
    let time = header.started.saturating_add(SignedDuration::from_nanos(now.0));
    let payload = HookPayload {
        format: "dropline-finding",
        version: 2,
        interface: header.interface.as_deref(),
        time: time.unwrap_or(header.started).to_string(),
        started: header.started.to_string(),
        again: onset.again,
        finding: FindingSummary::from(&onset.finding),
        cautions: CAUTIONS,
    };
    let mut line = json::line(&payload);
    line.push('\n');
    line
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;
    use std::path::{Path, PathBuf};

    use super::*;

    /// A program of the test's own.
    fn program(directory: &Path, script: &str) -> PathBuf {
        let path = directory.join("on finding; $(touch oops).sh");
        std::fs::write(&path, format!("#!/bin/sh\ncd '{}'\n{script}\n", directory.display()))
            .unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o755)).unwrap();
        path
    }

    fn start(program: PathBuf, more: &[&str], every: u64, limit: u64) -> Hook {
        let mut command = vec![program.into_os_string()];
        command.extend(more.iter().map(OsString::from));
        let [every, limit] = [every, limit].map(Duration::from_millis);
        Hook::new(HookOptions { command, every, limit }).unwrap()
    }

    fn finish(hook: Hook) -> Vec<String> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
        runtime.block_on(hook.finish(std::future::pending(), |_| {}))
    }

    fn read(path: PathBuf) -> String {
        std::fs::read_to_string(path).unwrap_or_default()
    }

    #[test]
    fn it_gets_the_finding_and_its_arguments_as_they_are() {
        let directory = tempfile::tempdir().unwrap();
        let script = "cat > got; printf '%s|' \"$@\" > arguments";
        let path = program(directory.path(), script);
        let mut hook = start(path, &["$HOME; *", "a b"], 0, 10_000);
        hook.send("{\"code\":\"node-left\"}\n".into());
        assert_eq!(finish(hook), [""; 0]);
        assert_eq!(read(directory.path().join("got")), "{\"code\":\"node-left\"}\n");
        assert_eq!(read(directory.path().join("arguments")), "$HOME; *|a b|");
        assert!(!directory.path().join("oops").exists());
    }

    #[test]
    fn a_failure_is_told_once_and_counted() {
        let directory = tempfile::tempdir().unwrap();
        let path = program(directory.path(), "echo no bell here >&2; exit 3");
        let mut hook = start(path.clone(), &[], 0, 10_000);
        for _ in 0..3 {
            hook.send("{}".into());
        }
        let messages = finish(hook);
        assert_eq!(messages.len(), 2, "{messages:?}");
        assert!(messages[0].contains("failed with status 3: no bell here; the watch goes on"));
        assert!(messages[1].ends_with("3 of 3 runs failed"), "{messages:?}");

        std::fs::remove_file(&path).unwrap();
        let mut hook = start(path, &[], 0, 10_000);
        hook.send("{}".into());
        assert!(finish(hook)[0].contains("cannot be run: No such file"));
    }

    /// It may not read, may complain without end, and may leave children behind.
    #[test]
    fn past_its_limit_it_is_ended_with_its_children() {
        let directory = tempfile::tempdir().unwrap();
        let script = "sleep 3 && touch late & (while :; do echo x; done) >&2 & sleep 60";
        let path = program(directory.path(), script);
        let begun = Instant::now();
        let mut hook = start(path, &[], 0, 300);
        hook.send("x".repeat(60_000));
        let messages = finish(hook);
        assert!(messages[0].contains("not done after 300ms and ended: x"), "{messages:?}");
        assert!(begun.elapsed() < Duration::from_secs(3), "{:?}", begun.elapsed());
        thread::sleep(Duration::from_millis(3_500).saturating_sub(begun.elapsed()));
        assert!(!directory.path().join("late").exists());
    }

    #[test]
    fn too_many_are_passed_over_and_nobody_waits() {
        let directory = tempfile::tempdir().unwrap();
        let path = program(directory.path(), "echo >> runs");
        let begun = Instant::now();
        let mut hook = start(path, &[], 3_600_000, 10_000);
        for _ in 0..1_000 {
            hook.send("{}".into());
        }
        assert!(begun.elapsed() < Duration::from_secs(2));
        let messages = finish(hook);
        assert_eq!(messages.len(), 1, "{messages:?}");
        assert!(messages[0].contains("not run for 999 more findings"), "{messages:?}");
        assert_eq!(read(directory.path().join("runs")).lines().count(), 1);
    }

    /// Whoever ends the watch a second time does not wait for it.
    #[test]
    fn one_that_hangs_is_given_up() {
        let directory = tempfile::tempdir().unwrap();
        let path = program(directory.path(), "touch running; sleep 60");
        let mut hook = start(path, &[], 0, 60_000);
        hook.send("{}".into());
        while !directory.path().join("running").exists() {
            thread::sleep(LOOK);
        }
        let begun = Instant::now();
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
        let mut said = Vec::new();
        let messages = runtime.block_on(hook.finish(async {}, |line| said.push(line.to_owned())));
        assert!(said[0].contains("at most 20s; a further Ctrl-C ends it"), "{said:?}");
        assert!(messages[0].contains("not done when the watch ended"), "{messages:?}");
        assert!(begun.elapsed() < Duration::from_secs(10), "{:?}", begun.elapsed());
    }

    /// What leaves the group goes on, and the watch keeps no pipe open for it.
    #[test]
    fn what_it_leaves_running_costs_nothing() {
        let directory = tempfile::tempdir().unwrap();
        let left = "trap \"\" PIPE; touch left; sleep 1; echo still here >&2 || touch closed";
        // Ended before it has left the group, it would go with the group.
        let wait = "while ! [ -e left ]; do sleep 0.01; done";
        let script = format!("echo bad >&2; setsid sh -c '{left}' & {wait}; exit 3");
        let mut hook = start(program(directory.path(), &script), &[], 0, 10_000);
        hook.send("{}".into());
        let deadline = Instant::now() + Duration::from_secs(20);
        while !directory.path().join("closed").exists() {
            assert!(Instant::now() < deadline, "the pipe is still open");
            thread::sleep(LOOK);
        }
        let messages = finish(hook);
        assert!(messages[0].contains("failed with status 3: bad"), "{messages:?}");
    }
}
