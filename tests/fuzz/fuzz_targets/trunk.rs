//! Any sequence of records, up to the summary.

#![no_main]

#[path = "../checks.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| checks::trunk(bytes));
