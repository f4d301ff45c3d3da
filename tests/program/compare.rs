//! `dropline compare` from outside: a change that matters, one that does not, and files of
//! every kind.

use std::path::{Path, PathBuf};

use crate::common::scene::{Scene, device};
use assert_cmd::Command;
use dropline::internal::output::comparison_page;
use dropline::internal::wire::{write_header, write_record};
use dropline::summary::{Comparison, Judgement, Quantity, Tolerance};
use dropline::{MacId, Nanos, Summary};
use proptest::prelude::*;

const NODES: [u8; 3] = [5, 12, 13];

/// A minute of the line: everybody claims an address and answers.
fn signed_off() -> Scene {
    let mut scene = Scene::new();
    for node in NODES {
        scene.claim(node, device(node.into()));
    }
    scene.scans(2700, &NODES, &[]);
    scene
}

/// The same with another device at 13, a third of the polls to 12 unanswered for a time, and
/// a burst of errors.
fn gone_wrong() -> Scene {
    let mut scene = Scene::new();
    for (node, serial) in [(5, 5), (12, 12), (13, 99)] {
        scene.claim(node, device(serial));
    }
    scene.scans(1000, &NODES, &[]);
    for _ in 0..100 {
        scene.scans(1, &NODES, &[12]);
        scene.scans(2, &NODES, &[]);
    }
    for _ in 0..40 {
        scene.error(0x88, 0x0000_0400_0000_0000);
    }
    scene.scans(1300, &NODES, &[]);
    scene
}

/// The same as signed off, scanned every 22 ms.
fn slower() -> Scene {
    let mut scene = Scene::new();
    for node in NODES {
        scene.claim(node, device(node.into()));
    }
    for _ in 0..2700 {
        scene.scans(1, &NODES, &[]);
        scene.wait(Nanos::from_millis(2));
    }
    scene
}

fn summary(mut scene: Scene) -> Summary {
    scene.end();
    scene.summary()
}

fn compared(then: Scene, now: Scene) -> Comparison {
    Comparison::new(&summary(then), &summary(now), &Tolerance::default())
}

#[test]
fn what_went_wrong_stands_first() {
    insta::assert_snapshot!(comparison_page(&compared(signed_off(), gone_wrong()), true));
}

#[test]
fn another_visit_to_the_same_line_is_the_same() {
    let mut later = signed_off();
    later.scans(100, &NODES, &[]);
    let comparison = compared(signed_off(), later);
    let other: Vec<_> =
        comparison.lines.iter().filter(|line| line.judgement != Judgement::Same).collect();
    assert!(other.is_empty(), "{other:#?}");
    assert_eq!(comparison.judgement, Judgement::Same);
}

fn judgement(comparison: &Comparison, mac_id: Option<u8>, quantity: Quantity) -> Option<Judgement> {
    let mac_id = mac_id.and_then(MacId::new);
    let is_this = |line: &&dropline::summary::ComparisonLine| {
        line.mac_id == mac_id && line.quantity == quantity
    };
    comparison.lines.iter().find(is_this).map(|line| line.judgement)
}

#[test]
fn a_node_that_is_gone_and_one_that_is_new() {
    let mut now = Scene::new();
    for node in [5, 13, 20] {
        now.claim(node, device(node.into()));
    }
    now.scans(2700, &[5, 13, 20], &[]);
    let comparison = compared(signed_off(), now);
    let presence = |mac_id| judgement(&comparison, Some(mac_id), Quantity::FramesPerS);
    // Nobody polls 12 any more: it was taken off, which is a change and no fault.
    assert_eq!(presence(12), Some(Judgement::Changed));
    assert_eq!(presence(20), Some(Judgement::Changed));
    assert_eq!(presence(5), Some(Judgement::Same));
    assert_eq!(comparison.judgement, Judgement::Changed);
    let load = comparison.lines.iter().find(|line| line.quantity == Quantity::LoadMean).unwrap();
    // The difference is what came less what went, to the bit.
    let unexplained = load.difference.unwrap() - load.explained.unwrap();
    assert!(unexplained.abs() < 1e-12, "{load:?}");
    let newcomers: Vec<_> = comparison.newcomers.iter().map(|n| (n.mac_id, n.expected)).collect();
    assert_eq!(newcomers, [(MacId::new(20).unwrap(), false)]);
}

