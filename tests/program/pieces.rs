//! A capture in pieces: each is whole in itself, and together they are the watch.

use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;
use dropline::capture::Reader;
use dropline::internal::output::capture::{CaptureWriter, Pieces, WriterOptions, Written};
use dropline::record::{Header, What};
use dropline::simulation::SimSource;
use dropline::{Analysis, Nanos, Record, SourceKind, Summary};
use serde_json::Value;
use tempfile::TempDir;

fn demo() -> (Header, Vec<Record>) {
    let mut source = SimSource::demo();
    let (mut all, mut batch) = (Vec::new(), Vec::new());
    while source.read(&mut batch).unwrap() {
        all.append(&mut batch);
    }
    all.append(&mut batch);
    all.retain(|record| !matches!(record.what, What::End(_)));
    (source.header().clone(), all)
}

/// What a watch does: the same records to the writer and to the analysis.
fn watched(path: &Path, roll: &str, records: &[Record], header: &Header) -> (Written, Summary) {
    let pieces = Pieces { roll: Some(roll.parse().unwrap()), ..Pieces::default() };
    let options = WriterOptions { pieces: Some(pieces), ..WriterOptions::default() };
    let mut writer = CaptureWriter::create(path, header, options).unwrap();
    let mut analysis = Analysis::new(header);
    for batch in records.chunks(100) {
        writer.send(batch);
        batch.iter().for_each(|record| analysis.take(record, &mut |_, _| {}));
    }
    let written = writer.finish(analysis.trunk().now());
    analysis.take(&written.end.clone().expect("whole"), &mut |_, _| {});
    let name = written.path.file_name().unwrap().to_str().unwrap().to_owned();
    (written, analysis.finish(SourceKind::Capture, &name, 0, &mut |_, _| {}))
}

fn files(directory: &Path) -> Vec<PathBuf> {
    let mut files: Vec<PathBuf> =
        std::fs::read_dir(directory).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    files
}

fn replay(files: &[PathBuf], more: &[&str]) -> Output {
    let mut command = Command::cargo_bin("dropline").unwrap();
    command.arg("replay").args(files).args(more).output().unwrap()
}

