//! What dropline is built from: every crate of the lock file comes from the one registry and has a
//! licence that `.deny.toml` allows, so that `cargo deny` finds the same without being built here.

use std::collections::BTreeSet;
use std::process::Command;

use serde_json::Value;

const REGISTRY: &str = "registry+https://github.com/rust-lang/crates.io-index";

fn packages() -> Vec<Value> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--offline", "--locked", "--format-version", "1"])
        .args(["--filter-platform", "x86_64-unknown-linux-gnu"])
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let mut metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    match metadata["packages"].take() {
        Value::Array(packages) => packages,
        other => panic!("no list of packages: {other}"),
    }
}

fn allowed() -> BTreeSet<String> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/.deny.toml");
    let config: toml::Table = std::fs::read_to_string(path).unwrap().parse().unwrap();
    let list = config["licenses"]["allow"].as_array().unwrap();
    list.iter().map(|name| name.as_str().unwrap().to_owned()).collect()
}

/// Whether an SPDX expression (annex D of the SPDX specification) can be met; older crates
/// write `/` for OR.
fn is_met(expression: &str, allowed: &BTreeSet<String>) -> bool {
    let spaced = expression.replace('/', " OR ").replace('(', " ( ").replace(')', " ) ");
    let mut words = spaced.split_whitespace().peekable();
    let met = any(&mut words, allowed);
    met && words.next().is_none()
}

type Words<'a> = std::iter::Peekable<std::str::SplitWhitespace<'a>>;

fn any(words: &mut Words, allowed: &BTreeSet<String>) -> bool {
    let mut met = all(words, allowed);
    while words.next_if_eq(&"OR").is_some() {
        met |= all(words, allowed);
    }
    met
}

fn all(words: &mut Words, allowed: &BTreeSet<String>) -> bool {
    let mut met = one(words, allowed);
    while words.next_if_eq(&"AND").is_some() {
        met &= one(words, allowed);
    }
    met
}

fn one(words: &mut Words, allowed: &BTreeSet<String>) -> bool {
    match words.next() {
        Some("(") => any(words, allowed) && words.next() == Some(")"),
        Some(licence) => {
            let exception = words.next_if_eq(&"WITH").and_then(|_| words.next());
            exception.is_none() && allowed.contains(licence)
        }
        None => false,
    }
}

#[test]
fn expressions() {
    let allowed = BTreeSet::from(["MIT".to_owned(), "Zlib".to_owned()]);
    for (expression, met) in [
        ("MIT", true),
        ("GPL-3.0-only", false),
        ("MIT OR GPL-3.0-only", true),
        ("GPL-3.0-only/MIT", true),
        ("MIT AND GPL-3.0-only", false),
        ("(GPL-3.0-only OR MIT) AND Zlib", true),
        ("GPL-3.0-only OR MIT AND ISC", false),
        ("Apache-2.0 WITH LLVM-exception OR MIT", true),
        ("MIT MIT", false),
        ("(MIT", false),
    ] {
        assert_eq!(is_met(expression, &allowed), met, "{expression}");
    }
}

#[test]
fn every_crate_has_a_licence_and_a_source_that_are_allowed() {
    let (packages, allowed) = (packages(), allowed());
    assert!(packages.len() > 100 && allowed.len() > 3);
    for package in &packages {
        let name = package["name"].as_str().unwrap();
        let licence = package["license"].as_str().unwrap_or_default();
        assert!(is_met(licence, &allowed), "{name}: {licence:?} is not among {allowed:?}");
        match package["source"].as_str() {
            Some(source) => assert_eq!(source, REGISTRY, "{name}"),
            None => assert_eq!(name, "dropline", "a path is no source for others"),
        }
    }
}

/// One of each where dropline asks for it itself: no wildcard, so that the lock file says what
/// may come.
#[test]
fn every_requirement_names_a_version() {
    let packages = packages();
    let own = packages.iter().find(|package| package["name"] == "dropline").unwrap();
    for dependency in own["dependencies"].as_array().unwrap() {
        let requirement = dependency["req"].as_str().unwrap();
        assert!(requirement != "*" && requirement.contains(char::is_numeric), "{dependency}");
    }
}
