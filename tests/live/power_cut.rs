//! A power cut: on a disk that loses what was not flushed, all that was heard until a second before is
//! there, and what a watch left when it had ended is whole.

use std::path::PathBuf;
use std::time::{Duration, Instant};

use super::Absent;
use super::block_disk::{BlockDisk, ServedDisk};
use super::bus::Virtual;
use super::process::Process;
use super::running::{dropline, replay, text};
use super::speaker::Speaker;
use serde_json::Value;

/// What a watch promises, and time for the emulated machine to do it in.
const LAST: Duration = Duration::from_millis(1_000 + 700);

/// The numbers of the frames in a capture or its pieces, which may be torn at the end.
fn numbers(captures: &[PathBuf]) -> Vec<u64> {
    let output = dropline().args(["frames", "--json"]).args(captures).output().unwrap();
    assert!(matches!(output.status.code(), Some(0 | 1)), "{}", text(&output.stderr));
    let data = text(&output.stdout).lines().filter_map(|line| {
        let record: Value = serde_json::from_str(line).expect(line);
        record["data"].as_str().map(str::to_owned)
    });
    data.map(|data| u64::from_str_radix(&data, 16).expect(&data)).collect()
}

/// The files on a disk whose names begin so, in the order of their names.
fn files(disk: &BlockDisk, begin: &str) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(disk.path()).unwrap().map(|entry| entry.unwrap().path());
    let mut files: Vec<PathBuf> = entries
        .filter(|path| path.file_name().unwrap().to_str().unwrap().starts_with(begin))
        .collect();
    files.sort();
    files
}

/// Plain, packed, and in pieces; cut again and again while frames come, and once it has ended.
pub fn all_but_the_last_second_is_there() -> Result<(), Absent> {
    let bus = Virtual::new()?;
    let mut disk = ServedDisk::mount()?;
    let captures = ["plain.jsonl", "packed.jsonl.zst", "rolled.jsonl"];
    let start = |name: &&str| {
        let mut command = dropline();
        command.args(["watch", &bus.name, "--capture"]).arg(disk.path().join(name));
        command.arg("--summary").arg(disk.path().join(format!("{name}.summary")));
        if name.starts_with("rolled") {
            command.args(["--roll", "100kB"]);
        }
        let mut watch = Process::complaining(&mut command);
        watch.line_with("listening");
        watch
    };
    let watches: Vec<Process> = captures.iter().map(start).collect();
    let speaker = Speaker::on(&bus.name);
    let (mut sent, mut heard) = (0, Vec::new());
    for how in ["none", "some", "none", "some"] {
        // Not in step with the second at which all is made safe.
        let until = Instant::now() + Duration::from_millis(2_370);
        while Instant::now() < until {
            speaker.count(sent..sent + 10);
            sent += 10;
            heard.push((sent, Instant::now()));
            std::thread::sleep(Duration::from_millis(40));
        }
        let cut = Instant::now();
        let left = disk.cut(how);
        let promised =
            heard.iter().rfind(|(_, at)| cut.duration_since(*at) >= LAST).map_or(0, |(n, _)| *n);
        for name in captures {
            let there = numbers(&files(&left, name.split('.').next().unwrap()));
            let count = there.len() as u64;
            assert!(there.into_iter().eq(0..count), "{name}: not in order");
            println!("  {how} {name}: {count} of {sent}, {promised} of them promised");
            assert!((promised..=sent).contains(&count), "{name}: {count} of {promised}");
        }
    }
    std::thread::sleep(Duration::from_millis(200));
    watches.iter().for_each(|watch| watch.signal("TERM"));
    for watch in watches {
        let (status, complaints) = watch.ended();
        assert_eq!(status.code(), Some(0), "{complaints:?}");
    }
    let left = disk.cut("none");
    for name in captures {
        let all = files(&left, name.split('.').next().unwrap());
        let (summary, pieces): (Vec<PathBuf>, Vec<PathBuf>) =
            all.into_iter().partition(|path| path.extension().unwrap() == "summary");
        assert!(numbers(&pieces).into_iter().eq(0..sent), "{name}");
        let summary = std::fs::read_to_string(&summary[0]).unwrap();
        match &pieces[..] {
            [whole] => assert_eq!(text(&replay(whole).stdout), summary),
            _ => assert!(summary.contains("\"complete\": true"), "{summary}"),
        }
    }
    Ok(())
}
