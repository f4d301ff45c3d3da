//! What a client sends to the HTTP server.

#![no_main]

#[path = "../served.rs"]
mod served;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| served::http(bytes));
