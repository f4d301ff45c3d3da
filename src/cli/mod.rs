//! Arguments to commands. Each command has a file of its own with its arguments and its run.

mod adapter;
mod compare;
mod convert;
mod demo;
mod frames;
mod listen;
mod plan;
mod player;
mod replay;
mod report;
mod simulate;
mod teller;
mod view;
mod visits;
mod watch;

use std::process::ExitCode;

use clap::{Parser, Subcommand};

/// Listens to a DeviceNet trunk and says how healthy it is. It never sends a frame to a trunk.
///
/// dropline is not a safety device. Checks inside cabinets are for qualified people.
#[derive(Debug, Parser)]
#[command(name = "dropline", version, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Watch(watch::WatchArgs),
    Compare(compare::CompareArgs),
    Convert(convert::ConvertArgs),
    Demo(demo::DemoArgs),
    Frames(frames::FramesArgs),
    Replay(replay::ReplayArgs),
    Plan(plan::PlanArgs),
    Simulate(simulate::SimulateArgs),
    Adapter(adapter::AdapterArgs),
    Report(report::ReportArgs),
}

/// How a command that could do its work came out; the exit status says it to scripts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Done: exit 0.
    Done,
    /// What was asked for does not hold: exit 1.
    DoesNotHold,
}

/// Why a command could not do its work: one line for standard error, exit 2.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct Failure(pub String);

/// Runs the command line; messages go to standard error, results to standard output.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let outcome: Result<Outcome, Failure> = match &cli.command {
        Command::Watch(args) => watch::run(args),
        Command::Compare(args) => compare::run(args),
        Command::Convert(args) => convert::run(args),
        Command::Demo(args) => demo::run(args),
        Command::Frames(args) => frames::run(args),
        Command::Replay(args) => replay::run(args),
        Command::Plan(args) => plan::run(args),
        Command::Simulate(args) => simulate::run(args),
        Command::Adapter(args) => adapter::run(args),
        Command::Report(args) => report::run(args),
    };
    match outcome {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::DoesNotHold) => ExitCode::from(1),
        Err(failure) => {
            listen::say(&failure.to_string());
            ExitCode::from(2)
        }
    }
}
