//! `dropline plan` from outside: the example, limits, errors with line and key, JSON, SVG.

use std::path::Path;
use std::process::Output;

use assert_cmd::Command;
use serde_json::Value;

const EXAMPLE: &str = "shared/orchard-lane.plan.toml";

fn dropline(args: &[&str]) -> Output {
    Command::cargo_bin("dropline").unwrap().arg("plan").args(args).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// Runs a plan given as text.
fn plan(text: &str, args: &[&str]) -> Output {
    let mut command = Command::cargo_bin("dropline").unwrap();
    command.arg("plan").arg("-").args(args).write_stdin(text).output().unwrap()
}

fn report(plan_text: &str) -> Value {
    let output = plan(plan_text, &["--json"]);
    assert!(output.status.success(), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn head(interval_ms: f64) -> String {
    format!(
        "[trunk]\nname = \"t\"\nbitrate = 125000\nscan_interval_ms = {interval_ms}\n\
         explicit_interval_ms = 0\n"
    )
}

fn polled(mac_id: u8, command: u16, response: u16) -> String {
    format!(
        "[[node]]\nmac_id = {mac_id}\nconnection = \"poll\"\ncommand_bytes = {command}\n\
         response_bytes = {response}\n"
    )
}

fn limit<'a>(report: &'a Value, code: &str) -> &'a Value {
    let limits = report["limits"].as_array().unwrap();
    limits.iter().find(|limit| limit["code"] == code).unwrap_or_else(|| panic!("no {code}"))
}

#[test]
fn the_example_keeps_every_limit_and_says_so() {
    let output = dropline(&[EXAMPLE, "--fail-on"]);
    assert_eq!(output.status.code(), Some(0));
    let page = text(&output.stdout);
    for words in [
        "Orchard Lane cider bottling line: 125 kbit/s, a scan every 20 ms, 9 nodes",
        "0 broken",
        "shortest scan interval that fits",
        "A voltage measured at the device under full",
        "Isolate, lock off and prove",
        "not a safety device",
    ] {
        assert!(page.contains(words), "{words:?} is missing in\n{page}");
    }
    assert!(page.lines().all(|line| line.chars().count() <= 100), "{page}");
}

/// Poll command to 33 is 50D and its response 3E1 (IEC 62026-3). Wire times lie within
/// 47 + 8 s and 55 + 10 s bits (Davis et al. 2007).
#[test]
fn a_single_polled_node_by_hand() {
    let report = report(&(head(10.0) + &polled(33, 4, 8)));
    assert_eq!(report["format"], "dropline-plan-report");
    assert_eq!(report["version"], 1);
    let messages = report["traffic"]["messages"].as_array().unwrap();
    let of = |index: usize| (&messages[index]["id"], &messages[index]["bytes"]);
    assert_eq!(of(0), (&Value::from("3E1"), &Value::from(8)));
    assert_eq!(of(1), (&Value::from("50D"), &Value::from(4)));
    let bits = |message: &Value, which: &str| message["wire_us"][which].as_f64().unwrap() / 8.0;
    for (message, bytes) in messages.iter().zip([8.0, 4.0]) {
        assert!(bits(message, "least") >= 47.0 + 8.0 * bytes);
        assert!(bits(message, "worst") <= 55.0 + 10.0 * bytes);
        assert!(bits(message, "least") < bits(message, "mean"));
        assert!(bits(message, "mean") < bits(message, "worst"));
    }
    // The response, highest priority, waits for one foreign frame of 135 bits, 1.08 ms, at most.
    let worst = |index: usize| messages[index]["wire_us"]["worst"].as_f64().unwrap();
    let response = messages[0]["worst_response_ms"].as_f64().unwrap();
    assert!((response * 1e3 - (1080.0 + worst(0))).abs() < 1e-6, "{response}");
    let load = (worst(0) + worst(1)) / 10_000.0;
    assert!((report["traffic"]["worst_load"].as_f64().unwrap() - load).abs() < 1e-9);
    // Everything once and the foreign frame must be through before the next scan.
    let shortest = report["traffic"]["shortest_scan_interval_ms"].as_f64().unwrap();
    assert!((shortest * 1e3 - (1080.0 + worst(0) + worst(1))).abs() < 1e-6, "{shortest}");
}

#[test]
fn a_scan_that_is_too_short_is_broken_and_fails_only_where_asked() {
    let nodes: String = (1..=16).map(|mac_id| polled(mac_id, 4, 4)).collect();
    let crowded = head(10.0) + &nodes;
    assert_eq!(plan(&crowded, &[]).status.code(), Some(0));
    assert_eq!(plan(&crowded, &["--fail-on"]).status.code(), Some(1));
    assert_eq!(plan(&crowded, &["--fail-on=tight"]).status.code(), Some(1));
    let report = report(&crowded);
    assert_eq!(report["verdict"], "broken");
    assert_eq!(limit(&report, "scan-interval")["verdict"], "broken");
    assert_eq!(limit(&report, "bus-load")["verdict"], "broken");
    // What stands lowest never gets through at all.
    let unbounded =
        |limit: &&Value| limit["code"] == "message-response" && limit["value"].is_null();
    assert!(report["limits"].as_array().unwrap().iter().any(|limit| unbounded(&limit)));
    assert_eq!(report["traffic"]["room"]["nodes"], 0);
}

/// Trunk and drops by IEC 62026-3, figures as in published installation guides.
#[test]
fn cable_over_its_limits_is_found_by_name() {
    let cable = "terminators_at_m = [0]\n[[trunk.section]]\ncable = \"thick\"\nlength_m = 300\n\
                 [[trunk.section]]\ncable = \"thin\"\nlength_m = 50\n\
                 [[trunk.supply]]\nname = \"s\"\nposition_m = 0\ncurrent_a = 2\n";
    let node = polled(5, 2, 2) + "name = \"far\"\nposition_m = 350\ndrop_m = 7\ncurrent_a = 2.5\n";
    let report = report(&(head(20.0) + cable + &node));
    let broken = |code: &str| {
        let limit = limit(&report, code);
        assert_eq!(limit["verdict"], "broken", "{limit}");
        limit["value"].as_f64().unwrap()
    };
    // 300 + 5 × 50, and a drop of 7 m of thin cable beyond the end.
    assert_eq!(broken("trunk-length"), 585.0);
    assert_eq!(broken("drop-length"), 7.0);
    assert_eq!(broken("terminators"), 1.0);
    assert_eq!(broken("supply-current"), 2.5);
    assert_eq!(broken("drop-current"), 2.5);
    // (300 × 0.015 + 50 × 0.069 + 0.005) × 2.5 A on one conductor.
    assert!((broken("trunk-voltage-drop") - 19.8875).abs() < 1e-9);
    // 24 V less twice what is lost: none is left.
    assert_eq!(broken("device-voltage"), 0.0);
    // With one supply at the end the negative conductor rises by as much as the trunk loses.
    assert!((broken("common-mode-voltage") - 19.8875).abs() < 1e-9);
    assert_eq!(report["cable"]["between_data_wires_ohm"], 121.0);
}

/// 25 V at most: controller user's guide (motion controller, DeviceNet chapter), p. 123. A supply of 24 V
/// is as it should be, and nobody is told to set it.
#[test]
fn a_supply_is_as_it_should_be_or_too_high() {
    for (volts, verdict) in [(24.0, "kept"), (24.9, "kept"), (25.5, "broken")] {
        let cable = format!(
            "[[trunk.section]]\ncable = \"thick\"\nlength_m = 10\n[[trunk.supply]]\nname = \"s\"\n\
             position_m = 0\nvoltage_v = {volts}\n"
        );
        let node = polled(5, 2, 2) + "name = \"near\"\nposition_m = 1\ncurrent_a = 0.1\n";
        let report = report(&(head(20.0) + &cable + &node));
        assert_eq!(limit(&report, "device-voltage-high")["verdict"], verdict, "{volts}");
    }
}

#[test]
fn every_problem_is_told_with_file_line_and_key() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("line.plan.toml");
    std::fs::write(
        &path,
        "[trunk]\nname = \"t\"\nbitrate = 125\nscan_interval = 20\n\n[[node]]\nmac_id = 64\n\
         conection = \"poll\"\ncommand_bytes = 4\nresponse_bytes = 4\n\n[[node]]\nmac_id = 3\n\
         connection = \"pol\"\n",
    )
    .unwrap();
    let output = dropline(&[path.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(2));
    assert!(output.stdout.is_empty());
    let said = text(&output.stderr);
    for words in [
        "line.plan.toml: line 3: trunk.bitrate: 125: a trunk runs at 125000, 250000 or 500000",
        "so 125000 for 125 kbit/s",
        "line 4: trunk.scan_interval: unknown key; did you mean scan_interval_ms?",
        "line 1: trunk.scan_interval_ms: missing from this [trunk]",
        "line 7: node.mac_id: 64 is not from 0 to 63",
        "line 8: node.conection: unknown key; did you mean connection?",
        "line 6: node.connection: missing from this [node]",
        "line 14: node.connection: \"pol\" is none of poll, strobe, change-of-state, cyclic, \
         explicit, master; did you mean poll?",
    ] {
        assert!(said.contains(words), "{words:?} is missing in\n{said}");
    }
    assert_eq!(said.lines().count(), 7, "{said}");
}

/// Flat cable by its maker's figures; 4 A in Class 2 circuits: common practice, no source.
#[test]
fn flat_cable_and_class_2_circuits() {
    let flat = "class_2 = true\n[[trunk.section]]\ncable = \"flat\"\nlength_m = 40\n";
    let supply = "[[trunk.supply]]\nname = \"s\"\nposition_m = 0\n";
    let node = polled(5, 2, 2) + "position_m = 40\ncurrent_a = 4.5\n";
    let without = plan(&(head(20.0) + flat + supply + &node), &[]);
    let said = text(&without.stderr);
    for key in ["ohm_per_m", "most_current_a", "longest_m"] {
        let words = format!("trunk.section.{key}: missing: makers of flat cable differ");
        assert!(said.contains(&words), "{said}");
    }
    let figures = "ohm_per_m = 0.02\nmost_current_a = 5\nlongest_m = 400\n";
    let report = report(&(head(20.0) + flat + figures + supply + &node));
    assert_eq!(limit(&report, "trunk-length")["value"], 50.0);
    let section = limit(&report, "section-current");
    assert_eq!((&section["limit"], &section["verdict"]), (&5.0.into(), &"kept".into()));
    assert_eq!(limit(&report, "class-2-current")["verdict"], "broken");
    // (40 × 0.02 + 0.005) × 4.5 A on one conductor.
    let drop = limit(&report, "trunk-voltage-drop")["value"].as_f64().unwrap();
    assert!((drop - 3.6225).abs() < 1e-9, "{drop}");
}

#[test]
fn what_contradicts_itself_is_refused() {
    let cases = [
        (head(20.0) + &polled(5, 1, 1) + &polled(5, 1, 1), "line 12: node.mac_id: 5 is already"),
        (head(20.0) + &polled(5, 1, 1) + "position_m = 3\n", "needs the cable"),
        (
            head(20.0)
                + "[[trunk.section]]\ncable = \"thick\"\nlength_m = 9\n[[node]]\nmac_id = 1\n\
          connection = \"master\"\nposition_m = 10\n",
            "10 m lies beyond the trunk, which is 9 m",
        ),
        (
            head(20.0) + &polled(5, 6, 4) + "profile = \"ac-drive\"\noutput_assembly = 21\n",
            "assembly 21 of an AC drive has 4 bytes, this node 6",
        ),
        (head(20.0) + &polled(5, 6, 4) + "interval_ms = 10\n", "only for change-of-state"),
        ("[trunk\n".into(), "line 1: not TOML"),
        ("[[node]]\nmac_id = 1\n".into(), "a plan begins with [trunk]"),
        (
            "[trunk]\nname = \"t\"\nbitrate = 125000\nscan_interval_ms = nan\n".into(),
            "nan is not from 0.1 to 65535",
        ),
        (head(20.0) + "[node]\nmac_id = 1\n", "each written [[node]]"),
    ];
    for (plan_text, words) in cases {
        let output = plan(&plan_text, &[]);
        let said = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains(words), "{words:?} is missing in\n{said}");
    }
    let missing = dropline(&["no-such.plan.toml"]);
    assert_eq!(missing.status.code(), Some(2));
    assert!(text(&missing.stderr).contains("no-such.plan.toml"));
}

