//! What is written fits its JSON Schema, by a validator that knows nothing of dropline: Python's
//! `jsonschema`.

use std::path::{Path, PathBuf};
use std::process::Command;

use assert_cmd::prelude::*;

use crate::trials::{Absent, Test};

pub const TESTS: &[(&str, Test)] = &[("json_fits_its_schema", json_fits_its_schema)];

/// Reads pairs of a schema and a document; prints each document that does not fit, and where.
const VALIDATE: &str = r#"
import json, sys
from jsonschema import Draft202012Validator
for schema, document in zip(sys.argv[1::2], sys.argv[2::2]):
    errors = Draft202012Validator(json.load(open(schema))).iter_errors(json.load(open(document)))
    for error in errors:
        print(document, error.json_path, error.message)
"#;

fn json_fits_its_schema() -> Result<(), Absent> {
    let there = Command::new("python3").args(["-c", "import jsonschema"]).output();
    if !there.is_ok_and(|output| output.status.success()) {
        return Err(Absent("python3 with its module jsonschema is not installed".to_string()));
    }
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let shared = |name: &str| project.join("shared").join(name);
    let directory = tempfile::tempdir().unwrap();
    let mut pairs: Vec<PathBuf> = Vec::new();
    for name in ["healthy", "drive-trip", "loose-connector", "bus-off", "address-shared"] {
        let summary = directory.path().join(format!("{name}.json"));
        let mut replay = Command::cargo_bin("dropline").unwrap();
        replay.arg("replay").arg(project.join(format!("captures/{name}.jsonl.zst")));
        replay.arg("--summary").arg(&summary);
        assert!(replay.output().unwrap().status.success());
        pairs.extend([shared("summary.schema.json"), summary]);
        let baseline = project.join(format!("tests/baselines/{name}.v1.json"));
        if baseline.exists() {
            let mut compare = Command::cargo_bin("dropline").unwrap();
            compare.arg("compare").arg(&baseline).arg(&pairs[pairs.len() - 1]).arg("--json");
            let comparison = directory.path().join(format!("{name}.comparison.json"));
            std::fs::write(&comparison, compare.output().unwrap().stdout).unwrap();
            pairs.extend([shared("comparison.schema.json"), comparison]);
            pairs.extend([shared("summary.v1.schema.json"), baseline]);
        }
    }
    assert_eq!(pairs.len(), 2 * (5 + 2 * 3));
    let output = Command::new("python3").args(["-c", VALIDATE]).args(&pairs).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    assert!(output.status.success(), "{}", text(&output.stderr));
    assert_eq!(text(&output.stdout), "");
    Ok(())
}
