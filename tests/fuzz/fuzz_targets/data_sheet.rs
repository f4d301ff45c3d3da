//! Any bytes as a data sheet file.

#![no_main]

#[path = "../checks.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| checks::data_sheet(bytes));