#[test]
fn two_supplies_at_one_place_are_refused() {
    let cable = "[[trunk.section]]\ncable = \"thick\"\nlength_m = 100\n";
    let supply = "[[trunk.supply]]\nname = \"s\"\nposition_m = 50\n";
    let output = plan(&(head(20.0) + cable + supply + supply + &polled(5, 2, 2)), &[]);
    assert_eq!(output.status.code(), Some(2));
    let said = text(&output.stderr);
    assert!(said.contains("position_m: another supply feeds the trunk here"), "{said}");
}

#[test]
fn the_picture_shows_every_node_and_escapes_names() {
    let directory = tempfile::tempdir().unwrap();
    let path = directory.path().join("scan.svg");
    let path = path.to_str().unwrap();
    let named = polled(9, 4, 10) + "name = \"<b>&\\\"infeed\"\n";
    let output = plan(&(head(20.0) + &polled(3, 1, 2) + &named), &["--svg", path]);
    assert!(output.status.success(), "{}", text(&output.stderr));
    let svg = std::fs::read_to_string(path).unwrap();
    assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
    assert!(svg.contains("9 &lt;b&gt;&amp;") && !svg.contains("<b>"), "{svg}");
    // One to 3 and its answer; one to 9 and two fragments back; two of the legend; the ground.
    assert_eq!(svg.matches("<rect").count(), 5 + 2 + 1);
    let again = plan(&head(20.0), &["--svg", path]);
    assert_eq!(again.status.code(), Some(2));
    assert!(text(&again.stderr).contains("exists already"));
    assert!(plan(&head(20.0), &["--svg", path, "--overwrite"]).status.success());
}

