//! Left alone: a capture in pieces, what came before and after, a program that is told, metrics,
//! and what a service manager hears.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serde_json::Value;
use tempfile::TempDir;

use super::Absent;
use super::bus::Virtual;
use super::process::Process;
use super::running::{dropline, read_capture, text};
use super::speaker::Speaker;

/// A watch whose capture comes in pieces.
struct Left {
    process: Process,
    directory: TempDir,
}

impl Left {
    fn alone(bus: &Virtual, more: &[&str]) -> Left {
        let directory = TempDir::new().unwrap();
        let mut command = dropline();
        command.args(["watch", &bus.name, "--bitrate", "125000"]).args(more);
        command.arg("--capture").arg(directory.path().join("line3.jsonl"));
        command.arg("--summary").arg(directory.path().join("watch.json"));
        let mut process = Process::complaining(&mut command);
        process.line_with("listening");
        Left { process, directory }
    }

    fn stop(self) -> (TempDir, Vec<String>) {
        self.process.signal("TERM");
        let (status, complaints) = self.process.ended();
        assert_eq!(status.code(), Some(0), "{complaints:?}");
        (self.directory, complaints)
    }
}

fn pieces(directory: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(directory).unwrap().map(|entry| entry.unwrap().path());
    let mut pieces: Vec<PathBuf> =
        entries.filter(|path| path.extension().is_some_and(|e| e == "jsonl")).collect();
    pieces.sort();
    pieces
}

pub fn a_capture_in_pieces_is_the_watch() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let watch = Left::alone(&bus, &["--roll", "100kB"]);
    let speaker = Speaker::on(&bus.name);
    for part in 0..10 {
        speaker.count(part * 500..(part + 1) * 500);
        std::thread::sleep(Duration::from_millis(100));
    }
    std::thread::sleep(Duration::from_millis(500));
    let (directory, _) = watch.stop();
    let pieces = pieces(directory.path());
    assert!(pieces.len() >= 3, "{pieces:?}");
    let mut replay = dropline();
    let again = replay.arg("replay").args(&pieces).args(["--summary", "-"]).output().unwrap();
    assert_eq!(text(&again.stderr), "");
    let expected = std::fs::read_to_string(directory.path().join("watch.json")).unwrap();
    assert_eq!(text(&again.stdout), expected);
    let summary: Value = serde_json::from_str(&expected).unwrap();
    assert_eq!(summary["source"]["frames"], 5_000);
    assert_eq!(summary["source"]["name"], "line3.jsonl");
    Ok(())
}

/// A node that stops answering: what came before and after is there, the rest is not, and the
/// program has been told.
pub fn what_happens_is_kept_and_told() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let told = TempDir::new().unwrap();
    let file = told.path().join("told");
    let descriptors = told.path().join("descriptors");
    let script =
        format!("cat >> {}; ls -l /proc/$$/fd > {}", file.display(), descriptors.display());
    let run = ["--run", "/bin/sh", "--run-arg", "-c", "--run-arg", &script];
    let margins = ["--on-finding", "--before", "2s", "--after", "1s", "--run-every", "1ms"];
    let watch = Left::alone(&bus, &[&margins[..], &run].concat());
    let speaker = Speaker::on(&bus.name);
    let poll = |round: u8, answered| {
        speaker.say(0x465, &[round]); // poll command to 12
        if answered {
            speaker.say(0x3CC, &[round]); // poll response of 12
        }
        std::thread::sleep(Duration::from_millis(50));
    };
    (0..80).for_each(|round| poll(round, true));
    (80..120).for_each(|round| poll(round, false));
    (120..200).for_each(|round| poll(round, true));
    let (directory, complaints) = watch.stop();
    let (mut kept, mut before) = (0, false);
    for piece in pieces(directory.path()) {
        let (_, lines) = read_capture(&piece);
        let (end, lines) = lines.split_last().unwrap();
        let end: Value = serde_json::from_str(end).unwrap();
        assert_eq!(end["end"]["frames"], lines.len(), "{}", piece.display());
        kept += lines.len();
        before |= lines.iter().any(|line| line.contains("\"data\":\"4F\""));
        assert!(lines.iter().all(|line| !line.contains("\"data\":\"05\"")), "too early");
    }
    assert!(before, "the poll before the first that was missed is not there");
    assert!(kept > 40 && kept < 360, "{kept} of 360 frames kept; {complaints:?}");
    let told = std::fs::read_to_string(file).unwrap();
    let codes: Vec<String> = told
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).expect(line))
        .map(|told| told["finding"]["code"].as_str().unwrap().to_owned())
        .collect();
    assert!(codes.iter().any(|code| code == "node-left"), "{codes:?}");
    // Nothing of the watch is open in the program: it can neither send nor hold the frames.
    let descriptors = std::fs::read_to_string(descriptors).unwrap();
    assert!(descriptors.contains("pipe:") && !descriptors.contains("socket:"), "{descriptors}");
    assert!(!descriptors.contains("line3"), "{descriptors}");
    Ok(())
}

