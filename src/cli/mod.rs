//! Arguments to commands. Each command has a file of its own with its arguments and its run.

mod analyse;
mod arguments;
mod compare;
mod completions;
mod convert;
mod frames;
#[cfg_attr(target_os = "linux", path = "live/mod.rs")]
#[cfg_attr(not(target_os = "linux"), path = "live_elsewhere.rs")]
mod live;
mod page;
mod plan;
mod replay;
mod replay_page;
mod replay_view;
mod report;
mod simulate;
mod stop;
mod terminal;
mod view;

use std::process::ExitCode;

use clap::{CommandFactory, Parser, Subcommand};

use self::terminal::CommandOutcome;

/// Listens to a DeviceNet trunk and says how healthy it is. It never sends a frame to a trunk.
///
/// dropline is not a safety device. Checks inside cabinets are for qualified people.
#[derive(Debug, Parser)]
#[command(name = "dropline", bin_name = "dropline", version, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Watch(Box<live::WatchArgs>),
    Compare(compare::CompareArgs),
    Convert(convert::ConvertArgs),
    Demo(simulate::DemoArgs),
    Frames(frames::FramesArgs),
    Replay(replay::ReplayArgs),
    Plan(plan::PlanArgs),
    Simulate(simulate::SimulateArgs),
    Adapter(live::AdapterArgs),
    Report(report::ReportArgs),
    Completions(completions::CompletionsArgs),
    Manual(completions::ManualArgs),
}

/// Runs the command line; messages go to standard error, results to standard output.
pub fn main() -> ExitCode {
    // A shell of Windows leaves patterns of file names to the program.
    let cli = Cli::parse_from(wild::args_os());
    terminal::show_diagnostics();
    stop::survive_file_limit();
    let outcome: anyhow::Result<CommandOutcome> = match &cli.command {
        Command::Watch(args) => live::run_watch(args),
        Command::Compare(args) => compare::run(args),
        Command::Convert(args) => convert::run(args),
        Command::Demo(args) => simulate::run_demo(args),
        Command::Frames(args) => frames::run(args),
        Command::Replay(args) => replay::run(args),
        Command::Plan(args) => plan::run(args),
        Command::Simulate(args) => simulate::run(args),
        Command::Adapter(args) => live::run_adapter(args),
        Command::Report(args) => report::run(args),
        Command::Completions(args) => completions::print_completions(args, Cli::command()),
        Command::Manual(args) => completions::print_manual(args, Cli::command()),
    };
    match outcome {
        Ok(CommandOutcome::Done) => ExitCode::SUCCESS,
        Ok(CommandOutcome::DoesNotHold) => ExitCode::from(1),
        Err(error) => {
            terminal::say(&error.to_string());
            ExitCode::from(2)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The words of a command line; those in quotes are one.
    fn words(line: &str) -> Vec<String> {
        let mut words = vec![String::new()];
        for (index, part) in line.split('"').enumerate() {
            if index % 2 == 1 {
                words.last_mut().unwrap().push_str(part);
                continue;
            }
            for c in part.chars() {
                match c {
                    ' ' => words.push(String::new()),
                    c => words.last_mut().unwrap().push(c),
                }
            }
        }
        words.retain(|word| !word.is_empty());
        words
    }

    /// Every command's help has an example, and every example is a command that can be given.
    #[test]
    fn the_examples_hold() {
        let mut command = Cli::command();
        command.build();
        for sub in command.get_subcommands_mut().filter(|sub| sub.get_name() != "help") {
            let name = sub.get_name().to_string();
            let help = sub.render_long_help().to_string();
            let (_, examples) = help.split_once("Example").unwrap_or_else(|| panic!("{name}"));
            let mut own = 0;
            let lines = examples.lines().flat_map(|line| line.split("&&"));
            for line in lines.filter_map(|line| Some(&line[line.find("dropline ")?..])) {
                // The rest is the shell's.
                let line = line.split(" > ").next().unwrap_or_default();
                // A sentence about dropline is no example.
                if line.starts_with("dropline is ") {
                    continue;
                }
                if let Err(error) = Cli::try_parse_from(words(line)) {
                    panic!("{name}: {line}: {error}");
                }
                own += usize::from(words(line).get(1) == Some(&name));
            }
            assert!(own > 0, "{name} has no example of its own");
        }
    }

    #[test]
    fn a_near_miss_is_offered() {
        for (line, offer) in [
            ("dropline wathc can0", "'watch'"),
            ("dropline replay line3.jsonl --sumary x.json", "'--summary'"),
            ("dropline replay line3.jsonl --fail-on warnin", "'warning'"),
            ("dropline completions bsh", "'bash'"),
            ("dropline frames line3.jsonl --kind explcit", "'explicit'"),
        ] {
            let error = Cli::try_parse_from(words(line)).unwrap_err().to_string();
            assert!(error.contains("similar") && error.contains(offer), "{line}: {error}");
        }
    }
}
