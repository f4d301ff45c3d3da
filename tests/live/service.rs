//! The example of a systemd service, as it is shipped, under systemd itself: with a udev of its own
//! it waits for its interface, listens, is watched by the watchdog, and ends well. And the whole
//! package: installed, one line of settings edited, removed.

use std::fs;
use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::Value;

use super::Absent;
use super::bus::{Pair, Virtual, sent};
use super::running::{dropline, program, read_capture, text};
use super::speaker::Speaker;
use super::systemd::Manager;

/// Where the unit expects the program.
const PROGRAM: &str = "/usr/bin/dropline";
/// What it is told in the file that the unit names.
const ARGUMENTS: &str = "DROPLINE_ARGUMENTS=--metrics 127.0.0.1:9771\n";

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
    let mut manager = Manager::start(false)?;
    fs::copy(program(), PROGRAM).unwrap();
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
    fs::remove_file(PROGRAM).unwrap();
    Ok(())
}

/// Installed as a user does it, on a machine with an adapter: the one line of the settings is all.
pub fn a_package_and_one_line() -> Result<(), Absent> {
    const SETTINGS: &str = "/etc/default/dropline";
    let mut manager = Manager::start(true)?;
    let _pair = Pair::new()?;
    let directory = tempfile::tempdir().unwrap();
    let made = Command::new(Path::new(env!("CARGO_MANIFEST_DIR")).join(".ci/package"))
        .arg(program())
        .arg(directory.path())
        .env("COMPRESSION", "none")
        .output()
        .unwrap();
    assert!(made.status.success(), "{}", text(&made.stderr));
    let package = text(&made.stdout).trim().to_owned();
    // dpkg asks for iproute2, which is here.
    let installed = manager.inside(&["dpkg", "--install", &package]);
    assert!(installed.status.success(), "{}", text(&installed.stderr));
    let users = fs::read_to_string("/etc/passwd").unwrap();
    assert!(users.lines().any(|line| line.starts_with("dropline:")), "no user of its own");

    let unit = "dropline@can0.service";
    assert_eq!(manager.show(unit, "ActiveState"), "inactive", "nobody asked for it yet");
    let settings = fs::read_to_string(SETTINGS).unwrap();
    let edited = settings.replace("#can0=125000", "can0=125000");
    assert_ne!(settings, edited);
    fs::write(SETTINGS, &edited).unwrap();
    let is_active = |manager: &mut Manager| manager.show(unit, "ActiveState") == "active";
    manager.until("active", is_active);
    let link = Command::new("ip").args(["-details", "link", "show", "can0"]).output().unwrap();
    let link = text(&link.stdout).to_owned();
    assert!(link.contains("LISTEN-ONLY") && link.contains("bitrate 125000"), "{link}");
    let user =
        manager.inside(&["stat", "-c", "%U", &format!("/proc/{}", manager.show(unit, "MainPID"))]);
    assert_eq!(text(&user.stdout).trim(), "dropline");

    // As many as the emulated controller takes at once.
    Speaker::on(Pair::SENDER).count(0..5);
    manager.until("heard", |manager| manager.show(unit, "StatusText").contains(" 5 frames"));

    // Another bit rate, in the same line.
    let process = manager.show(unit, "MainPID");
    fs::write(SETTINGS, edited.replace("can0=125000", "can0=500000")).unwrap();
    manager.until("started again", |manager| {
        // In this order: it is active until it stops, and between the two it has no process.
        let now = manager.show(unit, "MainPID");
        now != "0" && now != process && is_active(manager)
    });
    let link = Command::new("ip").args(["-details", "link", "show", "can0"]).output().unwrap();
    let link = text(&link.stdout).to_owned();
    assert!(link.contains("LISTEN-ONLY") && link.contains("bitrate 500000"), "{link}");
    assert_eq!(sent(Pair::LISTENER), 0);

    let removed = manager.inside(&["dpkg", "--purge", "dropline"]);
    assert!(removed.status.success(), "{}", text(&removed.stderr));
    assert_eq!(manager.show(unit, "MainPID"), "0");
    assert!(!Path::new(PROGRAM).exists() && !Path::new(SETTINGS).exists());
    let directory = Path::new("/var/lib/private/dropline/can0");
    assert_eq!(captures(directory).len(), 2, "what was heard is still there");
    Ok(())
}