/// The summary is there before anybody waits for the program, and nobody has to wait.
pub fn a_program_that_hangs() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let told = TempDir::new().unwrap();
    let file = told.path().join("runs");
    let script = format!("touch {}; sleep 100", file.display());
    let run = ["--run", "/bin/sh", "--run-arg", "-c", "--run-arg", &script, "--run-limit", "90s"];
    let mut watch = Left::alone(&bus, &run);
    let speaker = Speaker::on(&bus.name);
    let begun = Instant::now();
    // A node that answers, and then no more.
    for round in 0_u8.. {
        speaker.say(0x465, &[round]);
        if round < 40 {
            speaker.say(0x3CC, &[round]);
        }
        if file.exists() {
            break;
        }
        assert!(begun.elapsed() < Duration::from_secs(60), "nothing was found");
        std::thread::sleep(Duration::from_millis(50));
    }
    let ending = Instant::now();
    watch.process.signal("INT");
    watch.process.line_with("waiting for /bin/sh, at most 20s");
    let summary = std::fs::read_to_string(watch.directory.path().join("watch.json")).unwrap();
    assert!(serde_json::from_str::<Value>(&summary).unwrap()["findings"].is_array());
    let (_, complaints) = watch.stop();
    assert!(ending.elapsed() < Duration::from_secs(15), "{:?}", ending.elapsed());
    assert!(complaints.iter().any(|line| line.contains("not done when the watch ended")));
    Ok(())
}

fn metrics(watch: &mut Process) -> String {
    let line = watch.line_with("metrics are at");
    let address = line.split("http://").nth(1).unwrap().split('/').next().unwrap().to_owned();
    std::thread::sleep(Duration::from_millis(200));
    address
}

fn get(address: &str) -> String {
    let mut stream = TcpStream::connect(address).unwrap();
    write!(stream, "GET /metrics HTTP/1.1\r\nHost: {address}\r\n\r\n").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

/// Two watches of one interface hear the same, and each serves it.
pub fn two_watches_serve_metrics() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let mut watches = [(); 2].map(|()| Left::alone(&bus, &["--metrics", "127.0.0.1:0"]));
    let addresses = watches.each_mut().map(|watch| metrics(&mut watch.process));
    Speaker::on(&bus.name).count(0..300);
    std::thread::sleep(Duration::from_millis(700));
    for address in &addresses {
        let answer = get(address);
        let frames = format!("dropline_frames_total{{interface=\"{}\"}} 300\n", bus.name);
        assert!(answer.starts_with("HTTP/1.1 200") && answer.contains(&frames), "{answer}");
        assert!(answer.contains("dropline_capture_failing"), "{answer}");
    }
    let left = watches.map(|watch| watch.stop().0);
    let [one, other] = left.each_ref().map(|directory| {
        read_capture(&directory.path().join("line3.jsonl"))
            .1
            .into_iter()
            .filter(|line| line.contains("\"id\""))
            .count()
    });
    assert_eq!((one, other), (300, 300));
    assert!(TcpStream::connect(&addresses[0]).is_err(), "it serves after its end");

    let open = dropline().args(["watch", &bus.name, "--metrics", "0.0.0.0:0"]).output().unwrap();
    assert_eq!(open.status.code(), Some(2));
    assert!(text(&open.stderr).contains("--allow-remote"), "{}", text(&open.stderr));
    Ok(())
}

/// What systemd hears: sd_notify(3).
pub fn a_service_manager_hears_of_it() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let directory = TempDir::new().unwrap();
    let path = directory.path().join("notify");
    let socket = UnixDatagram::bind(&path).unwrap();
    socket.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    let heard = || {
        let mut buffer = [0; 4096];
        socket.recv(&mut buffer).map(|n| String::from_utf8_lossy(&buffer[..n]).into_owned())
    };
    let mut command = dropline();
    command.args(["watch", &bus.name, "--plain"]);
    command.env("NOTIFY_SOCKET", &path).env("WATCHDOG_USEC", "2000000");
    let mut watch = Process::complaining(&mut command);
    let ready = heard().unwrap();
    assert!(ready.contains("READY=1"), "{ready}");
    watch.line_with("listening");
    for _ in 0..2 {
        let alive = heard().unwrap();
        assert!(alive.contains("WATCHDOG=1") && alive.contains("STATUS="), "{alive}");
    }
    // A watch that hangs says nothing.
    watch.signal("STOP");
    std::thread::sleep(Duration::from_millis(300));
    socket.set_nonblocking(true).unwrap();
    while heard().is_ok() {}
    std::thread::sleep(Duration::from_millis(2_500));
    assert!(heard().is_err(), "it says that it is alive and is not");
    socket.set_nonblocking(false).unwrap();
    watch.signal("CONT");
    assert!(heard().unwrap().contains("WATCHDOG=1"));
    watch.signal("TERM");
    while !heard().unwrap().contains("STOPPING=1") {}
    assert_eq!(watch.ended().0.code(), Some(0));
    Ok(())
}