/// A plan written from what was heard says of the same trunk that nothing differs, and the room on
/// a capture is that of this plan.
#[test]
fn a_plan_from_a_capture_agrees_with_it() {
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let capture = project.join("captures/healthy.jsonl.zst");
    let directory = tempfile::tempdir().unwrap();
    let plan = directory.path().join("heard.plan.toml");
    let run = |arguments: &[&std::ffi::OsStr]| {
        let output = Command::cargo_bin("dropline").unwrap().args(arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{output:?}");
        String::from_utf8(output.stdout).unwrap()
    };
    let draft = run(&["plan".as_ref(), "--from".as_ref(), capture.as_ref()]);
    assert!(draft.contains("name = \"infeed conveyor drive\"") && draft.contains("TO FILL IN"));
    assert!(
        draft.contains("serial = 88012") && draft.contains("scan_interval_ms = 40.0"),
        "{draft}"
    );
    std::fs::write(&plan, &draft).unwrap();
    let replayed = run(&["replay".as_ref(), capture.as_ref(), "--plan".as_ref(), plan.as_ref()]);
    assert!(replayed.starts_with("WELL: nothing found\n"), "{replayed}");
    let json = |of: &Path| -> serde_json::Value {
        let text = run(&[
            "plan".as_ref(),
            of.as_ref(),
            "--json".as_ref(),
            "--room".as_ref(),
            "4:4".as_ref(),
        ]);
        serde_json::from_str(&text).unwrap()
    };
    let (planned, heard) = (json(&plan), json(&capture));
    assert_eq!(planned["traffic"], heard["traffic"]);
    let room = &heard["traffic"]["room"];
    assert!(room["nodes"].as_u64().unwrap() > 0, "{room}");
    let shortest = |value: &serde_json::Value| value.as_f64().unwrap();
    let now = shortest(&heard["traffic"]["shortest_scan_interval_ms"]);
    assert!(shortest(&room["shortest_scan_interval_ms_with_one"]) > now, "{room}");
}

#[test]
fn a_plan_comes_through_a_pipe() {
    let directory = tempfile::tempdir().unwrap();
    let pipe = directory.path().join("pipe");
    nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::S_IRWXU).unwrap();
    for (args, file) in [
        (&[][..], "shared/orchard-lane.plan.toml"),
        (&["--from"][..], "captures/healthy.jsonl.zst"),
    ] {
        let (end, bytes) = (pipe.clone(), std::fs::read(file).unwrap());
        let writer = std::thread::spawn(move || std::fs::write(end, bytes).unwrap());
        let output = dropline(&[args, &[pipe.to_str().unwrap()]].concat());
        assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
        writer.join().unwrap();
    }
}

