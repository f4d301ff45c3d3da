//! The committed captures are what their scenarios give, and their page says what dropline
//! finds in them.

use std::collections::BTreeSet;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use dropline::internal::wire::{write_header, write_record};
use dropline::simulation::{Scenario, SimSource};
use dropline::{Analysis, SourceKind};
use serde_json::Value;

/// The most that a committed capture may take.
const MAX_BYTES: u64 = 300_000;

/// A capture's lines and the codes of the findings in it.
struct Run {
    lines: Vec<u8>,
    codes: Vec<String>,
    /// Those of warnings and faults that nothing else explains.
    causes: Vec<String>,
}

fn run(scenario: &Path) -> Run {
    let text = std::fs::read_to_string(scenario).unwrap();
    let scenario = Scenario::parse(&text).unwrap_or_else(|e| panic!("{}: {e}", scenario.display()));
    let mut source = SimSource::new(scenario, None);
    let mut analysis = Analysis::new(source.header());
    let (mut lines, mut batch) = (Vec::new(), Vec::new());
    write_header(&mut lines, source.header());
    loop {
        let more = source.next_records(&mut batch);
        for record in batch.drain(..) {
            write_record(&mut lines, &record);
            analysis.take(&record, &mut |_, _| {});
        }
        if !more {
            break;
        }
    }
    let summary = analysis.finish(SourceKind::Capture, "capture", 0, &mut |_, _| {});
    let summary: Value = serde_json::from_str(&summary.to_json()).unwrap();
    let findings = summary["findings"].as_array().unwrap();
    let code = |f: &Value| f["code"].as_str().unwrap().to_string();
    let stands = |f: &&Value| f["explained_by"].is_null() && f["severity"] != "note";
    let causes = findings.iter().filter(stands).map(code).collect();
    Run { lines, codes: findings.iter().map(code).collect(), causes }
}

fn captures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("captures")
}

fn scenarios() -> Vec<PathBuf> {
    let mut paths: Vec<PathBuf> = std::fs::read_dir(captures())
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|extension| extension == "toml"))
        .collect();
    paths.sort();
    assert!(paths.len() >= 10, "only {} scenarios", paths.len());
    paths
}

/// Makes each capture again. With DROPLINE_WRITE_CAPTURES set it writes them anew, and into the
/// page what is found in them.
#[test]
fn each_scenario_gives_its_capture_and_the_page_tells_what_is_found() {
    let page_path = captures().join("README.md");
    let mut page = std::fs::read_to_string(&page_path).unwrap();
    let write = std::env::var_os("DROPLINE_WRITE_CAPTURES").is_some();
    let mut wrong = Vec::new();
    for scenario in scenarios() {
        let name = scenario.file_stem().unwrap().to_string_lossy().into_owned();
        let run = run(&scenario);
        let path = scenario.with_extension("jsonl.zst");
        let codes: BTreeSet<&str> = run.codes.iter().map(String::as_str).collect();
        let told: Vec<String> = codes.iter().map(|code| format!("`{code}`")).collect();
        let told = if told.is_empty() { "nothing".to_string() } else { told.join(", ") };
        if write {
            let file = std::fs::File::create(&path).unwrap();
            let mut encoder = zstd::Encoder::new(file, 19).unwrap();
            encoder.write_all(&run.lines).unwrap();
            encoder.finish().unwrap();
            page = page
                .lines()
                .map(|line| match line.strip_suffix(" |").and_then(|l| l.rsplit_once(" | ")) {
                    Some((row, _)) if row.starts_with(&format!("| `{name}` |")) => {
                        format!("{row} | {told} |\n")
                    }
                    _ => format!("{line}\n"),
                })
                .collect();
        }
        // One thing went wrong, so hardly more than one may stand for itself.
        if run.causes.len() > 2 {
            wrong.push(format!("{name}: {} causes: {}", run.causes.len(), run.causes.join(", ")));
        }
        let size = std::fs::metadata(&path).map(|m| m.len()).unwrap_or(0);
        if size == 0 || size > MAX_BYTES {
            wrong.push(format!("{name}: {size} bytes"));
            continue;
        }
        let mut committed = Vec::new();
        let file = std::fs::File::open(&path).unwrap();
        zstd::Decoder::new(file).unwrap().read_to_end(&mut committed).unwrap();
        if committed != run.lines {
            let same = committed.iter().zip(&run.lines).take_while(|(a, b)| a == b).count();
            let line = committed[..same].iter().filter(|&&b| b == b'\n').count() + 1;
            wrong.push(format!("{name}: differs from line {line} on"));
        }
        let row = page.lines().find(|line| line.starts_with(&format!("| `{name}` |")));
        match row {
            Some(row) if row.ends_with(&format!("| {told} |")) => {}
            Some(_) => wrong.push(format!("{name}: the page should say {told}")),
            None => wrong.push(format!("{name}: the page does not have it; it finds {told}")),
        }
    }
    if write {
        std::fs::write(&page_path, page).unwrap();
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
