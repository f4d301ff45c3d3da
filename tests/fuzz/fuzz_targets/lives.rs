//! Trunks on which things hang together, whole and in pieces.

#![no_main]

#[path = "../checks.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| checks::lives(bytes));
