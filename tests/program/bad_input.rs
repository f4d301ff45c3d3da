//! Every kind of broken file, through the real program: one clear line, the right exit status,
//! and nothing lost that was good.

use std::fs;
use std::io::Write;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use tempfile::TempDir;

const HEADER: &str = r#"{"format":"dropline-capture","version":1,"started":"2026-03-02T06:30:00.000000000Z","bitrate":125000,"interface":"can0","listen_only":true,"clock":"kernel","tool":"dropline 0.1.0"}"#;
const FRAME: &str = r#"{"t_ns":512000,"id":"45D","data":"01020304"}"#;
const END: &str = r#"{"t_ns":999000,"end":{"frames":2,"error_frames":0,"lost_frames":0}}"#;

struct Place(TempDir);

struct Ran {
    code: Option<i32>,
    out: String,
    lines: Vec<String>,
}

impl Place {
    fn new() -> Place {
        Place(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        fs::write(self.path(name), bytes).unwrap();
        self.path(name)
    }

    /// Runs `replay FILE --summary -`.
    fn replay(&self, name: &str) -> Ran {
        self.run(&["replay", name, "--summary", "-"])
    }

    fn run(&self, arguments: &[&str]) -> Ran {
        let mut command = Command::new(env!("CARGO_BIN_EXE_dropline"));
        ran(&command.args(arguments).current_dir(self.0.path()).output().unwrap())
    }
}

fn ran(output: &Output) -> Ran {
    let text = |bytes: &[u8]| String::from_utf8(bytes.to_vec()).unwrap();
    let errors = text(&output.stderr);
    let lines = errors.lines().map(str::to_owned).collect();
    Ran { code: output.status.code(), out: text(&output.stdout), lines }
}

impl Ran {
    /// Refused: exit 2, one line, nothing on standard output.
    #[track_caller]
    fn refused(&self, expected: &str) {
        assert_eq!(self.lines.len(), 1, "{:?}", self.lines);
        assert!(self.lines[0].starts_with(expected), "{:?}", self.lines);
        assert_eq!((self.code, self.out.as_str()), (Some(2), ""));
    }

