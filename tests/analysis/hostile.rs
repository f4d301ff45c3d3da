//! Files made to harm, through the real program: memory is bounded by what dropline sets itself,
//! never by the file; each ends in time with one clear line and the right exit status.

use std::fs::{self, File};
use std::io::{BufRead, BufReader, BufWriter, Read, Write};
use std::os::unix::fs::FileExt;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::{Duration, Instant};

use tempfile::TempDir;

const HEADER: &str = r#"{"format":"dropline-capture","version":1,"started":"2026-03-02T06:30:00.000000000Z","bitrate":125000}"#;
const FRAME: &str = r#"{"t_ns":512000,"id":"45D","data":"01020304"}"#;
const PLAN: &str = "[trunk]\nname = \"T\"\nbitrate = 125000\nscan_interval_ms = 20.0\n";

/// Frames of 32 MB in a bomb: a gigabyte.
const FRAMES: usize = 32;

/// The most that any of these files may cost; DEVELOPERS.md says so.
const MOST_MB: u64 = 150;

struct Place(TempDir);

struct Ran {
    code: Option<i32>,
    out: String,
    lines: Vec<String>,
    peak_mb: u64,
}

impl Place {
    fn new() -> Place {
        Place(tempfile::tempdir().unwrap())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn file(&self, name: &str, bytes: impl AsRef<[u8]>) {
        fs::write(self.path(name), bytes).unwrap();
    }

    /// A file of so many zeros that takes no room on the disk.
    fn sparse(&self, name: &str, start: &[u8], megabytes: u64) {
        let file = File::create(self.path(name)).unwrap();
        file.set_len(megabytes << 20).unwrap();
        file.write_all_at(start, 0).unwrap();
    }

    fn start(&self, arguments: &[&str]) -> Child {
        let mut command = Command::new(env!("CARGO_BIN_EXE_dropline"));
        command.args(arguments).current_dir(self.0.path());
        command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        command.spawn().unwrap()
    }

    fn run(&self, arguments: &[&str]) -> Ran {
        let child = self.start(arguments);
        watched(child, arguments)
    }
}

/// Waits for the end of a command, and asks the kernel until then how much memory it has had.
fn watched(mut child: Child, arguments: &[&str]) -> Ran {
    drop(child.stdin.take());
    let mut out = child.stdout.take().unwrap();
    let out = thread::spawn(move || {
        let mut text = String::new();
        out.read_to_string(&mut text).unwrap();
        text
    });
    let errors = BufReader::new(child.stderr.take().unwrap());
    let errors = thread::spawn(move || errors.lines().map(Result::unwrap).collect());
    let started = Instant::now();
    let status = format!("/proc/{}/status", child.id());
    let mut peak = 0;
    let code = loop {
        let text = fs::read_to_string(&status).unwrap_or_default();
        let line = text.lines().find_map(|line| line.strip_prefix("VmHWM:"));
        let kilobytes = line.and_then(|line| line.trim().strip_suffix(" kB")?.parse().ok());
        peak = peak.max(kilobytes.unwrap_or(0));
        if let Some(status) = child.try_wait().unwrap() {
            break status.code();
        }
        if started.elapsed() > Duration::from_secs(120) || peak >> 10 > 4 * MOST_MB {
            child.kill().unwrap();
            panic!("{arguments:?}: {} MB after {:?}", peak >> 10, started.elapsed());
        }
        thread::sleep(Duration::from_millis(2));
    };
    let (out, lines) = (out.join().unwrap(), errors.join().unwrap());
    let ran = Ran { code, out, lines, peak_mb: peak >> 10 };
    assert!(ran.peak_mb < MOST_MB, "{arguments:?}: {} MB, {:?}", ran.peak_mb, ran.lines);
    ran
}

impl Ran {
    /// Refused: exit 2, one line that holds this, nothing on standard output.
    #[track_caller]
    fn refused(&self, expected: &str) {
        assert_eq!((self.code, self.out.as_str()), (Some(2), ""), "{:?}", self.lines);
        assert_eq!(self.lines.len(), 1, "{:?}", self.lines);
        assert!(self.lines[0].contains(expected), "{:?}", self.lines);
        assert!(self.lines[0].len() < 2100 && !self.lines[0].contains('\x1b'), "{:?}", self.lines);
    }

