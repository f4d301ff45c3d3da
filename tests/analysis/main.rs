//! From records to findings: checked through the library, against sources of its own.

#[path = "../common/mod.rs"]
mod common;

mod captures;
mod data_sheets;
mod decoded_summary;
mod faults_found;
mod findings;
mod fuzz_corpus;
mod hostile;
mod newcomers;
mod plan_and_wire;
mod plan_properties;
mod round_trip;
mod sim_truth;
mod summary_numbers;
mod wire_length;
