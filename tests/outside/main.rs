//! What needs a program of somebody else's: a browser, a Prometheus server, a schema validator.
//!
//! Without it a test is reported as ignored, with the reason; with `CI=true` that is a failure.

#[path = "../common/mod.rs"]
mod common;
mod page_in_browser;
mod prometheus;
mod report_in_browser;
mod schema_validator;
#[path = "../common/trials.rs"]
mod trials;

fn main() -> std::process::ExitCode {
    let tests = [
        page_in_browser::TESTS,
        prometheus::TESTS,
        report_in_browser::TESTS,
        schema_validator::TESTS,
    ]
    .concat();
    // A browser is enough at a time for one machine.
    trials::run(&tests, trials::is_set("CI", "true"), Some(1))
}