    /// Read: exit 0; the summary's source.
    #[track_caller]
    fn source(&self) -> serde_json::Value {
        assert_eq!(self.code, Some(0), "{:?}", self.lines);
        let mut summary: serde_json::Value = serde_json::from_str(&self.out).unwrap();
        summary["source"].take()
    }
}

fn capture(lines: &[&str]) -> String {
    lines.iter().map(|line| format!("{line}\n")).collect()
}

#[test]
fn each_broken_line_is_told_with_its_number_and_skipped() {
    let place = Place::new();
    let cases = [
        (r#"{"id":"45D","data":"00"}"#, "t_ns: missing"),
        (r#"{"t_ns":1}"#, "no record: needs one of id, error, lost, link, mark or end"),
        (r#"{"t_ns":1,"id":"800","data":""}"#, "id: neither 000 to 7FF in three hex digits"),
        (r#"{"t_ns":1,"id":"45D"}"#, "data: missing"),
        (r#"{"t_ns":1,"id":"45D","data":"0"}"#, "data: an odd number of hex digits"),
        (r#"{"t_ns":1,"id":"45D","data":"0x"}"#, "data: not hex digits"),
        (r#"{"t_ns":1,"id":"45D","data":"000000000000000000"}"#, "data: more than 8 bytes"),
        (r#"{"t_ns":1,"id":"45D","rtr":9}"#, "rtr: a length code is 0 to 8"),
        (r#"{"t_ns":1.5,"id":"45D","data":""}"#, "t_ns: invalid type"),
        (r#"{"t_ns":1,"error":"88","data":"0000000000000000"}"#, "error: not 00000000"),
        (r#"{"t_ns":1,"link":"sideways"}"#, "link: neither \"down\" nor \"up\""),
        (r#"{"t_ns":1,"lost":-3}"#, "lost: invalid value"),
        (r#"{"t_ns":1,"id":"45D","da"#, "the line is cut short"),
        (r#"{"t_ns":1,"id":"45D","data":""} x"#, "not JSON at column"),
        ("[1,2]", "not a JSON object"),
        ("\0\x1b[31m", "not a JSON object"),
        (HEADER, "t_ns: missing"),
    ];
    for (line, what) in cases {
        place.file("a.jsonl", capture(&[HEADER, FRAME, line, FRAME, END]));
        let ran = place.replay("a.jsonl");
        let source = ran.source();
        assert_eq!(source["unreadable_lines"], 1, "{line}");
        assert_eq!((&source["frames"], &source["complete"]), (&2.into(), &true.into()), "{line}");
        assert_eq!(ran.lines.len(), 1, "{:?}", ran.lines);
        let expected = format!("dropline: a.jsonl: line 3: {what}");
        assert!(ran.lines[0].starts_with(&expected), "{:?}", ran.lines);
        assert!(ran.lines[0].ends_with("; skipped"), "{:?}", ran.lines);
    }
}

#[test]
fn many_broken_lines_are_ten_messages_and_a_number() {
    let place = Place::new();
    let mut lines = vec![HEADER, FRAME];
    lines.extend(["nonsense"; 1000]);
    lines.extend([FRAME, END]);
    for name in ["a.jsonl", "a.jsonl.zst"] {
        let text = capture(&lines);
        let packed = zstd::encode_all(text.as_bytes(), 3).unwrap();
        place.file(name, if name.ends_with("zst") { packed } else { text.into_bytes() });
        let ran = place.replay(name);
        let source = ran.source();
        assert_eq!((&source["unreadable_lines"], &source["frames"]), (&1000.into(), &2.into()));
        assert_eq!(ran.lines.len(), 11);
        assert_eq!(ran.lines[10], format!("dropline: {name}: and 990 more like these"));
    }
}

#[test]
fn an_endless_line_is_one_bad_line() {
    let place = Place::new();
    place.file("a.jsonl", capture(&[HEADER, FRAME, &"x".repeat(3_000_000), FRAME, END]));
    let ran = place.replay("a.jsonl");
    assert_eq!(ran.source()["frames"], 2);
    assert_eq!(ran.lines, ["dropline: a.jsonl: line 3: longer than a line can be; skipped"]);
}

#[test]
fn a_cut_file_is_read_to_its_last_whole_line() {
    let place = Place::new();
    let text = capture(&[HEADER, FRAME, FRAME, FRAME]);
    place.file("a.jsonl", &text[..text.len() - 10]);
    let packed = part(&text);
    // The end of the frame is cut off, not the block with the lines.
    place.file("a.jsonl.zst", &packed[..packed.len() - 1]);
    for (name, frames) in [("a.jsonl", 2), ("a.jsonl.zst", 3)] {
        let ran = place.replay(name);
        let source = ran.source();
        assert_eq!((&source["frames"], &source["complete"]), (&frames.into(), &false.into()));
        assert_eq!(source["unreadable_lines"], 0);
    }
}

#[test]
fn what_is_no_capture_is_refused_in_one_line() {
    let place = Place::new();
    let version_2 = HEADER.replace("\"version\":1", "\"version\":2");
    let no_start = r#"{"format":"dropline-capture","version":1}"#;
    let cases: [(&str, &[u8], &str); 9] = [
        ("empty.jsonl", b"", "empty; the watch that made it never started"),
        ("text.jsonl", b"hello\n", "line 1: not a dropline capture (not a JSON object)"),
        ("other.jsonl", b"{\"format\":\"x\",\"version\":1}\n", "line 1: format: \"x\" is not"),
        ("v2.jsonl", version_2.as_bytes(), "line 1: version: 2 is not known; this dropline reads"),
        ("start.jsonl", no_start.as_bytes(), "line 1: missing field `started`"),
        ("binary.jsonl", &[0x7F, b'E', b'L', b'F', 0, 1, 2, 255], "line 1: not a dropline capture"),
        ("old.pcap", &[0xD4, 0xC3, 0xB2, 0xA1, 2, 0, 4, 0], "a pcap file of the older kind; save"),
        ("cut.zst", &[0x28, 0xB5, 0x2F, 0xFD, 0], "line 1: the file is cut off before"),
        ("cut.pcapng", &[0x0A, 0x0D, 0x0D, 0x0A, 0, 0], "no CAN packets; those of link type 227"),
    ];
    for (name, bytes, what) in cases {
        place.file(name, bytes);
        place.replay(name).refused(&format!("dropline: {name}: {what}"));
        let ran = place.run(&["convert", name, "out.jsonl"]);
        ran.refused(&format!("dropline: {name}: {what}"));
        assert!(!place.path("out.jsonl").exists());
    }
}

#[test]
fn what_cannot_be_opened_is_refused_in_one_line() {
    let place = Place::new();
    place
        .replay("missing.jsonl")
        .refused("dropline: missing.jsonl: there is no such file; check its name");
    place.replay(".").refused("dropline: .: a directory; give one file in it");

    let secret = place.file("secret.jsonl", capture(&[HEADER]));
    fs::set_permissions(&secret, fs::Permissions::from_mode(0o000)).unwrap();
    let output = as_nobody(&place, &["replay", "secret.jsonl"]);
    ran(&output).refused("dropline: secret.jsonl: you may not read it; ask its owner");
}

/// Runs the program without the rights of root, whom no file refuses.
fn as_nobody(place: &Place, arguments: &[&str]) -> Output {
    let program = place.path("dropline");
    fs::copy(env!("CARGO_BIN_EXE_dropline"), &program).unwrap();
    let everybody = fs::Permissions::from_mode(0o755);
    fs::set_permissions(&program, everybody.clone()).unwrap();
    fs::set_permissions(place.0.path(), everybody).unwrap();
    let mut command = Command::new(program);
    if fs::metadata("/proc/self").unwrap().uid() == 0 {
        command.uid(65534).gid(65534);
    }
    command.args(arguments).current_dir(place.0.path()).output().unwrap()
}

#[test]
fn a_damaged_packed_capture_loses_no_other_part() {
    let place = Place::new();
    let first = part(&capture(&[HEADER, FRAME]));
    let second = part(&capture(&[r#"{"t_ns":600000,"mark":"x"}"#; 50]));
    let third = part(&capture(&[FRAME, END]));
    for at in 0..second.len() {
        let mut bytes = [&first[..], &second, &third].concat();
        bytes[first.len() + at] ^= 0xFF;
        place.file("a.jsonl.zst", bytes);
        let ran = place.replay("a.jsonl.zst");
        let source = ran.source();
        assert_eq!((&source["frames"], &source["complete"]), (&2.into(), &true.into()));
        assert!(source["unreadable_lines"].as_u64() >= Some(1), "byte {at}");
        assert!(ran.lines.iter().any(|line| line.contains("are damaged")), "{:?}", ran.lines);
    }
}

/// Packed as the writer does: a checksum, and the block closed before the frame is.
fn part(text: &str) -> Vec<u8> {
    let mut encoder = zstd::Encoder::new(Vec::new(), 3).unwrap();
    encoder.include_checksum(true).unwrap();
    encoder.write_all(text.as_bytes()).unwrap();
    encoder.flush().unwrap();
    encoder.finish().unwrap()
}

#[test]
fn convert_says_what_it_cannot_do() {
    let place = Place::new();
    let input = capture(&[HEADER, FRAME, FRAME, END]);
    place.file("a.jsonl", &input);
    let refused = |arguments: &[&str], what: &str| place.run(arguments).refused(what);
    refused(&["convert", "a.jsonl", "a.txt"], "dropline: a.txt: what to write? Let the name end");
    refused(
        &["convert", "a.jsonl", "./a.jsonl"],
        "dropline: ./a.jsonl: that is a.jsonl, which this command uses",
    );
    refused(
        &["convert", "a.jsonl", "x/a.jsonl"],
        "dropline: x/a.jsonl: its directory does not exist",
    );
    place.file("b.jsonl", "precious");
    refused(&["convert", "a.jsonl", "b.jsonl"], "dropline: b.jsonl: exists already; give another");
    assert_eq!(fs::read(place.path("b.jsonl")).unwrap(), b"precious");
    assert_eq!(place.run(&["convert", "a.jsonl", "b.jsonl", "--overwrite"]).code, Some(0));
    assert_eq!(fs::read_to_string(place.path("b.jsonl")).unwrap(), input);
    std::os::unix::fs::symlink("/dev/full", place.path("full.jsonl")).unwrap();
    let ran = place.run(&["convert", "a.jsonl", "full.jsonl", "--overwrite"]);
    ran.refused("dropline: full.jsonl: the disk is full; free some space");
    assert!(Path::new("/dev/full").exists());
}

#[test]
fn convert_there_and_back_is_the_same_file() {
    let place = Place::new();
    let lines = [
        HEADER,
        FRAME,
        r#"{"t_ns":913000,"id":"45D","rtr":4}"#,
        r#"{"t_ns":940100,"id":"18FF10AA","data":""}"#,
        r#"{"t_ns":951000,"error":"00000088","data":"0000040000000000"}"#,
        r#"{"t_ns":960000,"lost":17}"#,
        r#"{"t_ns":970000,"link":"down","why":"adapter unplugged"}"#,
        r#"{"t_ns":990000,"link":"up"}"#,
        r#"{"t_ns":995000,"mark":"conveyor drive started"}"#,
        r#"{"t_ns":999000,"end":{"frames":3,"error_frames":1,"lost_frames":17}}"#,
    ];
    let text = capture(&lines);
    place.file("a.jsonl", &text);
    let summary = place.replay("a.jsonl").source();
    for (from, to) in
        [("a.jsonl", "b.pcapng"), ("b.pcapng", "c.jsonl.zst"), ("c.jsonl.zst", "d.jsonl")]
    {
        let ran = place.run(&["convert", from, to]);
        assert_eq!(ran.lines, [""; 0]);
        let counts = "3 frames, 1 error frames, 17 lost frames; 0 unreadable";
        assert_eq!((ran.code, ran.out), (Some(0), format!("{to}: {counts}\n")));
        let mut other = place.replay(to).source();
        other["name"] = "a.jsonl".into();
        assert_eq!(other, summary);
    }
    assert_eq!(fs::read_to_string(place.path("d.jsonl")).unwrap(), text);
}

#[test]
fn convert_gives_its_account_as_json() {
    let place = Place::new();
    place.file("a.jsonl", capture(&[HEADER, FRAME, "not a record", FRAME, END]) + "{\"t_ns\":");
    let ran = place.run(&["convert", "--json", "a.jsonl", "b.pcapng"]);
    let account: serde_json::Value = serde_json::from_str(&ran.out).unwrap();
    let expected = serde_json::json!({
        "format": "dropline-conversion", "version": 1, "from": "a.jsonl", "to": "b.pcapng",
        "frames": 2, "error_frames": 0, "lost_frames": 0, "unreadable": 1, "left_out": 0,
        "torn": true, "broke_off": null
    });
    assert_eq!((ran.code, account), (Some(0), expected));
}
