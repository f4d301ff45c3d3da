//! `dropline frames` from outside: a capture in, one line a frame out.

use std::path::PathBuf;
use std::process::Output;

use crate::common::scene::{Scene, device};
use assert_cmd::Command;
use dropline::Nanos;
use dropline::internal::wire::{write_header, write_record};
use dropline::record::What;
use tempfile::TempDir;

/// A drive at 12 claims its address, is allocated by master 1, asked for its revision and
/// polled; the exchanges are laid out as in converter manual I-7242D, p. 83 and 89; the device is ours.
fn capture(directory: &TempDir) -> PathBuf {
    let mut scene = Scene::new();
    scene.claim(12, device(12));
    for (id, data) in [
        (0x466, &[1, 0x4B, 3, 1, 3, 1][..]),
        (0x463, &[1, 0xCB, 0]),
        (0x464, &[1, 0x0E, 1, 1, 4]),
        (0x463, &[1, 0x8E, 2, 3]),
        (0x464, &[1, 0x0E, 1, 1, 99]),
        (0x463, &[1, 0x94, 0x14, 0xFF]),
    ] {
        scene.frame(id, data);
        scene.wait(Nanos::from_millis(1));
    }
    scene.scans(3, &[12, 13], &[13]);
    scene.push(What::Mark("conveyor \u{1b}[2J started".into()));
    scene.error(0x88, 0x0000_0400_0000_0000);
    scene.extended(0x18FF_10AA);
    scene.push(What::Lost(2));
    scene.end();
    let mut bytes = Vec::new();
    write_header(&mut bytes, &scene.header());
    scene.records.iter().for_each(|record| write_record(&mut bytes, record));
    let path = directory.path().join("filler.jsonl");
    std::fs::write(&path, bytes).unwrap();
    path
}

fn frames(args: &[&str]) -> Output {
    let directory = TempDir::new().unwrap();
    let path = capture(&directory);
    Command::cargo_bin("dropline").unwrap().arg("frames").arg(path).args(args).output().unwrap()
}

fn lines(args: &[&str]) -> Vec<String> {
    let output = frames(args);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap().lines().map(str::to_string).collect()
}

#[test]
fn every_record_is_a_line() {
    let lines = lines(&[]);
    // 2 checks, 6 explicit, 3 x (2 commands, 1 response), mark, error, 29-bit, lost, end
    assert_eq!(lines.len(), 2 + 6 + 9 + 5);
    assert!(lines[2].starts_with("node 12 <- 1"), "{}", lines[2]);
    assert!(lines[2].contains("allocate explicit, poll for master 1"), "{}", lines[2]);
    assert!(lines[5].contains("identity 1 revision is 2.3, after 1.000 ms"), "{}", lines[5]);
    assert!(lines.iter().all(|line| !line.contains('\u{1b}')));
}

#[test]
fn filters_narrow_to_what_is_asked_for() {
    assert_eq!(lines(&["--node", "12", "--kind", "poll"]).len(), 6);
    assert_eq!(lines(&["--node", "13"]).len(), 3);
    assert_eq!(lines(&["--kind", "explicit", "--kind", "error"]).len(), 7);
    assert_eq!(lines(&["--group", "1"]).len(), 3);
    assert_eq!(lines(&["--group", "extended"]).len(), 1);
    assert_eq!(lines(&["--to", "1s"]).len(), 2);
    assert_eq!(lines(&["--text", "REVISION"]).len(), 2);
    // The refusal, the error frame, the 29-bit frame, the loss.
    assert_eq!(lines(&["--noted"]).len(), 4);
    // The step is from the line above, so it is the interval of the polls.
    let polls = lines(&["--node", "12", "--group", "2", "--kind", "poll"]);
    assert!(polls[1].contains("+20.000 ms"), "{}", polls[1]);
}

#[test]
fn json_has_the_fields() {
    let lines = lines(&["--json", "--kind", "explicit"]);
    let last: serde_json::Value = serde_json::from_str(&lines[5]).unwrap();
    assert_eq!(last["explicit"]["status_name"], "attribute not supported");
    assert_eq!((&last["node"], &last["way"]), (&12.into(), &"out".into()));
    assert_eq!(last["step_ns"], 1_000_000);
}

#[test]
fn a_plan_says_how_to_read_the_io() {
    let directory = TempDir::new().unwrap();
    let plan = directory.path().join("line.plan.toml");
    let text = "[trunk]\nname = \"Orchard Lane\"\nbitrate = 125000\nscan_interval_ms = 20.0\n\
        [[node]]\nmac_id = 12\nconnection = \"poll\"\ncommand_bytes = 4\nresponse_bytes = 4\n\
        profile = \"ac-drive\"\noutput_assembly = 21\ninput_assembly = 71\n\
        name = \"capper drive\"\n";
    std::fs::write(&plan, text).unwrap();
    let lines = lines(&["--plan", plan.to_str().unwrap(), "--node", "12", "--kind", "poll"]);
    assert!(lines[0].contains("drive: run forward, speed 10000"), "{}", lines[0]);
    assert!(lines[1].contains("drive: running forward, speed 10000, enabled"), "{}", lines[1]);
    assert!(lines[0].contains("  capper drive: poll command"), "{}", lines[0]);
    let output = frames(&["--plan", "nowhere.toml"]);
    assert_eq!(output.status.code(), Some(2));
}

/// What begins and ends stands on the line of the record by which it was noticed.
#[test]
fn what_happens_to_a_node_is_noted() {
    let capture = "captures/loose-connector.jsonl.zst";
    let output = Command::cargo_bin("dropline")
        .unwrap()
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .args(["frames", capture, "--noted", "--node", "20"])
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let count = |what: &str| text.matches(what).count();
    let told = ["fell silent", "is back after", "connection timed out"].map(count);
    assert_eq!(told, [4, 4, 2], "{text}");
}

#[test]
fn data_sheets_are_compared_in_the_summary() {
    let directory = TempDir::new().unwrap();
    let path = capture(&directory);
    let sheets = directory.path().join("sheets");
    std::fs::create_dir(&sheets).unwrap();
    // The capture tells the revision but not the product code.
    std::fs::write(sheets.join("capper.eds"), "[Device]\nVendCode = 900\nProdCode = 17;").unwrap();
    let replay = |eds: &std::path::Path| {
        let mut command = Command::cargo_bin("dropline").unwrap();
        command
            .arg("replay")
            .arg(&path)
            .args(["--summary", "-", "--eds"])
            .arg(eds)
            .output()
            .unwrap()
    };
    let output = replay(&sheets);
    let summary: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(summary["nodes"][0]["data_sheet"]["verdict"], "identity-unknown");
    assert_eq!(replay(&directory.path().join("nowhere")).status.code(), Some(2));
}

#[test]
fn wrong_usage_and_nothing_found() {
    let output = frames(&["--node", "64"]);
    assert_eq!(output.status.code(), Some(2));
    let output = frames(&["--node", "40"]);
    assert_eq!(output.status.code(), Some(0));
    assert!(output.stdout.is_empty());
    assert!(String::from_utf8_lossy(&output.stderr).contains("nothing in it"));
    let mut command = Command::cargo_bin("dropline").unwrap();
    let output = command.args(["frames", "nowhere.jsonl"]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(String::from_utf8_lossy(&output.stderr).lines().count(), 1);
}
