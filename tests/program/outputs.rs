//! What is written, and where not: never onto what a command uses, never over what is there unless
//! it is said so, whole or not at all.

use std::fs;
use std::os::unix::fs::symlink;
use std::path::{Path, PathBuf};
use std::process::Output;

use assert_cmd::Command;

/// A directory with everything that commands read, each under its own name, a hard link and a link.
struct Site(tempfile::TempDir);

const READ: [&str; 5] =
    ["night.jsonl", "line.plan.toml", "line.scenario.toml", "signed.json", "t.toml"];

impl Site {
    fn new() -> Site {
        let site = Site(tempfile::tempdir().unwrap());
        let packed = fs::read("captures/healthy.jsonl.zst").unwrap();
        fs::write(site.at("night.jsonl"), zstd::decode_all(&packed[..]).unwrap()).unwrap();
        fs::copy("shared/orchard-lane.plan.toml", site.at("line.plan.toml")).unwrap();
        fs::copy("captures/bus-off.toml", site.at("line.scenario.toml")).unwrap();
        fs::write(site.at("t.toml"), "").unwrap();
        let made = site.run(&["replay", "night.jsonl", "--summary", "signed.json"]);
        assert!(made.status.success(), "{}", text(&made.stderr));
        for name in READ {
            fs::hard_link(site.at(name), site.at(&format!("hard-{name}"))).unwrap();
            symlink(name, site.at(&format!("soft-{name}"))).unwrap();
        }
        site
    }

