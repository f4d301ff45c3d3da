//! The `dropline` command.

fn main() {}
