//! Any bytes as a saved file: a capture, plain or packed, or pcapng.

#![no_main]

#[path = "../checks.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| checks::file(bytes));