#[test]
fn a_slower_scan_is_worse_and_a_pause_too() {
    let mut paused = signed_off();
    let comparison = compared(signed_off(), slower());
    let of = |comparison: &Comparison, quantity| judgement(comparison, Some(12), quantity);
    assert_eq!(of(&comparison, Quantity::IntervalP50Us), Some(Judgement::Worse));
    assert_eq!(of(&comparison, Quantity::PauseUs), Some(Judgement::Same));
    paused.wait(Nanos::from_millis(1500));
    paused.scans(200, &NODES, &[]);
    let comparison = compared(signed_off(), paused);
    assert_eq!(of(&comparison, Quantity::IntervalP50Us), Some(Judgement::Same));
    assert_eq!(of(&comparison, Quantity::PauseUs), Some(Judgement::Worse));
}

/// What a short look cannot tell, it does not claim.
#[test]
fn a_short_capture_says_so() {
    let mut short = Scene::new();
    for node in NODES {
        short.claim(node, device(node.into()));
    }
    short.scans(60, &NODES, &[]);
    let comparison = compared(signed_off(), short);
    assert_eq!(judgement(&comparison, Some(12), Quantity::MissedShare), Some(Judgement::CannotSay));
    assert_eq!(judgement(&comparison, None, Quantity::LoadMean), Some(Judgement::CannotSay));
    assert_eq!(comparison.judgement, Judgement::CannotSay);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// However short, however bad: compared with itself it is the same everywhere.
    #[test]
    fn a_summary_is_the_same_as_itself(
        parts in prop::collection::vec((0usize..400, 0u8..4, 0usize..30, 0u64..3000), 0..5),
    ) {
        let mut scene = Scene::new();
        for node in NODES {
            scene.claim(node, device(node.into()));
        }
        for (count, silent, errors, wait) in parts {
            scene.scans(count, &NODES, &NODES[..usize::from(silent)]);
            (0..errors).for_each(|_| scene.error(0x88, 0x0000_0400_0000_0000));
            scene.wait(Nanos::from_millis(wait as i64));
        }
        let visit = summary(scene);
        let read_back = Summary::from_json(visit.to_json().as_bytes()).unwrap();
        let comparison = Comparison::new(&visit, &read_back, &Tolerance::default());
        let other: Vec<_> =
            comparison.lines.iter().filter(|line| line.judgement != Judgement::Same).collect();
        prop_assert!(other.is_empty(), "{:#?}", other);
    }
}

fn capture(directory: &Path, name: &str, mut scene: Scene) -> PathBuf {
    scene.end();
    let mut bytes = Vec::new();
    write_header(&mut bytes, &scene.header());
    scene.records.iter().for_each(|record| write_record(&mut bytes, record));
    file(directory, name, &bytes)
}

fn file(directory: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = directory.join(name);
    std::fs::write(&path, bytes).unwrap();
    path
}

fn dropline(args: &[&dyn AsRef<std::ffi::OsStr>]) -> (i32, String, String) {
    let mut command = Command::cargo_bin("dropline").unwrap();
    command.arg("compare").args(args.iter().map(|arg| arg.as_ref()));
    let output = command.output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (output.status.code().unwrap(), text(output.stdout), text(output.stderr))
}

#[test]
fn summaries_and_captures_by_their_content() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    let good = capture(at, "good", signed_off());
    let bad = capture(at, "bad", gone_wrong());
    let signed = file(at, "signed", summary(signed_off()).to_json().as_bytes());
    for baseline in [&good, &signed] {
        let (status, out, errors) = dropline(&[baseline, &bad]);
        assert_eq!((status, errors.as_str()), (1, ""));
        assert!(out.starts_with("WORSE THAN THE BASELINE: "), "{out}");
        let (status, out, _) = dropline(&[baseline, &good]);
        assert_eq!(status, 0);
        assert!(out.starts_with("AS THE BASELINE: "), "{out}");
    }
    let (status, out, _) = dropline(&[&signed, &bad, &"--json"]);
    let json: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!((status, &json["judgement"]), (1, &"worse".into()));
    assert_eq!(json["format"], "dropline-comparison");
}