    /// Read: exit 0; the summary's source.
    #[track_caller]
    fn source(&self) -> serde_json::Value {
        assert_eq!(self.code, Some(0), "{:?}", self.lines);
        let mut summary: serde_json::Value = serde_json::from_str(&self.out).unwrap();
        summary["source"].take()
    }
}

/// A small file that is a large one: frames that repeat 32 MB of one byte.
fn bomb(start: &str, byte: u8, end: &str, copies: usize) -> Vec<u8> {
    let pack = |bytes: &[u8]| zstd::encode_all(bytes, 3).unwrap();
    let middle = pack(&vec![byte; 32 << 20]);
    let mut packed = pack(start.as_bytes());
    (0..copies).for_each(|_| packed.extend_from_slice(&middle));
    packed.extend(pack(end.as_bytes()));
    packed
}

#[test]
fn an_endless_line_from_a_small_packed_file_costs_itself() {
    let place = Place::new();
    let (start, end) = (format!("{HEADER}\n{FRAME}\n{{\"mark\":\""), format!("\"}}\n{FRAME}\n"));
    let packed = bomb(&start, b'x', &end, FRAMES);
    assert!(packed.len() < 200_000, "{}", packed.len());
    place.file("a.jsonl.zst", packed);
    let ran = place.run(&["replay", "a.jsonl.zst", "--json"]);
    let source = ran.source();
    assert_eq!((&source["frames"], &source["unreadable_lines"]), (&2.into(), &1.into()));
    assert_eq!(ran.lines, ["dropline: a.jsonl.zst: line 3: longer than a line can be; skipped"]);
    // No first line: nothing that could be read.
    place.file("b.jsonl.zst", bomb("", b'x', "", FRAMES));
    place.run(&["replay", "b.jsonl.zst"]).refused("b.jsonl.zst: line 1: not a dropline capture");
}

#[test]
fn lines_without_end_through_a_pipe() {
    let place = Place::new();
    let arguments = ["replay", "pipe", "--json"];
    let through = |megabytes: usize, end: String| {
        let name = place.path("pipe");
        assert!(Command::new("mkfifo").arg(&name).status().unwrap().success());
        let child = place.start(&arguments);
        let path = name.clone();
        let writer = thread::spawn(move || {
            let mut pipe = BufWriter::new(File::options().write(true).open(path).unwrap());
            write!(pipe, "{HEADER}\n{FRAME}\n").unwrap();
            (0..megabytes).for_each(|_| pipe.write_all(&[b'y'; 1 << 20]).unwrap());
            pipe.write_all(end.as_bytes()).unwrap();
            pipe.flush().unwrap();
        });
        let ran = watched(child, &arguments);
        writer.join().unwrap();
        fs::remove_file(name).unwrap();
        let source = ran.source();
        ["frames", "unreadable_lines"].map(|key| source[key].as_u64().unwrap())
    };
    assert_eq!(through(64, format!("\n{FRAME}\n")), [2, 1]);
    // A gigabyte, and the file ends before the line does.
    assert_eq!(through(1024, String::new()), [1, 1]);
}

#[test]
fn long_marks_and_many_messages_do_not_add_up() {
    let place = Place::new();
    let mark = format!("{{\"t_ns\":1,\"mark\":\"{}\"}}\n", "m".repeat(1_000_000));
    let text = format!("{HEADER}\n") + &mark.repeat(100) + &"{\"t_ns\":x}\n".repeat(10_000);
    place.file("a.jsonl.zst", zstd::encode_all(text.as_bytes(), 1).unwrap());
    let ran = place.run(&["replay", "a.jsonl.zst", "--json"]);
    assert_eq!(ran.source()["unreadable_lines"], 10_000);
    assert_eq!(ran.lines.len(), 11);
}

#[test]
fn broken_and_greedy_packing() {
    let place = Place::new();
    // A window of 2 GB (RFC 8878, 3.1.1.1.2): what a decoder would have to keep.
    let greedy = [0x28, 0xB5, 0x2F, 0xFD, 0x00, 0xA8, 0x01, 0x00, 0x00];
    place.file("greedy.zst", greedy);
    place.run(&["replay", "greedy.zst"]).refused("greedy.zst: line 1: ");
    let packed = zstd::encode_all(format!("{HEADER}\n{FRAME}\n{FRAME}\n").as_bytes(), 3).unwrap();
    for cut in 4..packed.len() {
        place.file("cut.zst", &packed[..cut]);
        let ran = place.run(&["replay", "cut.zst"]);
        assert!(ran.code == Some(0) || ran.lines.len() == 1, "{cut}: {:?}", ran.lines);
    }
}

#[test]
fn deep_json_is_a_broken_line_and_a_refused_file() {
    let place = Place::new();
    let deep = |open: &str| open.repeat(300_000);
    let line = format!("{{\"t_ns\":1,\"mark\":{}\n", deep("["));
    place.file("a.jsonl", format!("{HEADER}\n{line}{}\n{FRAME}\n", deep("{\"a\":")));
    let source = place.run(&["replay", "a.jsonl", "--json"]).source();
    assert_eq!((&source["frames"], &source["unreadable_lines"]), (&1.into(), &2.into()));
    place.file("b.jsonl", HEADER.replace("125000", &deep("[")));
    place.run(&["replay", "b.jsonl"]).refused("b.jsonl: line 1: ");
    place.file("c.json", format!("{{\"format\":\"dropline-summary\",\"source\":{}", deep("[")));
    place.run(&["compare", "c.json", "c.json"]).refused("c.json: a damaged summary: ");
    place.file("d.toml", format!("{PLAN}x = {}", deep("[")));
    let ran = place.run(&["plan", "d.toml"]);
    assert_eq!((ran.code, ran.out.as_str()), (Some(2), ""));
    assert!(ran.lines.len() <= 21, "{}", ran.lines.len());
    place.file("e.toml", format!("{} = 1\n", ["a"; 300_000].join(".")));
    assert_eq!(place.run(&["plan", "e.toml"]).code, Some(2));
    place.run(&["simulate", "e.toml", "-o", "x.jsonl"]).refused("e.toml: line 1: ");
}

#[test]
fn numbers_that_are_none_or_beyond_all_bounds() {
    let place = Place::new();
    for number in ["NaN", "Infinity", "-Infinity", "1e999", "-1e999", "1e30", &"9".repeat(500)] {
        let line = FRAME.replace("512000", number);
        place.file("a.jsonl", format!("{HEADER}\n{line}\n{FRAME}\n"));
        let ran = place.run(&["replay", "a.jsonl", "--json"]);
        assert_eq!(ran.source()["unreadable_lines"], 1, "{number}");
        assert!(ran.lines[0].starts_with("dropline: a.jsonl: line 2: "), "{:?}", ran.lines);
        place.file("b.jsonl", HEADER.replace("125000", number));
        place.run(&["replay", "b.jsonl"]).refused("b.jsonl: line 1: ");
    }
    // The ends of the range of times are times; what is computed from them does not wrap.
    let ends = [i64::MIN, i64::MAX, 0, i64::MAX, i64::MIN];
    let ends = ends.map(|t| FRAME.replace("512000", &t.to_string()) + "\n").concat();
    place.file("a.jsonl", format!("{HEADER}\n{ends}"));
    assert_eq!(place.run(&["replay", "a.jsonl", "--json"]).source()["frames"], 5);

    for number in ["nan", "inf", "-inf", "1e999", "-1", "1e30", &"9".repeat(500)] {
        place.file("p.toml", PLAN.replace("20.0", number));
        place.run(&["plan", "p.toml"]).refused("p.toml: line 4: ");
        place.file("t.toml", format!("latency_us = {number}"));
        place.file("a.jsonl", format!("{HEADER}\n{FRAME}\n"));
        let ran = place.run(&["compare", "a.jsonl", "a.jsonl", "--tolerance", "t.toml"]);
        if number != "1e30" {
            ran.refused("t.toml: line 1: latency_us: ");
        }
        let scenario = format!(
            "[trunk]\nname = \"T\"\nbitrate = 125000\nduration_s = 1\nlength_m = {number}\n\
             [master]\nvendor_id = 900\nserial = 1\n"
        );
        place.file("s.toml", scenario);
        place.run(&["simulate", "s.toml", "-o", "x.jsonl"]).refused("s.toml: line 5: ");
    }
}

/// An array costs many times its bytes where it is kept until it is known to be nobody's.
#[test]
fn a_summary_full_of_numbers_in_a_field_that_nobody_knows() {
    let place = Place::new();
    let baseline = include_str!("../baselines/loose-connector.v1.json");
    let numbers = format!("\"x\": [0{}], \"commands\"", ",0".repeat(3_000_000));
    place.file("a.json", baseline.replacen("\"commands\"", &numbers, 1));
    assert_eq!(place.run(&["compare", "a.json", "a.json"]).code, Some(0));
}

#[test]
fn numbers_of_a_summary_and_of_data_sheets() {
    let place = Place::new();
    place.file("a.jsonl", format!("{HEADER}\n{FRAME}\n"));
    let good = place.run(&["replay", "a.jsonl", "--json"]).out;
    for number in ["NaN", "1e999", "-1e999", &"9".repeat(500)] {
        place.file("b.json", good.replace("\"frames\": 1,", &format!("\"frames\": {number},")));
        place.run(&["compare", "b.json", "b.json"]).refused("b.json: a damaged summary: ");
    }
    fs::create_dir(place.path("sheets")).unwrap();
    for (name, number) in [("a", "NaN"), ("b", "1e999"), ("c", "-1"), ("d", &"9".repeat(3 << 20))] {
        let sheet = format!("[Device]\nVendCode = {number};\nProdCode = 1;\n");
        place.file(&format!("sheets/{name}.eds"), sheet);
    }
    place.file("sheets/good.eds", "[Device]\nVendCode = 900;\nProdCode = 1;\n");
    place.sparse("sheets/huge.eds", b"[Device]\nVendCode = 900;\n", 400);
    place.file("sheets/many.eds", "[D]\n".to_owned() + &"a=,,,,;".repeat(500_000));
    let ran = place.run(&["replay", "a.jsonl", "--eds", "sheets", "--json"]);
    assert_eq!(ran.source()["frames"], 1);
    let told = |name: &str| ran.lines.iter().find(|line| line.contains(name)).unwrap();
    assert!(told("huge.eds").contains("longer than 4 MB; is it the right file?"));
    assert!(told("d.eds: names no device: line ").len() < 500);
    assert_eq!(ran.lines.len(), 6, "{:?}", ran.lines);
}

#[test]
fn files_that_are_read_whole_are_not_read_on_for_ever() {
    let place = Place::new();
    let too_long = "longer than 1 MB; is it the right file?";
    let node = |n: usize| format!("[[node]]\nmac_id = {n}\nconnection = \"explicit\"\n");
    let million = PLAN.to_owned() + &(0..1_000_000).map(node).collect::<String>();
    place.file("p.toml", million);
    place.run(&["plan", "p.toml"]).refused(too_long);
    // As many as are read: each is told to be no address, or one that is taken.
    place.file("p.toml", PLAN.to_owned() + &(0..20_000).map(node).collect::<String>());
    let ran = place.run(&["plan", "p.toml"]);
    assert_eq!((ran.code, ran.lines.len()), (Some(2), 21));
    assert!(ran.lines[20].ends_with("more problems"), "{:?}", ran.lines[20]);
    place.file("k.toml", format!("{PLAN}{} = 1\n", "k".repeat(900_000)));
    place.run(&["plan", "k.toml"]).refused("unknown key");

    place.run(&["replay", "/dev/zero"]).refused("line 1: not a dropline capture");
    place.run(&["plan", "/dev/zero"]).refused(too_long);
    place.run(&["simulate", "/dev/zero", "-o", "x.jsonl"]).refused(too_long);
    place.file("a.jsonl", format!("{HEADER}\n{FRAME}\n"));
    place.run(&["compare", "a.jsonl", "a.jsonl", "--tolerance", "/dev/zero"]).refused(too_long);
    place.sparse("s.json", b"{\"format\":\"dropline-summary\",\"version\":1,\n", 400);
    place.run(&["compare", "s.json", "s.json"]).refused("longer than 8 MB");
}

/// Blocks of the IETF draft (draft-ietf-opsawg-pcapng), little endian.
fn block(kind: u32, body: &[u8]) -> Vec<u8> {
    let length = (body.len().next_multiple_of(4) as u32 + 12).to_le_bytes();
    let mut bytes = [&kind.to_le_bytes()[..], &length, body].concat();
    bytes.resize(bytes.len().next_multiple_of(4), 0);
    bytes.extend(length);
    bytes
}

fn section() -> Vec<u8> {
    let order = 0x1A2B_3C4D_u32.to_le_bytes();
    block(0x0A0D_0D0A, &[&order[..], &[1, 0, 0, 0], &[0xFF; 8]].concat())
}

fn interface(link: u8, options: &[u8]) -> Vec<u8> {
    block(1, &[&[link, 0, 0, 0, 0, 0, 0, 0], options].concat())
}

fn packet(interface: u32, time: u64, options: &[u8]) -> Vec<u8> {
    let data = [0, 0, 1, 0x23, 8, 0, 0, 0, 1, 2, 3, 4, 5, 6, 7, 8];
    let words = [interface, (time >> 32) as u32, time as u32, 16, 16];
    let words: Vec<u8> = words.into_iter().flat_map(u32::to_le_bytes).collect();
    block(6, &[&words[..], &data, options].concat())
}

#[test]
fn pcapng_that_claims_too_much() {
    let place = Place::new();
    let can = || [section(), interface(227, &[])].concat();
    // A block that claims four gigabytes, before a file's worth of zeros.
    let claim = [6, 0, 0, 0, 0xFC, 0xFF, 0xFF, 0xFF];
    let start = [can(), packet(0, 1, &[]), claim.to_vec()].concat();
    place.sparse("a.pcapng", &start, 64);
    assert_eq!(place.run(&["replay", "a.pcapng", "--json"]).source()["frames"], 1);
    // An option longer than its block.
    let options = [1, 0, 0xFF, 0xFF, b'a', b'b', b'c', b'd'];
    let file = [can(), packet(0, 1, &[]), packet(0, 2, &options), packet(0, 3, &[])].concat();
    place.file("b.pcapng", file);
    let source = place.run(&["replay", "b.pcapng", "--json"]).source();
    assert_eq!((&source["frames"], &source["unreadable_lines"]), (&2.into(), &1.into()));
    // Interfaces without end.
    let many = [section(), interface(1, &[]).repeat(200_000)].concat();
    place.file("c.pcapng", many);
    place.run(&["replay", "c.pcapng"]).refused("bytes of descriptions of interfaces");
    // Comments of 64 kB on each packet.
    let mut comment = vec![1, 0, 0xFC, 0xFF];
    comment.extend([b'c'; 0xFFFC]);
    let file = [can(), packet(0, 1, &comment).repeat(1500)].concat();
    place.file("d.pcapng", file);
    assert_eq!(place.run(&["replay", "d.pcapng", "--json"]).source()["frames"], 1500);
    // The ends of the range of times, in seconds, and an offset back to before all calendars.
    let seconds = [9, 0, 1, 0, 0, 0, 0, 0];
    let offset = [&[14, 0, 8, 0][..], &i64::MIN.to_le_bytes()].concat();
    for options in [&seconds[..], &offset] {
        let packets = [0, 1, u64::MAX, u64::MAX / 2, 2].map(|t| packet(0, t, &[])).concat();
        place.file("e.pcapng", [section(), interface(227, options), packets].concat());
        let ran = place.run(&["replay", "e.pcapng", "--json"]);
        assert!(ran.code == Some(0) || ran.lines.len() == 1, "{:?}", ran.lines);
    }
}