fn summary(output: &Output) -> Value {
    assert!(output.status.success(), "{}", said(output));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn said(output: &Output) -> &str {
    std::str::from_utf8(&output.stderr).unwrap()
}

#[test]
fn all_pieces_together_give_the_summary_of_the_watch() {
    let (header, mut records) = demo();
    for (name, roll, steps) in [
        ("line3.jsonl", "200kB", false),
        ("line3.jsonl.zst", "7s", false),
        // A clock that steps back within a piece and at its end is the trunk's own affair.
        ("line3.jsonl", "5s", true),
    ] {
        if steps {
            let (third, half) = (records.len() / 3, records.len() / 2);
            records[third..].iter_mut().for_each(|record| record.t.0 -= 2_500_000_000);
            records[half..].iter_mut().for_each(|record| record.t.0 -= 30_000_000_000);
        }
        let directory = TempDir::new().unwrap();
        let path = directory.path().join(name);
        let (written, expected) = watched(&path, roll, &records, &header);
        let files = files(directory.path());
        assert!(files.len() > 2 && files.len() as u64 == written.pieces, "{files:?}");
        let output = replay(&files, &["--summary", "-"]);
        assert_eq!(String::from_utf8_lossy(&output.stdout), expected.to_json());
        assert_eq!((output.status.code(), said(&output)), (Some(0), ""));
        // The page is that of the whole, too.
        let page = replay(&files, &[]);
        assert!(String::from_utf8_lossy(&page.stdout).contains(name));

        // Each for itself is a complete capture.
        let each = replay(&files, &["--summary-lines", "--jobs", "2"]);
        let lines: Vec<Value> = String::from_utf8_lossy(&each.stdout)
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect();
        assert_eq!(lines.len(), files.len());
        for (line, file) in lines.iter().zip(&files) {
            assert_eq!(line["source"]["name"], file.file_name().unwrap().to_str().unwrap());
            assert_eq!(line["source"]["complete"], true);
        }
        let frames: u64 = lines.iter().map(|l| l["source"]["frames"].as_u64().unwrap()).sum();
        assert_eq!(frames, expected.source.frames);
    }
}

#[test]
fn one_piece_is_the_capture() {
    let (header, records) = demo();
    let directory = TempDir::new().unwrap();
    let (written, expected) =
        watched(&directory.path().join("line3.jsonl"), "1h", &records, &header);
    let output = replay(&[written.path], &["--summary", "-"]);
    assert_eq!(String::from_utf8_lossy(&output.stdout), expected.to_json());
}

/// Whatever reads captures takes all pieces as the one that they are.
#[test]
fn every_command_takes_the_pieces_as_one() {
    let (header, records) = demo();
    let directory = TempDir::new().unwrap();
    let one = directory.path().join("line3.jsonl");
    watched(&one, "1h", &records, &header);
    let one = std::fs::rename(&files(directory.path())[0], &one).map(|()| one).unwrap();
    let apart = TempDir::new().unwrap();
    let pieces = pieces(&apart);
    let output = |before: &[&str], files: &[PathBuf], after: &[&str]| {
        let mut command = Command::cargo_bin("dropline").unwrap();
        let output = command.args(before).args(files).args(after).output().unwrap();
        assert!(output.status.success(), "{}", said(&output));
        output
    };
    for command in [&["frames", "--noted"][..], &["frames", "--json"], &["replay", "--view"]] {
        let [one, several] = [std::slice::from_ref(&one), &pieces[..]]
            .map(|files| String::from_utf8(output(command, files, &[]).stdout).unwrap());
        assert!(one.lines().count() > 10, "{command:?}");
        assert!(one == several, "{command:?}");
    }
    let page = apart.path().join("line3.report.html");
    let one = output(&["report"], &[one], &[]);
    assert!(said(&one).contains("line3.report.html written"), "{}", said(&one));
    output(&["report"], &pieces, &[]);
    let [one, several] = [directory.path().join("line3.report.html"), page.clone()]
        .map(|page| std::fs::read_to_string(page).unwrap());
    // But for the hashes of the files, of which one has one and the other several.
    let same_but_hashes = |page: String| {
        let page = page.replace("@bottom-left { content", "\n@bottom-left { content");
        page.split("<div class=\"hash\">")
            .map(|part| part.split_once("</div>").filter(|_| part.contains("SHA-256</span>")))
            .zip(page.split("<div class=\"hash\">"))
            .map(|(hash, part)| hash.map_or(part, |(_, rest)| rest).to_string())
            .flat_map(|part| part.lines().map(String::from).collect::<Vec<_>>())
            .filter(|line| !line.starts_with("@bottom-left"))
            .collect::<Vec<_>>()
    };
    assert!(one.contains("SHA-256") && several.matches("class=\"hash\"").count() == pieces.len());
    assert!(same_but_hashes(one).concat() == same_but_hashes(several).concat());
    // A piece that cannot be read to its end leaves no page that would be taken for the whole.
    std::fs::remove_file(&page).unwrap();
    std::fs::write(&pieces[2], "no capture").unwrap();
    let mut command = Command::cargo_bin("dropline").unwrap();
    let broken = command.arg("report").args(&pieces).output().unwrap();
    assert_eq!((broken.status.code(), page.exists()), (Some(2), false), "{}", said(&broken));
}

fn pieces(directory: &TempDir) -> Vec<PathBuf> {
    let (header, records) = demo();
    watched(&directory.path().join("line3.jsonl"), "5s", &records, &header);
    files(directory.path())
}

#[test]
fn a_missing_piece_is_told_and_nothing_is_wrong_for_it() {
    let directory = TempDir::new().unwrap();
    let mut files = pieces(&directory);
    let whole = summary(&replay(&files, &["--summary", "-"]));
    let missing = summary(&replay(&files[3..5], &["--summary", "-"]));
    files.drain(3..5);
    let output = replay(&files, &["--summary", "-"]);
    let rest = summary(&output);
    assert!(said(&output).contains("2 files between them are missing"), "{}", said(&output));
    assert!(said(&output).contains("nothing captured for 1"), "{}", said(&output));
    let frames = |summary: &Value| summary["source"]["frames"].as_u64().unwrap();
    assert_eq!(frames(&rest) + frames(&missing), frames(&whole));
    assert_eq!(rest["source"]["link_downs"], 1);
    let duration = |summary: &Value| summary["source"]["duration_s"].as_f64().unwrap();
    assert_eq!(duration(&rest), duration(&whole));
    // A poll across the gap is no missed one.
    for (rest, whole) in
        rest["nodes"].as_array().unwrap().iter().zip(whole["nodes"].as_array().unwrap())
    {
        assert!(rest["poll"]["missed"].as_u64() <= whole["poll"]["missed"].as_u64());
    }
}

#[test]
fn order_overlap_and_a_piece_that_was_cut_off() {
    let directory = TempDir::new().unwrap();
    let files = pieces(&directory);
    let whole = replay(&files, &["--summary", "-"]);

    let mut reversed = files.clone();
    reversed.reverse();
    let output = replay(&reversed, &["--summary", "-"]);
    assert!(said(&output).contains("not given in the order of time"), "{}", said(&output));
    assert_eq!(summary(&output)["load"], summary(&whole)["load"]);

    // The same one twice.
    let output = replay(&[&files[..1], &files[..2]].concat(), &["--summary", "-"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(output.stdout.is_empty());
    assert!(said(&output).contains("ends; give the pieces of one watch"), "{}", said(&output));

    let text = std::fs::read_to_string(&files[1]).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    std::fs::write(&files[1], lines[..lines.len() - 10].join("\n")).unwrap();
    let output = replay(&files, &["--summary", "-"]);
    assert!(said(&output).contains("has no end"), "{}", said(&output));
    assert_eq!(summary(&output)["source"]["complete"], false);
}

#[test]
fn another_trunk_is_refused() {
    let directory = TempDir::new().unwrap();
    let (mut header, records) = demo();
    let one = watched(&directory.path().join("one.jsonl"), "1h", &records, &header).0.path;
    header.bitrate = dropline::Bitrate::new(500_000);
    header.started += jiff::SignedDuration::from_hours(1);
    let other = watched(&directory.path().join("other.jsonl"), "1h", &records, &header).0.path;
    let output = replay(&[one, other], &[]);
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&output).contains("replay them apart"), "{}", said(&output));
}

#[test]
fn a_bad_file_does_not_cost_the_other_summaries() {
    let directory = TempDir::new().unwrap();
    let mut files = pieces(&directory);
    let bad = directory.path().join("bad.jsonl");
    std::fs::write(&bad, "nothing of ours\n").unwrap();
    files.insert(2, bad);
    for jobs in ["1", "3"] {
        let output = replay(&files, &["--summary-lines", "--jobs", jobs]);
        assert_eq!(output.status.code(), Some(2));
        let names: Vec<String> = String::from_utf8_lossy(&output.stdout)
            .lines()
            .map(|line| serde_json::from_str::<Value>(line).unwrap()["source"]["name"].to_string())
            .collect();
        assert_eq!(names.len(), files.len() - 1);
        assert!(names.is_sorted());
        let complaints: Vec<&str> = said(&output).lines().collect();
        assert_eq!(complaints.len(), 2, "{complaints:?}");
        assert!(complaints[0].contains("bad.jsonl: line 1: not a dropline capture"));
        assert!(complaints[1].contains("1 of"), "{complaints:?}");
    }
    let output = replay(&files[..1], &["--summary-lines", "--fail-on", "note"]);
    let found = &summary_line(&output)["findings"];
    let expected = if found.as_array().unwrap().is_empty() { 0 } else { 1 };
    assert_eq!(output.status.code(), Some(expected));
}

fn summary_line(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn only_what_is_to_be_kept_stays() {
    let (header, records) = demo();
    let directory = TempDir::new().unwrap();
    let path = directory.path().join("line3.jsonl");
    let pieces = Pieces {
        roll: Some("100kB".parse().unwrap()),
        keep: Some("350kB".parse().unwrap()),
        on_demand: false,
    };
    let options = WriterOptions { pieces: Some(pieces), ..WriterOptions::default() };
    let mut writer = CaptureWriter::create(&path, &header, options).unwrap();
    for batch in records.chunks(50) {
        writer.send(batch);
    }
    let written = writer.finish(Nanos(records.last().unwrap().t.0));
    let left = files(directory.path());
    assert!(written.pieces > 6 && (3..=4).contains(&left.len()), "{left:?}");
    // Whatever is removed is told.
    let told = |line: &String| line.contains("not to be kept: removed");
    let messages = &written.messages;
    assert!(!messages.is_empty() && messages.iter().all(told), "{messages:?}");
    let bytes: u64 = left.iter().map(|file| file.metadata().unwrap().len()).sum();
    assert!(bytes <= 350_000, "{bytes}");
    // They are the last ones, with nothing missing between them.
    let output = replay(&left, &["--summary", "-"]);
    summary(&output);
    assert_eq!(said(&output), "");
}
