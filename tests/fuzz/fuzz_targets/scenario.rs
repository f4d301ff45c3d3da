//! Any text as a scenario, which is then simulated for a moment.

#![no_main]

#[path = "../checks.rs"]
mod checks;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| checks::scenario(bytes));
