//! The example of a systemd service, as it is shipped, under systemd itself: with a udev of its own
//! it waits for its interface, listens, is watched by the watchdog, and ends well.
//!
//! systemd is the first process of namespaces of its own; it finds a few units and no more.

use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;

use super::Absent;
use super::bus::{Virtual, is_emulated};
use super::process::PATIENCE;
use super::running::{dropline, read_capture, text};
use super::speaker::Speaker;

/// Where the unit expects the program.
const PROGRAM: &str = "/usr/bin/dropline";
const SYSTEMD: &str = "/lib/systemd/systemd";
/// What it is told in the file that the unit names.
const ARGUMENTS: &str = "DROPLINE_ARGUMENTS=--metrics 127.0.0.1:9771\n";

/// A systemd with udev and the service.
struct Manager {
    unshare: Child,
    /// The first process of its namespaces, as it is numbered here.
    first: String,
    _units: TempDir,
}

impl Manager {
    fn start() -> Result<Manager, Absent> {
        if !is_emulated() {
            return Err(Absent("only the emulated kernel may have a systemd of its own".into()));
        }
        if !Path::new(SYSTEMD).exists() {
            return Err(Absent(format!("there is no {SYSTEMD}")));
        }
        let units = TempDir::new().unwrap();
        let put = |name: &str, text: &str| fs::write(units.path().join(name), text).unwrap();
        for of_udev in ["udevd.service", "udevd-control.socket", "udevd-kernel.socket"] {
            let name = format!("systemd-{of_udev}");
            let path = format!("/lib/systemd/system/{name}");
            let unit = fs::read_to_string(&path).map_err(|e| Absent(format!("{path}: {e}")))?;
            put(&name, &unit);
        }
        let service = Path::new(env!("CARGO_MANIFEST_DIR")).join("shared/dropline@.service");
        put("dropline@.service", &fs::read_to_string(service).unwrap());
        // What every service refers to; the machine's own would start all of it.
        for target in ["sysinit", "basic", "sockets", "shutdown"] {
            put(&format!("{target}.target"), "[Unit]\nDefaultDependencies=no\n");
        }
        let udev = "systemd-udevd.service";
        let first = format!("[Unit]\nDefaultDependencies=no\nRequires={udev}\nAfter={udev}\n");
        put("first.target", &first);
        fs::copy(env!("CARGO_BIN_EXE_dropline"), PROGRAM).unwrap();
        let script = format!(
            "mount -t tmpfs tmpfs /run && mkdir -p /run/systemd/system \
             && mount -t cgroup2 cgroup2 /sys/fs/cgroup \
             && exec env -i PATH=\"$PATH\" SYSTEMD_UNIT_PATH={} SYSTEMD_LOG_TARGET=console \
             {SYSTEMD} --system --unit=first.target",
            units.path().display()
        );
        let unshare = Command::new("unshare")
            .args(["-mpfCu", "--kill-child", "--mount-proc", "bash", "-c", &script])
            .stdin(Stdio::null())
            .spawn()
            .map_err(|error| Absent(format!("unshare: {error}")))?;
        let children = format!("/proc/{0}/task/{0}/children", unshare.id());
        let mut manager = Manager { unshare, first: String::new(), _units: units };
        manager.until("systemd is started", |manager| {
            manager.first = fs::read_to_string(&children).unwrap_or_default().trim().to_owned();
            !manager.first.is_empty()
        });
        manager.until("systemd is up", |manager| {
            manager.systemctl(&["is-active", "--quiet", "first.target"]).status.success()
        });
        Ok(manager)
    }

    /// Runs a command there.
    fn inside(&self, words: &[&str]) -> Output {
        let mut command = Command::new("nsenter");
        command.args(["-t", &self.first, "-a", "--"]).args(words);
        command.env("SYSTEMD_PAGER", "").env("SYSTEMD_COLORS", "0").output().unwrap()
    }

    fn systemctl(&self, words: &[&str]) -> Output {
        self.inside(&[&["systemctl"][..], words].concat())
    }

    /// A property of a unit.
    fn show(&self, unit: &str, property: &str) -> String {
        text(&self.systemctl(&["show", "-P", property, unit]).stdout).trim().to_owned()
    }

    fn until(&mut self, what: &str, holds: impl Fn(&mut Manager) -> bool) {
        let deadline = Instant::now() + PATIENCE;
        while !holds(self) {
            if let Some(status) = self.unshare.try_wait().unwrap() {
                panic!("{what}: systemd ended: {status}");
            }
            if Instant::now() > deadline {
                let status = self.systemctl(&["status", "--full", "dropline@*"]);
                panic!("not in time: {what}; {}", text(&status.stdout));
            }
            std::thread::sleep(Duration::from_millis(200));
        }
    }
}