    fn at(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn run(&self, args: &[&str]) -> Output {
        let mut command = Command::cargo_bin("dropline").unwrap();
        command.current_dir(self.0.path()).args(args).output().unwrap()
    }

    fn contents(&self) -> Vec<(PathBuf, Vec<u8>)> {
        let entries = fs::read_dir(self.0.path()).unwrap();
        let mut files: Vec<_> = entries
            .map(|entry| entry.unwrap().path())
            .map(|path| (path.clone(), fs::read(&path).unwrap()))
            .collect();
        files.sort();
        files
    }
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

#[test]
fn no_output_goes_onto_what_is_read() {
    let site = Site::new();
    let before = site.contents();
    let commands: [(&[&str], &[&str]); 8] = [
        (&["replay", "night.jsonl", "--plan", "line.plan.toml", "--summary"], &READ[..2]),
        (&["report", "night.jsonl", "--plan", "line.plan.toml", "-o"], &READ[..2]),
        (
            &["report", "night.jsonl", "--baseline", "signed.json", "--tolerance", "t.toml", "-o"],
            &["signed.json", "t.toml"],
        ),
        (&["plan", "line.plan.toml", "--svg"], &["line.plan.toml"]),
        (&["simulate", "line.scenario.toml", "-o"], &["line.scenario.toml"]),
        (
            &["simulate", "line.scenario.toml", "-o", "new.jsonl", "--truth"],
            &["line.scenario.toml"],
        ),
        (&["demo", "--plan", "line.plan.toml", "--capture"], &["line.plan.toml"]),
        (&["demo", "--plan", "line.plan.toml", "--summary"], &["line.plan.toml"]),
    ];
    for (args, targets) in commands {
        for target in targets.iter().flat_map(|name| {
            [name.to_string(), format!("hard-{name}"), format!("soft-{name}"), format!("./{name}")]
        }) {
            let args: Vec<&str> = args.iter().copied().chain([&*target, "--overwrite"]).collect();
            let output = site.run(&args);
            let said = text(&output.stderr);
            assert_eq!(output.status.code(), Some(2), "{args:?}: {said}");
            assert!(said.contains("which this command uses"), "{args:?}: {said}");
        }
    }
    // Under the name of the other output, which is not there yet.
    for args in [
        &["simulate", "line.scenario.toml", "-o", "a.jsonl", "--truth", "./a.jsonl"][..],
        &["demo", "--capture", "a.jsonl", "--summary", "a.jsonl"],
    ] {
        let output = site.run(args);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {}", text(&output.stderr));
    }
    let converted = site.run(&["convert", "night.jsonl", "hard-night.jsonl", "--overwrite"]);
    assert_eq!(converted.status.code(), Some(2), "{}", text(&converted.stderr));
    assert!(site.contents() == before, "something was written or left behind");
}

#[test]
fn standard_input_is_not_written_over() {
    let site = Site::new();
    let before = site.contents();
    for target in ["/dev/stdin", "/proc/self/fd/0"] {
        let output = Command::cargo_bin("dropline")
            .unwrap()
            .current_dir(site.0.path())
            .args(["replay", "-", "--overwrite", "--summary", target])
            .pipe_stdin(site.at("night.jsonl"))
            .unwrap()
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(2), "{}", text(&output.stderr));
    }
    assert!(site.contents() == before);
}

#[test]
fn what_exists_is_only_replaced_when_it_is_said() {
    let site = Site::new();
    fs::write(site.at("page"), "signed").unwrap();
    let commands: [&[&str]; 7] = [
        &["replay", "night.jsonl", "--summary", "page"],
        &["report", "night.jsonl", "-o", "page"],
        &["plan", "line.plan.toml", "--svg", "page"],
        &["simulate", "line.scenario.toml", "-o", "page"],
        &["simulate", "line.scenario.toml", "-o", "/dev/null", "--truth", "page"],
        &["demo", "--capture", "page", "--summary", "new.json"],
        &["demo", "--capture", "other.jsonl", "--summary", "page"],
    ];
    for args in commands {
        let output = site.run(args);
        let said = text(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{args:?}: {said}");
        assert!(said.contains("page: exists already"), "{args:?}: {said}");
        assert_eq!(fs::read(site.at("page")).unwrap(), b"signed", "{args:?}");
        let said_so: Vec<&str> = args.iter().copied().chain(["--overwrite"]).collect();
        let output = site.run(&said_so);
        assert!(output.status.success(), "{said_so:?}: {}", text(&output.stderr));
        assert_ne!(fs::read(site.at("page")).unwrap(), b"signed", "{args:?}");
        fs::write(site.at("page"), "signed").unwrap();
    }
    // What a run of the demo left the next one may replace.
    for _ in 0..2 {
        assert!(site.run(&["demo"]).status.success());
    }
    assert!(no_remains(site.0.path()));
}

/// A link whose target is not there yet stays a link.
#[test]
fn a_link_is_followed_and_kept() {
    let site = Site::new();
    symlink("real.json", site.at("link.json")).unwrap();
    let output = site.run(&["replay", "night.jsonl", "--summary", "link.json"]);
    assert!(output.status.success(), "{}", text(&output.stderr));
    assert!(fs::symlink_metadata(site.at("link.json")).unwrap().is_symlink());
    assert!(text(&fs::read(site.at("real.json")).unwrap()).contains("dropline-summary"));
}

#[test]
fn a_pipe_that_nobody_reads_is_told() {
    let site = Site::new();
    nix::unistd::mkfifo(&site.at("pipe"), nix::sys::stat::Mode::S_IRWXU).unwrap();
    for args in [
        &["replay", "night.jsonl", "--summary", "pipe"][..],
        &["report", "night.jsonl", "-o", "pipe"],
    ] {
        let output = site.run(args);
        assert_eq!(output.status.code(), Some(2));
        assert!(text(&output.stderr).contains("a pipe that nobody reads"));
    }
}

#[test]
fn a_report_goes_to_standard_output_too() {
    let site = Site::new();
    let output = site.run(&["report", "night.jsonl", "-o", "-"]);
    assert!(output.status.success(), "{}", text(&output.stderr));
    assert!(output.stdout.starts_with(b"<!DOCTYPE html>"));
    assert!(!site.at("-").exists());
    let output = site.run(&["simulate", "line.scenario.toml", "-o", "-"]);
    assert!(text(&output.stderr).contains("no name of a file"), "{}", text(&output.stderr));
}

/// What is hashed or put in order by its beginning is read twice, which a pipe cannot be.
#[test]
fn no_report_of_a_pipe_and_no_pipe_among_pieces() {
    let site = Site::new();
    nix::unistd::mkfifo(&site.at("pipe"), nix::sys::stat::Mode::S_IRWXU).unwrap();
    for args in [&["report", "pipe", "-o", "new.html"][..], &["replay", "night.jsonl", "pipe"]] {
        let output = site.run(args);
        assert_eq!(output.status.code(), Some(2));
        let said = text(&output.stderr);
        assert!(said.contains("pipe: a pipe, which can be read once only; save"), "{said}");
        assert!(!site.at("new.html").exists());
    }
}

fn no_remains(directory: &Path) -> bool {
    let mut entries = fs::read_dir(directory).unwrap();
    !entries.any(|entry| entry.unwrap().file_name().to_string_lossy().ends_with(".part"))
}

/// A limit on the length of files (`ulimit -f`) is as a full disk is: told, and nothing torn is left.
#[test]
fn a_limit_on_files_ends_nothing_without_a_word() {
    let site = Site::new();
    fs::write(site.at("r.html"), "signed").unwrap();
    let program = assert_cmd::cargo::cargo_bin("dropline");
    let limited = |limit: &str, line: &str| {
        let script = format!("ulimit {limit}; exec {} {line}", program.display());
        let mut bash = std::process::Command::new("bash");
        bash.args(["-c", &script]).current_dir(site.0.path()).output().unwrap()
    };
    let run = limited("-f 4", "report night.jsonl -o r.html --overwrite");
    assert_eq!(run.status.code(), Some(2), "{}", text(&run.stderr));
    assert!(text(&run.stderr).contains("r.html: longer than a file may become here"));
    assert_eq!(fs::read(site.at("r.html")).unwrap(), b"signed");

    // The summary fits, the capture does not.
    let run = limited("-f 200", "demo --capture d.jsonl --summary s.json");
    let said = text(&run.stderr);
    assert_eq!(run.status.code(), Some(1), "{said}");
    assert!(
        said.contains("d.jsonl, but frames are missing from it, the summary in s.json"),
        "{said}"
    );
    let read = site.run(&["replay", "d.jsonl", "--json"]);
    assert!(read.status.success(), "{}", text(&read.stderr));

    // Too few files to start with; and never a panic in between.
    for files in 3..24 {
        let run = limited(&format!("-n {files}"), "watch nowhere0");
        assert!(!text(&run.stderr).contains("panicked"), "{files}: {}", text(&run.stderr));
    }
}