/// A plan and a scenario are both TOML with a trunk; each command says which it was given.
#[test]
fn a_scenario_is_no_plan_and_the_reverse() {
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let complaint = |arguments: &[&str]| {
        let output = Command::cargo_bin("dropline")
            .unwrap()
            .args(arguments)
            .current_dir(project)
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(2), "{output:?}");
        String::from_utf8(output.stderr).unwrap()
    };
    let said = complaint(&["plan", "captures/healthy.toml"]);
    assert!(
        said.contains("a scenario for dropline simulate") && said.lines().count() == 1,
        "{said}"
    );
    let said = complaint(&["simulate", "shared/orchard-lane.plan.toml", "-o", "/dev/null"]);
    assert!(
        said.contains("a plan of a trunk, for dropline plan") && said.lines().count() == 1,
        "{said}"
    );
}

/// The supply of the far end sags: those that restart lie side by side on the drawn trunk.
#[test]
fn a_report_says_along_which_stretch_nodes_are_lost() {
    let dir = tempfile::tempdir().unwrap();
    let page = dir.path().join("page.html");
    let args = ["report", "captures/supply-sag.jsonl.zst", "--plan", EXAMPLE, "-o"];
    Command::cargo_bin("dropline").unwrap().args(args).arg(&page).assert().success();
    let html = std::fs::read_to_string(page).unwrap();
    assert!(html.contains("lost or struck lie side by side from 52 m to 86 m"), "{html}");
}