impl Drop for Manager {
    fn drop(&mut self) {
        // The first process, and all in its namespaces with it.
        let _ = self.unshare.kill();
        let _ = self.unshare.wait();
        let _ = fs::remove_file(PROGRAM);
    }
}

fn metrics() -> String {
    let mut stream = TcpStream::connect("127.0.0.1:9771").unwrap();
    write!(stream, "GET /metrics HTTP/1.1\r\nHost: localhost\r\n\r\n").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

fn captures(directory: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(directory).unwrap().map(|entry| entry.unwrap().path());
    let mut captures: Vec<PathBuf> =
        entries.filter(|path| path.extension().is_some_and(|e| e == "zst")).collect();
    captures.sort();
    captures
}

/// Nothing that it could do beyond listening.
fn is_confined(manager: &Manager, process: &str) {
    let status = manager.inside(&["cat", &format!("/proc/{process}/status")]);
    let status = text(&status.stdout);
    let of = |name: &str| {
        let line = status.lines().find_map(|line| line.strip_prefix(name));
        line.expect(name).trim_start_matches(':').trim().to_owned()
    };
    assert_eq!(of("CapBnd"), "0000000000000000");
    assert_eq!((of("NoNewPrivs"), of("Seccomp")), ("1".into(), "2".into()));
    assert!(!of("Uid").split_whitespace().any(|user| user == "0"), "{status}");
}

pub fn from_its_start_to_its_end() -> Result<(), Absent> {
    let mut manager = Manager::start()?;
    let name = Virtual::new_name();
    let unit = format!("dropline@{name}.service");
    fs::create_dir_all("/etc/dropline").unwrap();
    fs::write(format!("/etc/dropline/{name}.env"), ARGUMENTS).unwrap();

    // The adapter is not plugged in yet.
    assert!(manager.systemctl(&["start", "--no-block", &unit]).status.success());
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(manager.show(&unit, "ActiveState"), "inactive");
    let bus = Virtual::with_name(&name)?;
    let is_active = |manager: &mut Manager| manager.show(&unit, "ActiveState") == "active";
    manager.until("active", is_active);
    let status = manager.show(&unit, "StatusText");
    assert!(status.starts_with(&format!("{name}: ")), "{status}");
    let process = manager.show(&unit, "MainPID");
    is_confined(&manager, &process);

    let directory = Path::new("/var/lib/private/dropline").join(&name);
    let speaker = Speaker::on(&bus.name);
    speaker.count(0..100);
    manager.until("100 frames", |manager| manager.show(&unit, "StatusText").contains("100 frames"));
    let served = metrics();
    assert!(served.contains(&format!("dropline_frames_total{{interface=\"{name}\"}} 100\n")));
    assert_eq!(captures(&directory).len(), 1);

    // It hangs: the watchdog, 30 s, ends it, and it is started again.
    let restarts = |manager: &Manager| manager.show(&unit, "NRestarts").parse::<u32>().unwrap();
    let before = restarts(&manager);
    assert!(manager.inside(&["kill", "-STOP", &process]).status.success());
    let hangs = Instant::now();
    manager.until("started again", |manager| restarts(manager) > before && is_active(manager));
    let took = hangs.elapsed();
    assert!(took > Duration::from_secs(25), "{took:?}: that was not the watchdog");
    assert_ne!(manager.show(&unit, "MainPID"), process);
    speaker.count(100..150);
    manager.until("50 frames", |manager| manager.show(&unit, "StatusText").contains("50 frames"));

    let stopped = manager.systemctl(&["stop", &unit]);
    assert!(stopped.status.success(), "{}", text(&stopped.stderr));
    for (property, value) in [("ActiveState", "inactive"), ("Result", "success")] {
        assert_eq!(manager.show(&unit, property), value, "{property}");
    }
    // Of the watch that was killed there is all; the other one is complete.
    let captures = captures(&directory);
    assert_eq!(captures.len(), 2, "{captures:?}");
    let (_, lines) = read_capture(&captures[1]);
    let end: Value = serde_json::from_str(lines.last().unwrap()).unwrap();
    assert_eq!(end["end"]["frames"], 50);
    let summary = fs::read_to_string(directory.join(format!("{name}.summary.json"))).unwrap();
    let summary: Value = serde_json::from_str(&summary).unwrap();
    let frames_and_complete = |summary: &Value| {
        (summary["source"]["frames"].as_u64(), summary["source"]["complete"].as_bool())
    };
    assert_eq!(frames_and_complete(&summary), (Some(50), Some(true)));
    let first = dropline().arg("replay").arg(&captures[0]).arg("--json").output().unwrap();
    let first: Value = serde_json::from_slice(&first.stdout).unwrap();
    assert_eq!(frames_and_complete(&first), (Some(100), Some(false)));
    Ok(())
}
