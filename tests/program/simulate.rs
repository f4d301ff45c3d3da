//! `dropline simulate` from outside: the same bytes for the same seed, errors in one line.

use assert_cmd::Command;
use crc::{CRC_64_XZ, Crc};
use dropline::internal::wire::{write_header, write_record};
use dropline::simulation::{Scenario, SimSource};

fn dropline() -> Command {
    Command::cargo_bin("dropline").unwrap()
}

const SCENARIO: &str = r#"
[trunk]
name = "Orchard Lane rinser"
bitrate = 125000
duration_s = 5
seed = 3
[master]
vendor_id = 900
serial = 1
scan_interval_ms = 20
[[node]]
mac_id = 5
name = "rinser"
connection = "poll"
command_bytes = 2
response_bytes = 12
vendor_id = 901
serial = 2
[[fault]]
kind = "noise"
pattern = "random"
rate_per_s = 20
from_s = 3
"#;

/// CRC-64/XZ over the demo's capture: the same on every machine. It changes when the
/// simulation does; then the committed captures change too.
#[test]
fn the_demo_is_the_same_bytes_everywhere() {
    let mut source = SimSource::demo();
    let crc = Crc::<u64>::new(&CRC_64_XZ);
    let mut digest = crc.digest();
    let (mut lines, mut batch) = (Vec::new(), Vec::new());
    write_header(&mut lines, source.header());
    // The version of the program is in the header and says nothing of the simulation.
    lines.clear();
    loop {
        let more = source.next_records(&mut batch);
        for record in batch.drain(..) {
            write_record(&mut lines, &record);
        }
        digest.update(&lines);
        lines.clear();
        if !more {
            break;
        }
    }
    assert_eq!(format!("{:016X}", digest.finalize()), DEMO_CRC);
}

const DEMO_CRC: &str = "DB64766071236CC4";

#[test]
fn a_seed_gives_a_capture_that_replays_and_a_truth() {
    let directory = tempfile::tempdir().unwrap();
    let at = |name: &str| directory.path().join(name);
    std::fs::write(at("line.toml"), SCENARIO).unwrap();
    let simulate = |capture: &str, seed: &str| {
        let mut command = dropline();
        command.current_dir(directory.path());
        command.args(["simulate", "line.toml", "-o", capture, "--seed", seed]);
        let said = format!("dropline: {capture}: a simulated trunk, ");
        let output = command.assert().success().stdout("").get_output().clone();
        let told = String::from_utf8(output.stderr).unwrap();
        assert!(told.starts_with(&said) && told.lines().count() == 1, "{told}");
        std::fs::read(at(capture)).unwrap()
    };
    let first = simulate("a.jsonl", "7");
    assert_eq!(first, simulate("b.jsonl", "7"));
    assert_ne!(first, simulate("c.jsonl", "8"));
    let mut command = dropline();
    command.current_dir(directory.path());
    command.args(["simulate", "line.toml", "-o", "d.jsonl.zst", "--truth", "d.truth.json"]);
    command.assert().success();
    let truth: serde_json::Value =
        serde_json::from_slice(&std::fs::read(at("d.truth.json")).unwrap()).unwrap();
    let mut command = dropline();
    command.current_dir(directory.path());
    let replay = command.args(["replay", "d.jsonl.zst", "--summary", "-"]).assert().success();
    let summary: serde_json::Value = serde_json::from_slice(&replay.get_output().stdout).unwrap();
    assert_eq!(summary["source"]["complete"], true);
    assert_eq!(summary["source"]["frames"], truth["source"]["frames"]);
    assert_eq!(truth["seed"], 3);
    assert!(truth["errors"]["events"].as_array().unwrap().iter().any(|e| e["cause"] == "noise"));
}

#[test]
fn what_is_wrong_is_one_line_with_the_place() {
    let directory = tempfile::tempdir().unwrap();
    let scenario = directory.path().join("line.toml");
    let capture = directory.path().join("line.jsonl");
    let said = |arguments: &[&std::ffi::OsStr]| {
        let output = dropline().arg("simulate").args(arguments).assert().code(2);
        String::from_utf8(output.get_output().stderr.clone()).unwrap()
    };
    let arguments = [scenario.as_os_str(), "-o".as_ref(), capture.as_os_str()];
    assert!(said(&arguments).contains("line.toml: there is no such file"));
    std::fs::write(&scenario, SCENARIO.replace("from_s = 3", "from_sec = 3")).unwrap();
    let message = said(&arguments);
    assert_eq!(message.lines().count(), 1, "{message}");
    assert!(
        message.contains("line.toml: line 23: fault.from_sec: unknown key; did you mean from_s?"),
        "{message}"
    );
    assert!(!capture.exists());
    std::fs::write(&scenario, SCENARIO).unwrap();
    std::fs::write(&capture, "precious").unwrap();
    assert!(said(&arguments).contains("exists already"));
    assert_eq!(std::fs::read_to_string(&capture).unwrap(), "precious");
}

/// The capture of a scenario, without its header.
fn capture(scenario: &str) -> Result<Vec<u8>, String> {
    let scenario = Scenario::parse(scenario).map_err(|error| error.to_string())?;
    let mut source = SimSource::new(scenario, None);
    let (mut lines, mut batch) = (Vec::new(), Vec::new());
    while {
        let more = source.next_records(&mut batch);
        for record in batch.drain(..) {
            write_record(&mut lines, &record);
        }
        more
    } {}
    Ok(lines)
}

/// The demo's line for 12 seconds with this fault.
fn with_fault(fault: &str) -> Result<Vec<u8>, String> {
    let demo =
        include_str!("../../src/sim/demo.toml").replace("duration_s = 60", "duration_s = 12");
    let line = demo.split("[[fault]]").next().unwrap();
    capture(&format!("{line}\n[[fault]]\nfrom_s = 4\n{fault}\n"))
}

/// The bit rate of a newcomer decides when it notices and is noticed.
#[test]
fn the_bit_rate_of_a_newcomer_has_an_effect() {
    let at = |bitrate: u32| {
        with_fault(&format!("kind = 'wrong-bitrate'\nmac_id = 40\nbitrate = {bitrate}"))
    };
    let refused = at(125_000).unwrap_err();
    assert!(refused.ends_with("125000 is the bit rate of the trunk, not a wrong one"));
    assert_ne!(at(250_000).unwrap(), at(500_000).unwrap());
}
