//! Tests that can say why they were not run on this machine.

use std::process::ExitCode;

use libtest_mimic::{Arguments, Completion, Failed, Trial};

/// Why a test cannot be run on this machine.
#[derive(Debug)]
pub struct Absent(pub String);

pub type Test = fn() -> Result<(), Absent>;

/// Runs them, at most so many at a time. One that cannot be run is reported as ignored, with the
/// reason; where it is `required`, that is a failure.
pub fn run(tests: &[(&'static str, Test)], required: bool, at_a_time: Option<usize>) -> ExitCode {
    let mut arguments = Arguments::from_args();
    arguments.test_threads = at_a_time.or(arguments.test_threads);
    let trials = tests.iter().map(|&(name, test)| {
        Trial::ignorable_test(name, move || match test() {
            Ok(()) => Ok(Completion::Completed),
            Err(Absent(reason)) if required => Err(Failed::from(reason)),
            Err(Absent(reason)) => {
                eprintln!("SKIPPED {name}: {reason}");
                Ok(Completion::ignored_with(reason))
            }
        })
    });
    libtest_mimic::run(&arguments, trials.collect()).exit_code()
}

/// Whether the variable has this value.
pub fn is_set(variable: &str, value: &str) -> bool {
    std::env::var(variable).is_ok_and(|found| found == value)
}
