//! The `dropline` command: arguments in, exit status out; the work is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    dropline::internal::main()
}