/// The exit status is the acceptance of the newcomer.
#[test]
fn a_newcomer_that_is_expected_is_accepted_or_not() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    let with_20 = |scans| {
        let mut scene = Scene::new();
        for node in NODES.into_iter().chain([20]) {
            scene.claim(node, device(node.into()));
        }
        scene.scans(scans, &[5, 12, 13, 20], &[]);
        scene
    };
    let (signed, now) = (capture(at, "good", signed_off()), capture(at, "now", with_20(2700)));
    let (status, out, errors) = dropline(&[&signed, &now, &"--expect-new", &"20"]);
    assert_eq!((status, errors.as_str()), (0, ""), "{out}");
    insta::assert_snapshot!("newcomer", out);
    // Not expected, it is a change; another one expected, it is the wrong one.
    let (status, out, _) = dropline(&[&signed, &now]);
    assert_eq!(status, 0);
    assert!(out.starts_with("CHANGED, NOTHING WORSE: "), "{out}");
    let (status, out, _) = dropline(&[&signed, &now, &"--expect-new", &"21"]);
    assert_eq!(status, 1);
    assert!(out.starts_with("NOT ACCEPTED: 21\n"), "{out}");
    let words: Vec<&str> = out.split_whitespace().collect();
    let why = "20 is new and was not expected: is that it, with 20 set?";
    assert!(words.join(" ").contains(why), "{out}");
    // One that was there is not new, and one that was heard too shortly is not accepted yet.
    assert_eq!(dropline(&[&signed, &now, &"--expect-new", &"12"]).0, 1);
    let short = capture(at, "short", with_20(100));
    let (status, out, _) = dropline(&[&signed, &short, &"--expect-new", &"20", &"--json"]);
    let json: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!((status, &json["accepted"]), (1, &false.into()));
    assert_eq!(json["newcomers"][0]["result"], "not-seen");
    assert_eq!(dropline(&[&signed, &now, &"--expect-new", &"64"]).0, 2);
}

/// Baselines that a dropline of summary version 1 wrote, `NAME.v1.json` from `captures/NAME`:
/// they must stay readable and must judge as they did, whatever version is written today.
#[test]
fn a_version_1_baseline_still_compares() {
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let visit = |name: &str| project.join(format!("captures/{name}.jsonl.zst"));
    for (name, worse, counts) in [
        ("healthy", "loose-connector", "89 the same"),
        ("drive-trip", "bus-off", "90 the same"),
        ("loose-connector", "bus-off", "92 the same"),
    ] {
        let baseline = project.join(format!("tests/baselines/{name}.v1.json"));
        let json = std::fs::read(&baseline).unwrap();
        assert!(String::from_utf8_lossy(&json).contains("\"version\": 1,"));
        let (status, out, errors) = dropline(&[&baseline, &visit(name)]);
        assert_eq!((status, errors.as_str()), (0, ""), "{name}: {out}");
        assert!(out.starts_with(&format!("AS THE BASELINE: {counts}\n")), "{name}: {out}");
        let (status, out, errors) = dropline(&[&baseline, &visit(worse)]);
        assert_eq!((status, errors.as_str()), (1, ""), "{name}: {out}");
        assert!(out.starts_with("WORSE THAN THE BASELINE: "), "{name}: {out}");
    }
}

#[test]
fn a_baseline_of_a_later_version_is_refused() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    let json = summary(signed_off()).to_json();
    let version = format!("\"version\": {}", Summary::VERSION);
    let later = file(at, "later.json", json.replacen(&version, "\"version\": 3", 1).as_bytes());
    let (status, out, errors) = dropline(&[&later, &capture(at, "now", signed_off())]);
    assert_eq!((status, out.as_str()), (2, ""));
    let expected = "later.json: a summary of version 3, this dropline reads version";
    assert!(errors.contains(expected) && errors.lines().count() == 1, "{errors}");
}

#[test]
fn a_tolerance_lets_pass_what_it_says() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    let good = capture(at, "good", signed_off());
    let late = capture(at, "late", slower());
    assert_eq!(dropline(&[&good, &late]).0, 1);
    let (_, defaults, _) = dropline(&[&"--write-tolerance"]);
    let tolerance = defaults.replace("interval_us = 500", "interval_us = 3000");
    let tolerance = file(at, "tolerance.toml", tolerance.as_bytes());
    assert_eq!(dropline(&[&good, &late, &"--tolerance", &tolerance]).0, 0);
    // A pause is also a finding; the tolerance holds for that too.
    let mut paused = signed_off();
    paused.wait(Nanos::from_millis(1500));
    paused.scans(200, &NODES, &[]);
    let paused = capture(at, "paused", paused);
    assert_eq!(dropline(&[&good, &paused]).0, 1);
    let patient = file(at, "patient.toml", b"pause_intervals = 100");
    assert_eq!(dropline(&[&good, &paused, &"--tolerance", &patient]).0, 0);
    let wrong = file(at, "wrong.toml", b"# ours\npauses = 3\n");
    let (status, out, errors) = dropline(&[&good, &late, &"--tolerance", &wrong]);
    assert_eq!((status, out.as_str()), (2, ""));
    assert!(errors.contains("wrong.toml: line 2: pauses: unknown key"), "{errors}");
}

