//! `dropline completions`: what a shell needs to complete commands, options and their values.

use clap::{Args, Command};
use clap_complete::Shell;

use super::terminal::{CommandOutcome, print};

/// Print what your shell needs to complete dropline's commands and options
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  dropline completions bash > ~/.local/share/bash-completion/completions/dropline
  dropline completions fish > ~/.config/fish/completions/dropline.fish")]
pub(super) struct CompletionsArgs {
    /// The shell
    #[arg(value_name = "SHELL")]
    shell: Shell,
}

pub(super) fn run(args: &CompletionsArgs, mut command: Command) -> anyhow::Result<CommandOutcome> {
    let mut script = Vec::new();
    let name = command.get_name().to_string();
    clap_complete::generate(args.shell, &mut command, name, &mut script);
    // Made of names and help texts, which are text.
    print(&String::from_utf8_lossy(&script))?;
    Ok(CommandOutcome::Done)
}
