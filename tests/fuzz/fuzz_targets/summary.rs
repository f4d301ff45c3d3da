//! Any text as a summary and as tolerances.

#![no_main]

#[path = "../checks.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| checks::summary(bytes));