#[test]
fn what_cannot_be_read_says_so_and_ends_with_2() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    let signed = file(at, "signed", summary(signed_off()).to_json().as_bytes());
    let json = summary(signed_off()).to_json();
    let newer = json.replacen("\"version\": 2", "\"version\": 3", 1);
    for (name, bytes, expected) in [
        (
            "newer.json",
            newer.as_bytes(),
            "a summary of version 3, this dropline reads versions 1 and 2",
        ),
        ("torn.json", &json.as_bytes()[..3000], "a damaged summary: EOF"),
        ("other.json", b"{\"a\": 1}", "other.json"),
        ("note.txt", b"ask Lane about it", "note.txt"),
        ("empty", b"", "empty"),
    ] {
        let path = file(at, name, bytes);
        let (status, out, errors) = dropline(&[&signed, &path]);
        assert_eq!((status, out.as_str()), (2, ""), "{name}");
        assert!(errors.contains(expected) && errors.lines().count() == 1, "{name}: {errors}");
    }
    assert_eq!(dropline(&[&signed, &at.join("nowhere")]).0, 2);
    assert_eq!(dropline(&[&signed]).0, 2);
}

#[test]
fn a_directory_of_summaries_is_a_trend() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    let mut second = summary(gone_wrong());
    second.source.started = "2027-03-02T06:30:00Z".parse().unwrap();
    file(at, "a.json", second.to_json().as_bytes());
    file(at, "b.json", summary(signed_off()).to_json().as_bytes());
    file(at, "c.json", b"[]");
    file(at, "notes.txt", b"not one of them");
    let (status, out, errors) = dropline(&[&"--trend", &at]);
    assert_eq!((status, errors.as_str()), (0, ""));
    insta::assert_snapshot!(out);
    let (_, out, _) = dropline(&[&"--trend", &at, &"--json"]);
    let json: serde_json::Value = serde_json::from_str(&out).unwrap();
    assert_eq!(json["visits"][1]["file"], "a.json");
    assert_eq!(json["visits"].as_array().unwrap().len(), 2);
}

/// What is left out of a trend is told, and nothing in the directory is waited for.
#[test]
fn a_trend_tells_what_it_leaves_out() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    file(at, "a.json", summary(signed_off()).to_json().as_bytes());
    file(at, "night.summary.json", b"");
    nix::unistd::mkfifo(&at.join("pipe.json"), nix::sys::stat::Mode::S_IRWXU).unwrap();
    std::os::unix::fs::symlink("gone", at.join("link.json")).unwrap();
    let (status, _, errors) = dropline(&[&"--trend", &at]);
    assert_eq!(status, 0, "{errors}");
    for line in [
        "night.summary.json: no summary in it; left out",
        "pipe.json: not a file; left out",
        "link.json: not a file; left out",
    ] {
        assert!(errors.contains(line), "{line}: {errors}");
    }
}

#[test]
fn a_visit_comes_through_a_pipe_and_after_a_byte_order_mark() {
    let directory = tempfile::tempdir().unwrap();
    let at = directory.path();
    let json = summary(signed_off()).to_json();
    let signed = file(at, "signed.json", json.as_bytes());
    let marked = file(at, "marked.json", format!("\u{FEFF}{json}").as_bytes());
    assert_eq!(dropline(&[&signed, &marked]).0, 0);
    for (name, bytes) in [
        ("summary", json.into_bytes()),
        ("capture", std::fs::read("captures/healthy.jsonl.zst").unwrap()),
    ] {
        let pipe = at.join(name);
        nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::S_IRWXU).unwrap();
        let end = pipe.clone();
        let writer = std::thread::spawn(move || std::fs::write(end, bytes).unwrap());
        let (status, _, errors) = dropline(&[&signed, &pipe]);
        assert!(status < 2, "{name}: {errors}");
        writer.join().unwrap();
    }
    // What has no end is refused by its start, and fills no disk.
    let (status, _, errors) = dropline(&[&signed, &Path::new("/dev/zero")]);
    assert_eq!(status, 2);
    assert!(errors.contains("/dev/zero"), "{errors}");
}
