//! Data sheet files against the devices on the wire: `--eds` from outside, with a directory as a
//! site has it.

use std::collections::BTreeSet;
use std::path::Path;
use std::time::{Duration, Instant};

use assert_cmd::Command;
use serde_json::Value;
use tempfile::TempDir;

/// The capture of the demo's line, from power-on: the master reads who each node is.
const CAPTURE: &str = "captures/healthy.jsonl.zst";

fn sheet(vendor: u16, kind: u16, code: u16, revision: (u8, u8), io: &str) -> String {
    let (major, minor) = revision;
    format!(
        "$ Orchard Lane\r\n[Device]\r\nVendCode = {vendor};\r\nProdType = {kind};\r\nProdCode = \
         {code};\r\nMajRev = {major};\r\nMinRev = {minor};\r\nProdName = \"invented\";\r\n\
         [IO_Info]\r\nDefault = 0x0001;\r\n{io}"
    )
}

fn input(number: u8, bytes: u8) -> String {
    format!("Input{number} = {bytes}, 0, 1, \"\";\r\n")
}

/// The directory of the site: each file is wrong in one way.
fn site(directory: &Path) {
    let write = |name: &str, bytes: &[u8]| std::fs::write(directory.join(name), bytes).unwrap();
    // The three drives: 12 and 14 are of this revision, 38 is 2.1. The file is as real ones
    // are: an old code page, a semicolon forgotten, a line that is nothing.
    let drive = sheet(903, 2, 17, (2, 3), &input(1, 4))
        .replace("invented", "F\u{f6}rderband")
        .replace("ProdType = 2;", "ProdType = 2")
        .replace("$ Orchard Lane", "from an editor");
    let bytes: Vec<u8> = drive.chars().map(|c| u8::try_from(u32::from(c)).unwrap()).collect();
    write("drive.eds", &bytes);
    // The rinser is 1.1.
    write("rinser.eds", sheet(901, 7, 31, (3, 1), &input(1, 2)).as_bytes());
    // The filler sends 4 bytes.
    let io = input(1, 6) + &input(2, 8);
    write("filler.eds", sheet(902, 0, 12, (1, 1), &io).as_bytes());
}

fn replay(directory: &Path) -> Value {
    let output = Command::cargo_bin("dropline")
        .unwrap()
        .args(["replay", CAPTURE, "--summary", "-", "--eds"])
        .arg(directory)
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn findings(summary: &Value) -> BTreeSet<String> {
    let words = |finding: &Value| {
        let [severity, code] = ["severity", "code"].map(|key| finding[key].as_str().unwrap());
        format!("{severity} {code} {}", finding["mac_id"])
    };
    let all = summary["findings"].as_array().unwrap();
    let of_data_sheets =
        |finding: &&Value| finding["code"].as_str().unwrap().starts_with("data-sheet");
    all.iter().filter(of_data_sheets).map(words).collect()
}

#[test]
fn each_way_in_which_file_and_device_differ_is_a_finding() {
    let directory = TempDir::new().unwrap();
    site(directory.path());
    let summary = replay(directory.path());
    let expected = [
        "warning data-sheet-revision 38",
        "warning data-sheet-revision 5",
        "warning data-sheet-size 9",
        "warning data-sheet-product 23",
        "warning data-sheet-product 31",
        "note data-sheet-missing 20",
        "note data-sheet-faulty 12",
        "note data-sheet-faulty 14",
        "note data-sheet-faulty 38",
    ];
    assert_eq!(findings(&summary), expected.map(String::from).into());
    let evidence = |code: &str, mac_id: u8| {
        let all = summary["findings"].as_array().unwrap();
        let this = |finding: &&Value| finding["code"] == code && finding["mac_id"] == mac_id;
        all.iter().find(this).unwrap()["text"].as_str().unwrap()
    };
    assert_eq!(
        evidence("data-sheet-revision", 38),
        "revision 2.1, the nearest file, drive.eds, is for 2.3: another minor revision"
    );
    assert_eq!(
        evidence("data-sheet-revision", 5),
        "revision 1.1, the nearest file, rinser.eds, is for 3.1: another major revision"
    );
    assert_eq!(evidence("data-sheet-size", 9), "it sends 4 bytes (poll), filler.eds offers 6, 8");
    assert_eq!(
        evidence("data-sheet-faulty", 12),
        "drive.eds: line 1: neither a section nor an entry; line 4: ProdType: no semicolon at \
         its end"
    );
    assert_eq!(summary["verdict"]["state"], "wants-a-look");
}

#[test]
fn the_right_files_are_no_finding() {
    let directory = TempDir::new().unwrap();
    let write = |name: &str, text: String| {
        std::fs::write(directory.path().join(name), text).unwrap();
    };
    for (vendor, kind, code) in [(901, 7, 31), (901, 0, 33), (902, 0, 12), (902, 6, 40)] {
        write(&format!("{code}.eds"), sheet(vendor, kind, code, (1, 1), ""));
    }
    write("labeller.EDS", sheet(904, 0, 204, (1, 1), &input(1, 12)));
    // Both revisions of the drive: each drive has its own.
    write("drive-2-1.eds", sheet(903, 2, 17, (2, 1), &input(1, 4)));
    write("drive-2-3.eds", sheet(903, 2, 17, (2, 3), &input(1, 4)));
    let summary = replay(directory.path());
    assert_eq!(findings(&summary), BTreeSet::new());
    let verdicts: Vec<&Value> = summary["nodes"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|node| node["mac_id"] != 0)
        .map(|node| &node["data_sheet"]["verdict"])
        .collect();
    assert!(verdicts.iter().all(|verdict| **verdict == "right"), "{verdicts:?}");
}

/// A library of a site: hundreds of files, each of some thousand lines.
#[test]
fn hundreds_of_files_are_read_in_seconds() {
    let directory = TempDir::new().unwrap();
    let parameter = |n: u16| {
        format!(
            "Param{n} =\r\n  0, $ reserved\r\n  6, \"20 0F 24 01\",\r\n  0, 2, 2,\r\n  \
             \"ramp {n}\", \"Hz\", \"\",\r\n  0, 400, 50;\r\n"
        )
    };
    let parameters: String = (1..=400).map(parameter).collect();
    for file in 0..500 {
        let text = sheet(910 + file / 100, 2, file, (1, 1), "") + "[Params]\r\n" + &parameters;
        std::fs::write(directory.path().join(format!("{file}.eds")), text).unwrap();
    }
    site(directory.path());
    let began = Instant::now();
    let summary = replay(directory.path());
    let took = began.elapsed();
    assert!(findings(&summary).contains("warning data-sheet-revision 38"));
    println!("503 files and the capture: {took:?}");
    // Many times what it takes when built without regard to speed, for a busy machine.
    assert!(took < Duration::from_secs(60), "{took:?}");
}
